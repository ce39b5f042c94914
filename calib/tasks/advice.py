"""What the burns of a pair say: its region, a recommendation with its promise, jobs after it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime

from calib.advise.costs import Costs
from calib.advise.recommendation import Recommendation
from calib.advise.wish import Wish, asked_of
from calib.errors import InvalidRecord, NeedsYes
from calib.fit.region import Region
from calib.grid.limits import BEYOND, SLOWEST_MM_S
from calib.hazards import check_hazard
from calib.logbook import Book, Filters
from calib.records import THROUGH_GRADES, Burn, Operation, Setting
from calib.tasks.costing import costs_of
from calib.tasks.current import KeptSetting, Reasons, doubts_of, kept_settings, why_not_counted
from calib.tasks.finding import find_pair, find_promise
from calib.tasks.library import fit_region, recommend
from calib.tasks.pooling import burns_by_lot, pool_of_book
from calib.tasks.results import sitting_label


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionWish:
    """What is asked of a region."""

    aim: str = "fastest"  # ``fastest``, ``cleanest`` or ``cheapest``
    # Chance that the promise shall hold; None: the usual one for cuts, no bound for marks
    reliability: float | None = None
    char_at_most: int | None = None  # Worst char grade that is fine; None when char doesn't matter
    mark: int = 2  # Wanted mark grade
    cut_length_mm: float | None = None  # Length of a whole job [mm]; None for the next coupon
    next_sheet: bool = False  # True when it shall hold on the next sheet of the lot
    costs: Costs | None = None  # What things cost, for ``cheapest``; None: as kept in the logbook
    # Slowest speed that may be advised [mm/s]; None: as slow as cells that were burnt at the
    # maker's wish, else none that may set the sheet on fire
    slowest_mm_s: float | None = None

    def __post_init__(self) -> None:
        Wish(cut_length_mm=self.cut_length_mm, next_sheet=self.next_sheet)

    def asked_of(self, operation: Operation) -> float | None:
        """The chance that is asked for of an operation; None: no bound."""
        return asked_of(operation, self.reliability)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A recommendation, and the promise that was stored with it."""

    region: Region  # What it rests on
    recommendation: Recommendation  # The setting and what is promised of it
    promise_id: str  # Code of the promise in the logbook


@dataclass(frozen=True, slots=True, kw_only=True)
class JobCounts:
    """How many parts of a job came out how."""

    # through, hanging, no: Parts that fell free, were pushed out, were not cut
    through: int = 0
    hanging: int = 0
    no: int = 0
    cut_length_mm: float | None = None  # Cut path of one part [mm]; None: about a coupon's

    def __post_init__(self) -> None:
        for grade in THROUGH_GRADES:
            if getattr(self, grade) < 0:
                raise InvalidRecord(f"{grade} is {getattr(self, grade)!r}: give 0 parts or more.")
        if not self.through + self.hanging + self.no:
            raise InvalidRecord(
                "No part is counted: say how many fell free, were pushed out or not cut."
            )

    def burns(self, setting: Setting, sitting: str) -> tuple[Burn, ...]:
        """One burn per outcome that was seen."""
        return tuple(
            Burn(
                operation="cut",
                power_pct=setting.power_pct,
                speed_mm_s=setting.speed_mm_s,
                passes=setting.passes,
                through=grade,
                count=getattr(self, grade),
                cut_length_mm=self.cut_length_mm,
                source="job",
                sitting=sitting,
            )
            for grade in THROUGH_GRADES
            if getattr(self, grade)
        )


