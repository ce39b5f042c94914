"""What is believed of a pair before its burns: the family's table, and what other pairs teach."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Sequence
from importlib import resources
from typing import TYPE_CHECKING

from calib.errors import unfit
from calib.fit.kinship import product_key
from calib.fit.pair_summary import read_back, written
from calib.fit.pool import Pool, pool_of, summaries_of
from calib.fit.priors import Priors, expected_priors
from calib.materials import family_of
from calib.records import OPERATIONS, Burn, Machine, Operation, Sheet
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book

# Pairs that are taken in at most, the nearest kin first: more of them would tell next to nothing
# new, and each takes about a hundredth of a second.
MOST_PAIRS = 60


def pool_of_book(book: Book, machine: Machine, sheet: Sheet, operation: Operation) -> Pool | None:
    """Take in what the logbook holds of other pairs."""
    from calib.logbook.book import recall, remember  # without a logbook, no database

    machines = {one.name: one for one in book.machines() if one.source == machine.source}
    sheets = {one.name: one for one in book.sheets()}
    pairs = [
        (machines[m], sheets[s])
        for m, s in book.pairs(operation)
        if m in machines and s in sheets and (m, s) != (machine.name, sheet.name)
    ]
    if not pairs:
        return None

    def distance(pair: tuple[Machine, Sheet]) -> tuple[bool, bool, bool, str, str]:
        """Sorts the nearest kin first; names break ties, so that the order is always the same."""
        of_machine, of_sheet = pair
        return (
            product_key(of_sheet) != product_key(sheet),
            family_of(of_sheet.material) != family_of(sheet.material),
            of_machine.name != machine.name,
            of_machine.name,
            of_sheet.name,
        )

    burnt = {
        f"{operation} of {of_sheet.name} on {of_machine.name}": (
            of_machine, of_sheet, book.burns(of_machine.name, of_sheet.name, operation)
        )
        for of_machine, of_sheet in sorted(pairs, key=distance)[:MOST_PAIRS]
    }  # fmt: skip
    digests = {name: _digest(*pair) for name, pair in burnt.items()}
    known = recall(book, digests)
    new = {n: written(summaries_of(*pair)) for n, pair in burnt.items() if n not in known}
    remember(book, digests, new)
    known |= new
    return pool_of(read_back(known[name], *pair[:2]) for name, pair in burnt.items())


def priors_of(machine: Machine, sheet: Sheet, operation: Operation, pool: Pool | None) -> Priors:
    """What is believed of a pair before its burns: the family's table, or the logbook's pool."""
    if operation not in OPERATIONS:
        raise unfit("operation", operation, say("tasks.give_one", operations=", ".join(OPERATIONS)))
    expected = expected_priors(machine, sheet, operation)
    return expected if pool is None else pool.priors(machine, sheet, operation, expected)


def _digest(machine: Machine, sheet: Sheet, burns: Sequence[Burn]) -> str:
    return hashlib.sha256(repr((_fit_as_it_is(), machine, sheet, burns)).encode()).hexdigest()


@functools.cache
def _fit_as_it_is() -> str:
    """A digest of what sums pairs up: with another calib they are summed up anew."""
    rooms = resources.files("calib")
    texts = [*rooms.joinpath("fit").iterdir(), rooms / "physics.py", rooms / "data/response.csv"]
    sources = sorted((t.name, t.read_bytes()) for t in texts if t.name.endswith((".py", ".csv")))
    return hashlib.sha256(repr(sources).encode()).hexdigest()
