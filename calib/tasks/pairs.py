"""A machine and a sheet of a logbook, found by name: burns, region, what is kept."""

from __future__ import annotations

import difflib
import functools
import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from calib.errors import LogbookError, NearMiss, NotEnoughEvidence
from calib.hazards import Hazard, check_hazard
from calib.logbook import Book, Filters, Kept, Line
from calib.logbook.coding import known_names
from calib.records import Air, Burn, Grid, Machine, Operation, Setting, Sheet, unusual
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.boards.gentle import KnownMarks
    from calib.fit.region import Region

# Names the newest board.
LAST = "last"
# What says that a pair was used.
_USED = ("board", "job", "check_strip")


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The names of a machine and a sheet, as the logbook writes them."""

    machine: str
    sheet: str
    how: str = ""  # What was taken where one of several wasn't named; else empty


def chosen_pair(book: Book, machine: str | None = None, sheet: str | None = None) -> Chosen:
    """Choose what isn't named: the only one, else what was used last; case doesn't matter.

    Raises LogbookError when there is none, or none of several was used yet; NearMiss when a name
    isn't there and another is like it.
    """
    machines = [each.name for each in book.machines()]
    sheets = [each.name for each in book.sheets()]
    if not machines:
        _taken(machines, "machine", "")
    of_machine = None if machine is None else name_like(machine, machines, "machine")
    of_sheet = None if sheet is None else name_like(sheet, sheets, "sheet")
    last = None
    if of_machine is None and len(machines) > 1 or of_sheet is None and len(sheets) > 1:
        # A sheet that was never burnt is for the machine that was used last.
        last = _used(book, of_machine, of_sheet) or _used(book)
    taken = Chosen(
        machine=of_machine or _taken(machines, "machine", last[0] if last else ""),
        sheet=of_sheet or _taken(sheets, "sheet", last[1] if last else ""),
    )
    return replace(taken, how=say("tasks.taken_as_used_last", taken=taken)) if last else taken


def _used(
    book: Book, machine: str | None = None, sheet: str | None = None
) -> tuple[str, str] | None:
    """The machine and sheet that were used last."""
    found = book.search(Filters(kinds=_USED, machine=machine, sheet=sheet), limit=1).entries
    return (found[0].machine, found[0].sheet) if found else None


def find_machine(book: Book, name: str | None = None) -> Machine:
    """Look a machine up; the only one, else the one used last, needn't be named."""
    names = [each.name for each in book.machines()]
    if name is not None:
        return book.machine(name_like(name, names, "machine"))
    last = _used(book) if len(names) > 1 else None
    return book.machine(_taken(names, "machine", last[0] if last else ""))


def find_sheet(book: Book, name: str) -> Sheet:
    """Look a sheet up by its name; case doesn't matter."""
    return book.sheet(name_like(name, [each.name for each in book.sheets()], "sheet"))


def name_like(given: str, names: Sequence[str], what: str) -> str:
    """The name as the logbook writes it; NearMiss where only a similar one is there."""
    wanted = given.strip().casefold()
    found = [name for name in names if name == given] or [
        name for name in names if name.casefold() == wanted
    ]
    if len(found) == 1:
        return found[0]
    near = difflib.get_close_matches(wanted, [name.casefold() for name in names], n=1, cutoff=0.75)
    if near and not found:
        raise NearMiss(what, given, next(name for name in names if name.casefold() == near[0]))
    raise LogbookError(known_names(what, given, names))


def _taken(names: Sequence[str], what: str, last: str) -> str:
    if not names:
        raise LogbookError(say("tasks.there_is_no_in_logbook_yet", what=what))
    if len(names) > 1 and last not in names:
        raise LogbookError(say("tasks.which_is_meant", what=what, names=", ".join(names)))
    return names[0] if len(names) == 1 else last


