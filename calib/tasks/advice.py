"""What the burns of a pair say: its region, a setting to use, what is kept, jobs after it."""

from __future__ import annotations

import functools
import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import resources
from typing import Any

from calib.advice.chances import Chances, Wish, describe
from calib.advice.new_lot import FEWEST_BURNS, LotVerdict, judge_new_lot
from calib.advice.recommendation import Recommendation
from calib.errors import NeedsYes, NotEnoughEvidence, unfit
from calib.fit.kinship import product_key
from calib.fit.pair_summary import read_back, written
from calib.fit.pool import Pool, pool_of, summaries_of
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.limits import BEYOND, SLOWEST_MM_S
from calib.logbook import Book, Kept
from calib.logbook.worked_out import recall, remember
from calib.materials import family_of
from calib.records import KINDS, USUAL_RELIABILITY, Advice, Burn, Machine, Operation, Setting, Sheet
from calib.records.fields import fields_of
from calib.tasks.costing import costs_of
from calib.tasks.current import KeptSetting, Reasons, doubts_of, kept_settings, why_not_counted
from calib.tasks.finding import boards_of, find_pair
from calib.tasks.library import fit_region, recommend
from calib.tasks.results import ENOUGH_BURNS, session_label
from calib.tasks.wishes import JobCounts, RegionWish
from calib.texts.say import say

# Pairs that are taken in at most, the nearest kin first: more of them would tell next to nothing
# new, and each takes about a hundredth of a second.
MOST_PAIRS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Advised:
    """A setting with what is said of it; nothing of it is stored until it is kept."""

    region: Region  # What it rests on
    setting: Setting
    # What is said of the setting; None for one that lies outside what was burnt
    recommendation: Recommendation | None
    # Of a new lot, what becomes of the setting that was used before
    lot: LotVerdict | None = None

    @property
    def advice(self) -> Advice | None:
        """The stated chance, as the logbook keeps it."""
        return self.recommendation.advice if self.recommendation else None


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
    return region_with(book, of_machine, of_sheet, operation, burns)


def region_with(
    book: Book, machine: Machine, sheet: Sheet, operation: Operation, burns: Sequence[Burn]
) -> Region:
    """Fit a region from some burns, with the rest of the logbook as its prior."""
    pool = pool_of_book(book, machine, sheet, operation)
    return fit_region(machine, sheet, operation, burns, pool)


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
    burnt = {
        f"{operation} of {of_sheet.name} on {of_machine.name}": (
            of_machine, of_sheet, book.burns(of_machine.name, of_sheet.name, operation)
        )
        for of_machine, of_sheet in pairs[:MOST_PAIRS]
    }  # fmt: skip
    digests = {name: _digest(*pair) for name, pair in burnt.items()}
    known = recall(book, digests)
    new = {n: written(summaries_of(*pair)) for n, pair in burnt.items() if n not in known}
    remember(book, digests, new)
    known |= new
    return pool_of(read_back(known[name], *pair[:2]) for name, pair in burnt.items())


@functools.cache
def _fit_as_it_is() -> str:
    """A digest of what sums pairs up: with another calib they are summed up anew."""
    rooms = resources.files("calib")
    texts = [*rooms.joinpath("fit").iterdir(), rooms / "physics.py", rooms / "data/response.csv"]
    sources = sorted((t.name, t.read_bytes()) for t in texts if t.name.endswith((".py", ".csv")))
    return hashlib.sha256(repr(sources).encode()).hexdigest()


def _digest(machine: Machine, sheet: Sheet, burns: Sequence[Burn]) -> str:
    return hashlib.sha256(repr((_fit_as_it_is(), machine, sheet, burns)).encode()).hexdigest()


def recommended(region: Region, wish: RegionWish) -> Recommendation:
    """Recommend a setting of a region; nothing is stored. Raises as ``recommend`` does."""
    return recommend(region, **_given(wish))


def wish_of(wish: RegionWish) -> Wish:
    """What is asked of a setting's chances."""
    return Wish(**_given(wish))


def _given(wish: RegionWish) -> dict[str, Any]:
    return {field.name: getattr(wish, field.name) for field in fields_of(RegionWish)}


def advise(
    book: Book, machine: str | None, sheet: str | None, operation: Operation, wish: RegionWish
) -> Advised:
    """Recommend a setting for a pair; nothing is stored. Raises NotEnoughEvidence when none can be
    advised; it names the burns that it takes."""
    return advise_on(book, region_of_pair(book, machine, sheet, operation), wish)


