"""Whether a kept setting is current, and why not."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import TYPE_CHECKING

from calib.advice.recommendation import LIKELY_CHANCE, scope_words, share_words
from calib.errors import NotEnoughEvidence
from calib.logbook import Book, Kept
from calib.records import (
    COUPON_CUT_MM,
    Advice,
    Burn,
    Machine,
    Operation,
    Setting,
    Sheet,
    grade_ends,
)
from calib.texts.say import say
from calib.units import show_chance

if TYPE_CHECKING:
    from calib.fit.region import Region

# A part counts for a coupon's chance, and a job for a whole job's, when its cut path differs by
# less than this share from the one it was stated of: the chances then differ by too little to tell.
SAME_LENGTH = 0.25

# Fields of a machine that change nothing of what a burn comes to; a setting that is now out of
# reach is told apart.
_NO_BEARING = frozenset({
    "bed_mm", "max_speed_mm_s", "acceleration_mm_s2", "ceiling_pct", "power_step_pct",
    "speed_step_mm_s", "origin", "y_up", "offset_mm", "slat_gap_mm",
})  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSetting(Kept):
    """A kept setting with why it isn't current, in sentences; none when it is."""

    not_current: tuple[str, ...] = ()


def kept_settings(
    book: Book,
    machine: str | None = None,
    sheet: str | None = None,
    operation: Operation | None = None,
) -> tuple[KeptSetting, ...]:
    """The kept settings, each with why it isn't current; None: of all."""
    reasons = Reasons(book)
    return tuple(
        KeptSetting(
            **{field.name: getattr(entry, field.name) for field in fields(entry)},
            not_current=reasons.of(entry),
        )
        for entry in book.kept(machine, sheet, operation)
    )


def kept_cut(book: Book, machine: Machine, sheet: Sheet) -> KeptSetting:
    """The kept cut of a pair; raises NotEnoughEvidence where none is kept."""
    kept = kept_settings(book, machine.name, sheet.name, "cut")
    if not kept:
        raise NotEnoughEvidence(
            say("tasks.no_cut_of_on_is_kept", of_sheet=sheet, of_machine=machine)
        )
    return kept[0]


class Reasons:
    """Why kept settings of a book aren't current; each pair is looked up once."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._lots = functools.cache(book.lots)
        self._setups = functools.cache(book.setups)
        self._machine = functools.cache(book.machine)
        self._burns = functools.cache(book.burns)

    def of(self, entry: Kept) -> tuple[str, ...]:
        """Say in sentences what has changed since; empty when it is current."""
        return tuple(self._changes(entry))

    def _changes(self, entry: Kept) -> Iterator[str]:
        pair = (entry.machine, entry.sheet, entry.operation)
        versions = self._lots(entry.sheet)
        now, before = versions[-1].sheet, [v.sheet for v in versions if v.since <= entry.at]
        if entry.lot != now.lot:
            then = (
                say("tasks.for_lot", entry=entry) if entry.lot else say("tasks.before_lot_had_name")
            )
            today = say("tasks.it_is_lot", now=now) if now.lot else say("tasks.lot_has_no_name")
            yield say("tasks.it_was_kept", then=then, today=today)
        elif any(version.sheet.lot != now.lot for version in versions):
            if self._burns(*pair) and not self._burns(*pair, lot=now.lot):
                name = f"lot {now.lot}" if now.lot else say("tasks.lot_without_name")
                yield say("tasks.it_rests_on_burns_of_other", name=name)
        measured = now.measured_mm
        if before and measured is not None and before[-1].measured_mm != measured:
            old = before[-1].measured_mm
            then = say("tasks.not_measured") if old is None else f"{old:g} mm"
            yield say("tasks.sheet_measures_now", measured=measured, then=then)
        changes = [
            setup
            for earlier, setup in itertools.pairwise(self._setups(entry.machine))
            if not (setup.what == "other" and _only_told(earlier.machine, setup.machine))
        ]
        later = [setup for setup in changes if setup.since > entry.at]
        for setup in later:
            yield say(
                "tasks.machine_was_changed_since", setup=setup, day=_day(setup.since, entry.at)
            )
        if changes and not later:
            last = changes[-1]
            if self._burns(*pair) and not self._burns(*pair, setup=last.id):
                yield say(
                    "tasks.it_rests_on_burns_from_before",
                    last=last,
                    day=_day(last.since, entry.at),
                )
        machine, setting = self._machine(entry.machine), entry.setting
        if setting.power_pct > machine.ceiling_pct:
            yield say(
                "tasks.its_lie_above_machines_power_ceiling", setting=setting, machine=machine
            )
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


def doubts_of(
    book: Book, region: Region, setting: Setting, advice: Advice | None, when: datetime
) -> tuple[str, ...]:
    """Why a setting shouldn't be kept without a clear yes, in sentences."""
    pair = (region.machine.name, region.sheet.name, region.operation)
    kept = Kept(
        id="", machine=pair[0], sheet=pair[1], operation=pair[2], setting=setting,
        lot=region.sheet.lot, at=when,
    )  # fmt: skip
    doubts = list(Reasons(book).of(kept))
    if advice is None:
        doubts.append(say("tasks.it_lies_outside_what_was_burnt"))
        return tuple(doubts)
    if advice.chance < LIKELY_CHANCE:
        good = (
            say("tasks.come_out_as_wanted") if advice.operation != "cut" else say("tasks.fall_free")
        )
        doubts.append(
            say(
                "tasks.its_chance_is_only_2",
                chance=show_chance(advice.chance),
                share=share_words(advice.chance),
                good=good,
            )
        )
    before = next((one.advice for one in book.kept(*pair)), None)
    if before is not None and scope_words(before) != scope_words(advice):
        doubts.append(
            say("tasks.its_chance", scope=scope_words(advice), scope_2=scope_words(before))
        )
    return tuple(doubts)


def why_not_counted(advice: Advice, burns: Sequence[Burn]) -> str:
    """Why a job doesn't tell whether a stated chance held; empty when it does."""
    if any(came_out(advice, burn) is None for burn in burns):
        return say("tasks.what_chance_was_stated_of_wasnt")
    lengths = [COUPON_CUT_MM if b.cut_length_mm is None else b.cut_length_mm for b in burns]
    if advice.scope == "job":
        whole = advice.cut_length_mm or 0.0
        total = sum(length * burn.count for length, burn in zip(lengths, burns, strict=True))
        if not _about(total, whole):
            return say("tasks.its_cut_path_is_m", total=total / 1000, whole=whole / 1000)
        return ""
    if all(_about(length, COUPON_CUT_MM) for length in lengths):
        return ""
    return say("tasks.cut_path_of_its_parts_isnt", coupon_cut_mm=COUPON_CUT_MM)


def came_out(advice: Advice, burn: Burn) -> bool | None:
    """Whether a burn came out as wanted; None when that wasn't read."""
    if advice.operation != "cut":
        if burn.mark is None or advice.mark is None:
            return None
        low, high = grade_ends(advice.mark)
        return low <= burn.mark <= high
    if burn.through is None:
        return None
    if advice.char_at_most is None or burn.through != "through":
        return burn.through == "through"
    return None if burn.char is None else burn.char <= advice.char_at_most


def _about(length_mm: float, stated_mm: float) -> bool:
    return abs(length_mm - stated_mm) <= SAME_LENGTH * stated_mm


def _day(at: datetime, local: datetime) -> str:
    return f"{at.astimezone(local.tzinfo):%Y-%m-%d}"