def find_board(book: Book, board_id: str) -> Grid:
    """Look a board up by its code, whatever its case; ``last`` is the one planned last."""
    code = board_id.strip().upper()
    if board_id.casefold() == LAST:
        newest = book.boards(limit=1).entries
        if not newest:
            raise LogbookError(say("tasks.there_is_no_board_in_logbook"))
        code = newest[0].id
    grid = book.board(code)
    # These change nothing of the burns: they only say how files write them.
    now = book.machine(grid.machine.name)
    word = grid.machine.power_word_full
    machine = replace(
        grid.machine,
        power_word_full=now.power_word_full if word is None else word,
        colours=now.colours or grid.machine.colours,
    )
    return replace(grid, machine=machine)


def burnt_words(book: Book, grid: Grid) -> tuple[str, ...]:
    """Who burnt a board and with which lens, a sentence a session, as far as either is known."""
    sessions = {one.label: one.who for one in book.sessions(grid.machine.name)}
    lenses = {one.id: one.machine.lens_mm for one in book.setups(grid.machine.name)}
    found = []
    for label, setup in book.burnt_in(grid.board_id):
        who, lens = sessions.get(label, ""), lenses.get(setup)
        if who and lens:
            found.append(say("tasks.burnt_by_with_lens", label=label, who=who, lens=lens))
        elif who:
            found.append(say("tasks.burnt_by", label=label, who=who))
        elif lens:
            found.append(say("tasks.burnt_with_lens", label=label, lens=lens))
    return tuple(dict.fromkeys(found))


def board_entry(book: Book, code: str) -> str:
    """Id of the entry that planned a board, for it to be withdrawn."""
    grid = find_board(book, code)
    lines = book.history(grid.machine.name, grid.sheet.name)
    return next(one.id for one in lines if (one.kind, one.board) == ("board", grid.board_id))


# Boards of one pair: far more than anybody burns.
_MOST_BOARDS = 1000
# Fields of a machine that change nothing of what a burn comes to; a setting that is now out of
# reach is told apart.
_NO_BEARING = frozenset({
    "bed_mm", "max_speed_mm_s", "acceleration_mm_s2", "ceiling_pct", "power_step_pct",
    "speed_step_mm_s", "origin", "y_up", "offset_mm", "slat_gap_mm",
})  # fmt: skip


