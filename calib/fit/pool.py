"""What the whole logbook teaches: priors for a pair from every other pair that was burnt."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from calib.errors import InvalidRecord
from calib.fit.kinship import Key, pair_key
from calib.fit.pair_summary import PairSummary, Response, pair_summaries
from calib.fit.pooled_prior import pooled_cut, pooled_graded
from calib.fit.priors import Priors, expected_priors
from calib.records import OPERATIONS, Burn, Machine, Operation, Sheet
from calib.texts.say import say

Record = tuple[Machine, Sheet, Sequence[Burn]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """The logbook in short: a few numbers for each pair and response, and how many pairs.

    It betters the family's expectation of a pair by what the whole logbook teaches.
    """

    summaries: dict[Response, tuple[PairSummary, ...]]
    pairs: int

    def priors(
        self, machine: Machine, sheet: Sheet, operation: Operation, expected: Priors
    ) -> Priors:
        """Priors of a pair from all the others; ``expected`` itself when none tells of it.

        Its own burns, if they are in the book, are left out: they come in as evidence, and must not
        count twice.
        """
        cut, char, mark = (self._others(r, machine, sheet) for r in ("cut", "char", operation))
        better = replace(
            expected,
            cut=pooled_cut(cut, machine, sheet, expected.cut)
            if expected.cut and cut
            else expected.cut,
            char=pooled_graded(char, machine, sheet, expected.char)
            if expected.char and char
            else expected.char,
            mark=pooled_graded(mark, machine, sheet, expected.mark)
            if expected.mark and mark
            else expected.mark,
        )
        if better == expected:
            return expected
        told = cut or char if operation == "cut" else mark
        return replace(better, notes=(*expected.notes, _note(len(told))))

    def joined(self, other: Pool) -> Pool:
        """Both books; where both hold a pair, the other's account of it counts."""
        newer = {pair_key(s.machine, s.sheet) for some in other.summaries.values() for s in some}
        kept = {
            response: tuple(s for s in some if pair_key(s.machine, s.sheet) not in newer)
            for response, some in self.summaries.items()
        }
        responses = dict.fromkeys((*self.summaries, *other.summaries))
        together = {r: (*kept.get(r, ()), *other.summaries.get(r, ())) for r in responses}
        mine = {pair_key(s.machine, s.sheet) for some in self.summaries.values() for s in some}
        return Pool(summaries=together, pairs=len(mine | newer))

    def _others(
        self, response: Response, machine: Machine, sheet: Sheet
    ) -> tuple[PairSummary, ...]:
        """Pairs of the same kind of laser but this one."""
        mine = pair_key(machine, sheet)
        return tuple(
            s
            for s in self.summaries.get(response, ())
            if s.machine.source == machine.source and pair_key(s.machine, s.sheet) != mine
        )


def pool_records(records: Iterable[Record]) -> Pool:
    """Take in every pair of a logbook; the work grows in proportion to the number of pairs.

    Parameters
    ----------
    records
        (machine, sheet, burns) of each pair; a pair may come more than once.

    Returns
    -------
    Pool
        For ``pool=`` when planning and fitting.

    Raises
    ------
    InvalidRecord
        When a record holds something else.

    Examples
    --------
    >>> pool_records([]).pairs
    0
    """
    pairs: dict[Key, tuple[Machine, Sheet, list[Burn]]] = {}
    for record in records:
        machine, sheet, burns = _checked(record)
        key = pair_key(machine, sheet)
        pairs.setdefault(key, (machine, sheet, []))[2].extend(burns)
    return pool_of(summaries_of(*pair) for pair in pairs.values())


def summaries_of(machine: Machine, sheet: Sheet, burns: Sequence[Burn]) -> list[PairSummary]:
    """What all the burns of one pair say, of every response that they tell anything of."""
    operations = [op for op in OPERATIONS if any(b.operation == op for b in burns)]
    expected = {op: expected_priors(machine, sheet, op) for op in operations}
    return pair_summaries(machine, sheet, burns, expected)


def pool_of(pairs: Iterable[Sequence[PairSummary]]) -> Pool:
    """The pool of pairs that were summed up already."""
    found: dict[Response, list[PairSummary]] = defaultdict(list)
    count = 0
    for summaries in pairs:
        count += 1
        for summary in summaries:
            found[summary.response].append(summary)
    return Pool(summaries={r: tuple(some) for r, some in found.items()}, pairs=count)


def _checked(record: Record) -> Record:
    good = isinstance(record, tuple) and len(record) == 3
    if not good or not isinstance(record[0], Machine) or not isinstance(record[1], Sheet):
        raise InvalidRecord(say("fit.record_of_logbook", record=record))
    for burn in record[2]:
        if not isinstance(burn, Burn):
            raise InvalidRecord(say("fit.burns_hold_give_sequence_of_burn", burn=burn))
    return record


def _note(pairs: int) -> str:
    other = say("fit.other_pair") if pairs == 1 else say("fit.other_pairs", pairs=pairs)
    return say("fit.what_is_expected_before_burns_rests", other=other)
