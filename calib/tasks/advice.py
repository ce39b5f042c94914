"""What the burns of a pair say: its region, a recommendation with its promise, jobs after it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime

from calib.advice.recommendation import Recommendation
from calib.errors import NeedsYes
from calib.fit.kinship import product_key
from calib.fit.pool import Pool, pool_records
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.limits import BEYOND, SLOWEST_MM_S
from calib.logbook import Book, Filters
from calib.materials import family_of
from calib.records import Burn, Machine, Operation, Setting, Sheet
from calib.tasks.costing import costs_of
from calib.tasks.current import KeptSetting, Reasons, doubts_of, kept_settings, why_not_counted
from calib.tasks.finding import find_pair, find_promise
from calib.tasks.library import fit_region, recommend
from calib.tasks.results import session_label
from calib.tasks.wishes import JobCounts, RegionWish

# Pairs that are taken in at most, the nearest kin first: more of them would tell next to nothing
# new, and each takes about a hundredth of a second.
MOST_PAIRS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A recommendation, and the promise that was stored with it."""

    region: Region  # What it rests on
    recommendation: Recommendation  # The setting and what is promised of it
    promise_id: str  # Code of the promise in the logbook


def region_of_pair(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    *,
    lot: str | None = None,
) -> Region:
    """Fit the region of a pair from all its burns, with the rest of the logbook as its prior."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, operation)
    burns = _burns_by_lot(book, of_machine.name, of_sheet, operation)
    if lot is not None:
        which = None if lot == of_sheet.lot else lot
        burns = [replace(burn, lot=None) for burn in burns if burn.lot == which]
    pool = pool_of_book(book, of_machine, of_sheet, operation)
    return fit_region(of_machine, of_sheet, operation, burns, pool)


def _burns_by_lot(book: Book, machine: str, sheet: Sheet, operation: Operation) -> list[Burn]:
    """Burns of all lots of a sheet, each with its lot where that isn't the current one."""
    found = list(book.burns(machine, sheet.name, operation, lot=sheet.lot))
    for lot in dict.fromkeys(entry.sheet.lot for entry in book.lots(sheet.name)):
        if lot != sheet.lot:
            burns = book.burns(machine, sheet.name, operation, lot=lot)
            found += [replace(burn, lot=lot) for burn in burns]
    return found


def pool_of_book(book: Book, machine: Machine, sheet: Sheet, operation: Operation) -> Pool | None:
    """Take in what the logbook holds of other pairs."""
    names = [pair for pair in book.pairs(operation) if pair != (machine.name, sheet.name)]
    if not names:
        return None
    machines = {m.name: m for m in book.machines() if m.source == machine.source}
    sheets = {s.name: s for s in book.sheets()}
    pairs = [(machines[m], sheets[s]) for m, s in names if m in machines and s in sheets]

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

    pairs.sort(key=distance)
    if not pairs:
        return None
    return pool_records(
        (of_machine, of_sheet, book.burns(of_machine.name, of_sheet.name, operation))
        for of_machine, of_sheet in pairs[:MOST_PAIRS]
    )


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
    """Recommend a setting for a pair, and store what is promised before its results can come in;
    raises NotEnoughEvidence when nothing can be promised; it names the burns that would settle it.
    """
    return advise_on(book, region_of_pair(book, machine, sheet, operation), wish, when=when)


def advise_on(book: Book, region: Region, wish: RegionWish, *, when: datetime) -> Advice:
    """Recommend a setting of a region that was fitted already, and store the promise."""
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
    """Settle on a setting that was promised: from now on it is the one for its pair; raises
    InvalidRecord when no promise, or more than one, begins so; NeedsYes when it was promised for
    another lot, set-up or scope, or its chance is low, and the user isn't sure."""
    entry = find_promise(book, promise_id.strip().casefold())
    doubts = doubts_of(book, entry)
    if doubts and not sure:
        raise NeedsYes(doubts)
    pair = (entry.machine, entry.sheet, entry.promise.operation)
    book.settle(*pair, entry.promise.setting, when=when, promise_id=entry.id, note=note)
    return kept_settings(book, *pair)[0]


def record_job(
    book: Book,
    machine: str | None,
    sheet: str | None,
    setting: Setting,
    counts: JobCounts,
    *,
    when: datetime,
    session: str | None = None,
    note: str = "",
) -> str:
    """Record how a whole cut job at one setting came out; raises InvalidRecord when no part is
    counted."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    label = session_label(when) if session is None else session
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