class OpenPair:
    """A machine and a sheet of an open logbook, for one operation; looked up once it is asked for.

    What isn't named is chosen as by `chosen_pair`, whose errors it raises then. Machine, sheet,
    burns and region are looked up once, what is planned and kept each time.
    """

    def __init__(
        self,
        book: Book,
        machine: str | None = None,
        sheet: str | None = None,
        operation: Operation = "cut",
    ) -> None:
        self.book, self.named, self.operation = book, (machine, sheet), operation

    @functools.cached_property
    def names(self) -> tuple[str, str]:
        """Of the machine and the sheet, as the logbook writes them."""
        chosen = chosen_pair(self.book, *self.named)
        return chosen.machine, chosen.sheet

    @property
    def key(self) -> tuple[str, str, Operation]:
        """The names, and the operation."""
        return *self.names, self.operation

    @functools.cached_property
    def machine(self) -> Machine:
        """As it is set up now."""
        return self.book.machine(self.names[0])

    @functools.cached_property
    def sheet(self) -> Sheet:
        """With its current lot."""
        return self.book.sheet(self.names[1])

    def to(self, operation: Operation) -> OpenPair:
        """The same machine and sheet for another operation."""
        return self if operation == self.operation else OpenPair(self.book, *self.names, operation)

    def check(self) -> Hazard:
        """Look at the hazards; raises RefusedMaterial, DeclarationNeeded."""
        return check_hazard(self.sheet, self.machine, self.operation)

    @functools.cached_property
    def burns(self) -> tuple[Burn, ...]:
        """Burns of all lots, each with its lot where that isn't the current one."""
        now = self.sheet.lot
        found = self.book.burns(*self.key, lot=now)
        for lot in dict.fromkeys(entry.sheet.lot for entry in self.book.lots(self.sheet.name)):
            if lot != now:
                found += tuple(replace(b, lot=lot) for b in self.book.burns(*self.key, lot=lot))
        return found

    @functools.cached_property
    def region(self) -> Region:
        """From all burns, with the rest of the logbook as its prior."""
        return self.fit(self.burns)

    def with_air(self, air: Air | None) -> Region:
        """The region of burns with an air, from all burns; None: with the usual one."""
        air = unusual(air, self.operation)
        return self.region if air is None else self.fit(self.burns, air)

    def fit(self, burns: Sequence[Burn], air: Air | None = None) -> Region:
        """Fit a region from some burns, with the rest of the logbook as its prior."""
        from calib.fit.fitting import region_from
        from calib.tasks.pools import pool_of_book, priors_of

        self.check()
        of = self.machine, self.sheet, self.operation
        return region_from(*of, burns, priors_of(*of, pool_of_book(self.book, *of)), air)

    def of_lot(self, lot: str) -> Region:
        """The region from the burns of one lot."""
        which = None if lot == self.sheet.lot else lot
        return self.fit([replace(burn, lot=None) for burn in self.burns if burn.lot == which])

    @functools.cached_property
    def old_lots(self) -> Region:
        """The region from all lots but the current one; raises NotEnoughEvidence without any."""
        self.check()
        burns = [replace(burn, lot=None) for burn in self.burns if burn.lot is not None]
        if not burns:
            lot = self.sheet.lot or "without a name"
            machine, sheet = self.machine, self.sheet
            raise NotEnoughEvidence(
                say("tasks.no_lot_of_but_current_one", of_sheet=sheet, lot=lot, of_machine=machine)
            )
        return self.fit(burns)

    @property
    def boards(self) -> tuple[Line, ...]:
        """Its boards, newest first."""
        machine, sheet, operation = self.key
        of = Filters(machine=machine, sheet=sheet, operation=operation)
        return self.book.boards(of, limit=_MOST_BOARDS).entries

    @property
    def kept(self) -> KeptSetting | None:
        """The setting that is kept."""
        return next(iter(kept_settings(self.book, *self.key)), None)

    @property
    def kept_cut(self) -> KeptSetting:
        """The cut that is kept; raises NotEnoughEvidence where there is none."""
        kept = self.to("cut").kept
        if kept is None:
            machine, sheet = self.machine, self.sheet
            raise NotEnoughEvidence(
                say("tasks.no_cut_of_on_is_kept", of_sheet=sheet, of_machine=machine)
            )
        return kept

    @property
    def working_setting(self) -> Setting:
        """The setting that the workshop cuts with: the kept one, else that of the old lots."""
        from calib.advice.recommend import recommend

        return self.kept.setting if self.kept else recommend(self.old_lots).setting

    @property
    def marks(self) -> KnownMarks:
        """What is known of its line marks: how the codes of its boards are marked."""
        from calib.boards.gentle import KnownMarks

        key = self.to("line_mark").key
        kept = self.book.kept(*key)
        return KnownMarks(kept=kept[0].setting if kept else None, burns=self.book.burns(*key))


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSetting(Kept):
    """A kept setting with why it isn't current, in sentences; none when it is."""

    not_current: tuple[str, ...] = ()
    failed_proof: str = ""  # The board that says not to use it: a proof at it since it was kept


def kept_settings(
    book: Book,
    machine: str | None = None,
    sheet: str | None = None,
    operation: Operation | None = None,
    *,
    earlier: bool = False,
) -> tuple[KeptSetting, ...]:
    """The kept settings, each with why it isn't current; None: of all; ``earlier`` ones too."""
    entries = book.kept(machine, sheet, operation, earlier=earlier)
    names = [field.name for field in fields(Kept)]
    failed = _failed_proofs(book, entries)
    return tuple(
        KeptSetting(
            **{name: getattr(entry, name) for name in names},
            not_current=(say("tasks.proof_failed_since", code=code), *why) if code else why,
            failed_proof=code,
        )
        for entry, why in zip(entries, why_not_current(book, entries), strict=True)
        for code in (failed[entry.id],)
    )