def region_of_pair(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    *,
    lot: str | None = None,
) -> Region:
    """Fit the region of a pair from all its burns, with the rest of the logbook as its prior.

    Raises LogbookError when machine or sheet aren't there; RefusedMaterial, DeclarationNeeded when
    the sheet may not be burnt.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, operation)
    burns = burns_by_lot(book, of_machine.name, of_sheet, operation)
    if lot is not None:
        which = None if lot == of_sheet.lot else lot
        burns = [replace(burn, lot=None) for burn in burns if burn.lot == which]
    pool = pool_of_book(book, of_machine, of_sheet, operation)
    return fit_region(of_machine, of_sheet, operation, burns, pool)


def recommended(region: Region, wish: RegionWish) -> Recommendation:
    """Recommend a setting of a region; nothing is stored. Raises as ``recommend`` does."""
    return recommend(
        region,
        aim=wish.aim,
        reliability=wish.reliability,
        char_at_most=wish.char_at_most,
        mark=wish.mark,
        cut_length_mm=wish.cut_length_mm,
        next_sheet=wish.next_sheet,
        costs=wish.costs,
        slowest_mm_s=wish.slowest_mm_s,
    )


def _slowest_wished(book: Book, region: Region) -> float | None:
    """Slowest speed of cells beyond the usual limits that were planned at the maker's wish."""
    slow = min((burn.speed_mm_s for burn in region.burns), default=math.inf)
    if slow >= SLOWEST_MM_S[region.machine.source]:
        return None
    pair = Filters(machine=region.machine.name, sheet=region.sheet.name, operation=region.operation)
    grids = [book.board(e.id) for e in book.boards(pair, limit=1000).entries if e.read]
    wished = [g for g in grids if any(note.startswith(BEYOND) for note in g.notes)]
    return min((cell.speed_mm_s for grid in wished for cell in grid.cells), default=None)


def advise(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: RegionWish,
    *,
    when: datetime,
) -> Advice:
    """Recommend a setting for a pair, and store what is promised before its results can come in.

    Raises NotEnoughEvidence when nothing can be promised; it names the burns that would settle it;
    LogbookError when machine or sheet aren't there.
    """
    region = region_of_pair(book, machine, sheet, operation)
    return advise_on(book, region, wish, when=when)


def advise_on(book: Book, region: Region, wish: RegionWish, *, when: datetime) -> Advice:
    """Recommend a setting of a region that was fitted already, and store the promise.

    Raises NotEnoughEvidence as for ``advise``.
    """
    if wish.aim == "cheapest" and wish.costs is None:
        wish = replace(wish, costs=costs_of(book))
    if wish.slowest_mm_s is None:
        wish = replace(wish, slowest_mm_s=_slowest_wished(book, region))
    recommendation = recommended(region, wish)
    promise_id = book.add_promise(
        recommendation.promise, machine=region.machine.name, sheet=region.sheet.name, when=when
    )
    return Advice(region=region, recommendation=recommendation, promise_id=promise_id)


def settle(
    book: Book, promise_id: str, *, when: datetime, note: str = "", sure: bool = False
) -> KeptSetting:
    """Settle on a setting that was promised: from now on it is the one for its pair.

    Raises InvalidRecord when no promise, or more than one, begins so; NeedsYes when it was promised
    for another lot, set-up or scope, or its chance is low, and the user isn't sure.
    """
    entry = find_promise(book, promise_id.strip().casefold())
    doubts = doubts_of(book, entry)
    if doubts and not sure:
        raise NeedsYes(doubts)
    pair = (entry.machine, entry.sheet, entry.promise.operation)
    book.settle(*pair, entry.promise.setting, when=when, promise_id=entry.id, note=note)
    return kept_settings(book, *pair)[0]


def take_down_job(
    book: Book,
    machine: str | None,
    sheet: str | None,
    setting: Setting,
    counts: JobCounts,
    *,
    when: datetime,
    sitting: str | None = None,
    note: str = "",
) -> str:
    """Take down how a whole cut job at one setting came out.

    Raises LogbookError when the pair isn't there; InvalidRecord when no part is counted.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    label = sitting_label(when) if sitting is None else sitting
    burns = counts.burns(setting, label)
    reasons = Reasons(book)
    promised = [
        entry
        for entry in book.promises(machine=of_machine.name, sheet=of_sheet.name)
        if entry.promise.operation == "cut" and entry.promise.setting == setting
        if entry.at <= when and not reasons.of(entry)
    ]
    fitting = [entry for entry in promised if not why_not_counted(entry.promise, burns)]
    kept = next((entry.id for entry in (*fitting, *promised)), None)
    return book.add_job(
        of_machine.name, of_sheet.name, burns, when=when, note=note, promise_id=kept
    )
