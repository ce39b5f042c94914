"""A machine and a sheet of a logbook: what was burnt, what is kept, and what its burns say."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from calib.errors import NotEnoughEvidence
from calib.hazards import Hazard, check_hazard
from calib.logbook import Book, Filters, Kept, Line
from calib.records import Burn, Machine, Operation, Setting, Sheet
from calib.tasks.finding import chosen_pair
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.boards.gentle import KnownMarks
    from calib.fit.region import Region

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

    def fit(self, burns: Sequence[Burn]) -> Region:
        """Fit a region from some burns, with the rest of the logbook as its prior."""
        from calib.fit.fitting import region_from
        from calib.tasks.pools import pool_of_book, priors_of

        self.check()
        of = self.machine, self.sheet, self.operation
        return region_from(*of, burns, priors_of(*of, pool_of_book(self.book, *of)))

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
    return tuple(
        KeptSetting(**{name: getattr(entry, name) for name in names}, not_current=why)
        for entry, why in zip(entries, why_not_current(book, entries), strict=True)
    )


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