def _failed_proofs(book: Book, entries: Sequence[Kept]) -> dict[str, str]:
    """By id of kept cuts, the newest proof at that setting since, where not all of it fell."""
    found = {entry.id: "" for entry in entries}
    for entry in (one for one in entries if one.operation == "cut"):
        of = Filters(machine=entry.machine, sheet=entry.sheet, operation="cut", since=entry.at)
        for board in book.boards(of, limit=_MOST_BOARDS).entries:
            cells = book.board(board.id).cells if board.read else ()
            if any(cell.path_mm for cell in cells) and cells[0].setting == entry.setting:
                hung = any(board.outcomes.get(outcome) for outcome in ("no", "hanging"))
                found[entry.id] = board.id if hung else ""
                break
    return found


def why_not_current(book: Book, entries: Iterable[Kept]) -> list[tuple[str, ...]]:
    """Say of each kept setting in sentences what has changed since; empty when it is current."""
    lots, setups, burns = (functools.cache(of) for of in (book.lots, book.setups, book.burns))
    return [
        (
            *_lot_changes(entry, lots(entry.sheet), burns),
            *_machine_changes(entry, setups(entry.machine), burns),
        )
        for entry in entries
    ]


def _lot_changes(entry: Kept, versions: Sequence[Any], burns: Any) -> Iterator[str]:
    pair = (entry.machine, entry.sheet, entry.operation)
    now, before = versions[-1].sheet, [v.sheet for v in versions if v.since <= entry.at]
    if entry.lot != now.lot:
        then = say("tasks.for_lot", entry=entry) if entry.lot else say("tasks.before_lot_had_name")
        today = say("tasks.it_is_lot", now=now) if now.lot else say("tasks.lot_has_no_name")
        yield say("tasks.it_was_kept", then=then, today=today)
    elif any(version.sheet.lot != now.lot for version in versions):
        if burns(*pair) and not burns(*pair, lot=now.lot):
            name = f"lot {now.lot}" if now.lot else say("tasks.lot_without_name")
            yield say("tasks.it_rests_on_burns_of_other", name=name)
    if before and now.measured_mm is not None and before[-1].measured_mm != now.measured_mm:
        old = before[-1].measured_mm
        then = say("tasks.not_measured") if old is None else f"{old:g} mm"
        yield say("tasks.sheet_measures_now", measured=now.measured_mm, then=then)


def _machine_changes(entry: Kept, setups: Sequence[Any], burns: Any) -> Iterator[str]:
    pair = (entry.machine, entry.sheet, entry.operation)
    changes = [
        setup
        for earlier, setup in itertools.pairwise(setups)
        if not (setup.what == "other" and _only_told(earlier.machine, setup.machine))
    ]
    later = [setup for setup in changes if setup.since > entry.at]
    for setup in later:
        day = day_of(setup.since, entry.at)
        yield say("tasks.machine_was_changed_since", setup=setup, day=day)
    if changes and not later:
        last = changes[-1]
        if burns(*pair) and not burns(*pair, setup=last.id):
            day = day_of(last.since, entry.at)
            yield say("tasks.it_rests_on_burns_from_before", last=last, day=day)
    machine, setting = setups[-1].machine, entry.setting
    if setting.power_pct > machine.ceiling_pct:
        yield say("tasks.its_lie_above_machines_power_ceiling", setting=setting, machine=machine)
    if setting.speed_mm_s > machine.max_speed_mm_s:
        yield say("tasks.it_is_faster_than_machines_top", machine=machine)


def _only_told(before: Machine, after: Machine) -> bool:
    """Whether the machine burns as before: what became different wasn't known, or is none of it.

    A change of which only a note says what it is counts as one.
    """
    pairs = {f.name: (getattr(before, f.name), getattr(after, f.name)) for f in fields(before)}
    changed = {name: old for name, (old, new) in pairs.items() if old != new}
    return bool(changed) and all(
        name in _NO_BEARING or old in (None, "", ()) for name, old in changed.items()
    )


def day_of(at: datetime, local: datetime) -> str:
    """The date of a time, where the clock of another one hangs."""
    return f"{at.astimezone(local.tzinfo):%Y-%m-%d}"