def advise_on(book: Book, region: Region, wish: RegionWish) -> Advised:
    """Recommend a setting of a region that was fitted already."""
    if wish.aim == "cheapest" and wish.costs is None:
        wish = replace(wish, costs=costs_of(book))
    pair = (region.machine.name, region.sheet.name, region.operation)
    slow = min((burn.speed_mm_s for burn in region.burns), default=math.inf)
    if wish.slowest_mm_s is None and slow < SLOWEST_MM_S[region.machine.source]:
        # As slow as cells beyond the usual limits that were planned at the maker's wish.
        grids = [book.board(line.id) for line in boards_of(book, *pair) if line.read]
        wished = [g for g in grids if any(note.startswith(BEYOND) for note in g.notes)]
        slowest = min((cell.speed_mm_s for grid in wished for cell in grid.cells), default=None)
        wish = replace(wish, slowest_mm_s=slowest)
    # A lot is new until a setting is kept for it, or as many of its burns as a region needs are
    # read.
    own = sum(burn.count for burn in region.burns if burn.lot is None)
    others = any(burn.lot is not None for burn in region.burns)
    kept = next(iter(book.kept(*pair)), None)
    is_new = kept.lot != region.sheet.lot if kept else own < ENOUGH_BURNS
    is_new = is_new and others and own >= FEWEST_BURNS and region.operation == "cut"
    lot = None
    if is_new and wish.cut_length_mm is None and not wish.next_sheet:
        lot = judge_lot(book, region, wish.reliability)
        wish = replace(wish, reliability=lot.reliability)
    try:
        found = recommended(region, wish)
    except NotEnoughEvidence as refusal:
        if lot is None:
            raise
        raise NotEnoughEvidence(f"{lot.words} {refusal}", refusal.next_burns) from None
    return Advised(region=region, setting=found.setting, recommendation=found, lot=lot)


def old_lots(book: Book, machine: str | None, sheet: str | None) -> Region:
    """The region from all lots of a sheet but the current one; raises NotEnoughEvidence when no
    other lot was cut on the machine."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, "cut")
    every = _burns_by_lot(book, of_machine.name, of_sheet, "cut")
    burns = [replace(burn, lot=None) for burn in every if burn.lot is not None]
    if not burns:
        raise NotEnoughEvidence(
            say(
                "tasks.no_lot_of_but_current_one",
                of_sheet=of_sheet,
                lot=of_sheet.lot or "without a name",
                of_machine=of_machine,
            )
        )
    return region_with(book, of_machine, of_sheet, "cut", burns)


def working_setting(book: Book, region: Region) -> Setting:
    """The setting that the workshop cuts a sheet with: the kept one, else that of the old lots."""
    pair = region.machine.name, region.sheet.name
    kept = book.kept(*pair, "cut")
    return kept[0].setting if kept else recommend(old_lots(book, *pair)).setting


def judge_lot(book: Book, region: Region, reliability: float | None = None) -> LotVerdict:
    """Say what becomes of the working setting in the current lot: keep, slow down, or test again;
    raises InvalidRecord when fewer than three cuts of the lot were read."""
    old = working_setting(book, region)
    if reliability is None:
        # What was asked of a coupon when the setting was kept.
        kept = book.kept(region.machine.name, region.sheet.name, "cut")
        advice = kept[0].advice if kept else None
        of_a_coupon = advice is not None and advice.cut_length_mm is None
        reliability = advice.reliability if advice and of_a_coupon else None
    return judge_new_lot(region, old, reliability or USUAL_RELIABILITY)


_NO_JOBS = say("tasks.no_whole_job_of_this_sheet")


def chosen_on(region: Region, setting: Setting, wish: RegionWish) -> Advised:
    """Say what holds at a setting that the maker chose: nothing where that was not burnt."""
    if KINDS[region.operation].shape == "area" and setting.line_pitch_mm is None:
        raise unfit("line_pitch_mm", None, say("tasks.area_mark_needs_distance"))
    at = setting.power_pct, setting.speed_mm_s, setting.passes, setting.line_pitch_mm
    tested = region.burns and region.tested(*at)
    said = describe(Chances(region=region, wish=wish_of(wish)), setting) if tested else None
    jobs = any(burn.source == "job" for burn in region.burns)
    notes = () if jobs or wish.cut_length_mm is None else (_NO_JOBS,)
    said = said and replace(said, aim=say("tasks.chosen_by_hand"), notes=notes)
    return Advised(region=region, setting=setting, recommendation=said)


def keep(
    book: Book, advised: Advised, *, when: datetime, note: str = "", sure: bool = False
) -> KeptSetting:
    """Keep a setting: from now on it is the one for its pair, and its stated chance stands in the
    logbook before its results can come in. Raises NeedsYes when something speaks against it and
    the user isn't sure."""
    region, setting = advised.region, advised.setting
    doubts = doubts_of(book, region, setting, advised.advice, when)
    if doubts and not sure:
        raise NeedsYes(doubts)
    pair = (region.machine.name, region.sheet.name, region.operation)
    book.keep(*pair, setting, when=when, advice=advised.advice, note=note)
    return kept_settings(book, *pair)[0]


def keep_none(
    book: Book, machine: str | None, sheet: str | None, operation: Operation, *, when: datetime
) -> Kept:
    """Use the kept setting no longer, and give it; raises LogbookError when there is none."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    pair = (of_machine.name, of_sheet.name, operation)
    book.keep(*pair, None, when=when)
    return book.kept(*pair, earlier=True)[0]


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
    stated = [
        (bool(why_not_counted(entry.advice, burns)), entry.id)
        for entry in book.kept(of_machine.name, of_sheet.name, "cut", earlier=True)
        if entry.advice is not None and entry.setting == setting
        if entry.at <= when and not reasons.of(entry)
    ]
    # The newest whose chance the job tells of, else the newest.
    kept = next((key for _, key in sorted(stated, key=lambda one: one[0])), None)
    return book.add_job(of_machine.name, of_sheet.name, burns, when=when, note=note, kept_id=kept)
