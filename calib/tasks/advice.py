"""A setting to use: recommended or chosen by hand, kept, and what jobs say of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from calib.advice.chances import Chances, Wish, describe
from calib.advice.new_lot import FEWEST_BURNS, LotVerdict, judge_new_lot
from calib.advice.recommend import recommend
from calib.advice.recommendation import LIKELY_CHANCE, Recommendation, scope_words, share_words
from calib.errors import NeedsYes, NotEnoughEvidence, unfit
from calib.fit.region import Region
from calib.limits import BEYOND, SLOWEST_MM_S
from calib.logbook import Kept
from calib.records import COUPON_CUT_MM, KINDS, USUAL_RELIABILITY, Advice, Burn, Setting, grade_ends
from calib.records.fields import fields_of
from calib.tasks.costing import costs_of
from calib.tasks.pairs import KeptSetting, OpenPair, kept_settings, why_not_current
from calib.tasks.results import ENOUGH_BURNS, session_label
from calib.tasks.wishes import JobCounts, RegionWish
from calib.texts.say import say
from calib.units import show_chance

# A part counts for a coupon's chance, and a job for a whole job's, when its cut path differs by
# less than this share from the one it was stated of: the chances then differ by too little to tell.
SAME_LENGTH = 0.25


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


def recommended(region: Region, wish: RegionWish) -> Recommendation:
    """Recommend a setting of a region; nothing is stored. Raises as ``recommend`` does."""
    return recommend(region, **_given(wish))


def wish_of(wish: RegionWish) -> Wish:
    """What is asked of a setting's chances."""
    return Wish(**_given(wish))


def _given(wish: RegionWish) -> dict[str, Any]:
    return {field.name: getattr(wish, field.name) for field in fields_of(RegionWish)}


def advise(pair: OpenPair, wish: RegionWish) -> Advised:
    """Recommend a setting for a pair; nothing is stored. Raises NotEnoughEvidence when none can be
    advised; it names the burns that it takes."""
    region = pair.region
    if wish.aim == "cheapest" and wish.costs is None:
        wish = replace(wish, costs=costs_of(pair.book))
    slow = min((burn.speed_mm_s for burn in region.burns), default=math.inf)
    if wish.slowest_mm_s is None and slow < SLOWEST_MM_S[region.machine.source]:
        # As slow as cells beyond the usual limits that were planned at the maker's wish.
        grids = [pair.book.board(line.id) for line in pair.boards if line.read]
        wished = [g for g in grids if any(note.startswith(BEYOND) for note in g.notes)]
        slowest = min((cell.speed_mm_s for grid in wished for cell in grid.cells), default=None)
        wish = replace(wish, slowest_mm_s=slowest)
    # A lot is new until a setting is kept for it, or as many of its burns as a region needs are
    # read.
    own = sum(burn.count for burn in region.burns if burn.lot is None)
    others = any(burn.lot is not None for burn in region.burns)
    kept = pair.kept
    is_new = kept.lot != region.sheet.lot if kept else own < ENOUGH_BURNS
    is_new = is_new and others and own >= FEWEST_BURNS and region.operation == "cut"
    lot = None
    if is_new and wish.cut_length_mm is None and not wish.next_sheet:
        lot = judge_lot(pair, wish.reliability)
        wish = replace(wish, reliability=lot.reliability)
    try:
        found = recommended(region, wish)
    except NotEnoughEvidence as refusal:
        if lot is None:
            raise
        raise NotEnoughEvidence(f"{lot.words} {refusal}", refusal.next_burns) from None
    return Advised(region=region, setting=found.setting, recommendation=found, lot=lot)


def judge_lot(pair: OpenPair, reliability: float | None = None) -> LotVerdict:
    """Say what becomes of the working setting in the current lot: keep, slow down, or test again;
    raises InvalidRecord when fewer than three cuts of the lot were read."""
    kept = pair.kept
    if reliability is None and kept and kept.advice and kept.advice.cut_length_mm is None:
        # What was asked of a coupon when the setting was kept.
        reliability = kept.advice.reliability
    return judge_new_lot(pair.region, pair.working_setting, reliability or USUAL_RELIABILITY)


def chosen_on(pair: OpenPair, setting: Setting, wish: RegionWish) -> Advised:
    """Say what holds at a setting that the maker chose: nothing where that was not burnt."""
    region = pair.region
    if KINDS[region.operation].shape == "area" and setting.line_pitch_mm is None:
        raise unfit("line_pitch_mm", None, say("tasks.area_mark_needs_distance"))
    at = setting.power_pct, setting.speed_mm_s, setting.passes, setting.line_pitch_mm
    tested = region.burns and region.tested(*at)
    said = describe(Chances(region=region, wish=wish_of(wish)), setting) if tested else None
    jobs = any(burn.source == "job" for burn in region.burns)
    notes = () if jobs or wish.cut_length_mm is None else (say("tasks.no_whole_job_of_this_sheet"),)
    said = said and replace(said, aim=say("tasks.chosen_by_hand"), notes=notes)
    return Advised(region=region, setting=setting, recommendation=said)


def doubts_of(pair: OpenPair, advised: Advised, when: datetime) -> tuple[str, ...]:
    """Why a setting shouldn't be kept without a clear yes, in sentences."""
    advice, (machine, sheet, operation) = advised.advice, pair.key
    kept = Kept(
        id="", machine=machine, sheet=sheet, operation=operation, setting=advised.setting,
        lot=pair.sheet.lot, at=when,
    )  # fmt: skip
    (doubts,) = why_not_current(pair.book, [kept])
    if advice is None:
        return (*doubts, say("tasks.it_lies_outside_what_was_burnt"))
    if advice.chance < LIKELY_CHANCE:
        good = say("tasks.fall_free" if operation == "cut" else "tasks.come_out_as_wanted")
        chance, share = show_chance(advice.chance), share_words(advice.chance)
        doubts += (say("tasks.its_chance_is_only_2", chance=chance, share=share, good=good),)
    before = pair.kept and pair.kept.advice
    if before and scope_words(before) != scope_words(advice):
        scope, old = scope_words(advice), scope_words(before)
        doubts += (say("tasks.its_chance", scope=scope, scope_2=old),)
    return doubts


def keep(
    pair: OpenPair, advised: Advised, *, when: datetime, note: str = "", sure: bool = False
) -> KeptSetting:
    """Keep a setting: from now on it is the one for its pair, and its stated chance stands in the
    logbook before its results can come in. Raises NeedsYes when something speaks against it and
    the user isn't sure."""
    doubts = doubts_of(pair, advised, when)
    if doubts and not sure:
        raise NeedsYes(doubts)
    pair.book.keep(*pair.key, advised.setting, when=when, advice=advised.advice, note=note)
    assert pair.kept is not None
    return pair.kept


def keep_none(pair: OpenPair, *, when: datetime) -> Kept:
    """Use the kept setting no longer, and give it; raises LogbookError when there is none."""
    pair.book.keep(*pair.key, None, when=when)
    return pair.book.kept(*pair.key, earlier=True)[0]


def record_job(
    pair: OpenPair,
    setting: Setting,
    counts: JobCounts,
    *,
    when: datetime,
    session: str | None = None,
    note: str = "",
) -> str:
    """Record how a whole cut job at one setting came out; raises InvalidRecord when no part is
    counted."""
    burns = counts.burns(setting, session_label(when) if session is None else session)
    stated = [
        (bool(why_not_counted(entry.advice, burns)), entry.id)
        for entry in kept_settings(pair.book, *pair.to("cut").key, earlier=True)
        if entry.advice is not None and entry.setting == setting
        if entry.at <= when and not entry.not_current
    ]
    # The newest whose chance the job tells of, else the newest.
    kept = next((key for _, key in sorted(stated, key=lambda one: one[0])), None)
    return pair.book.add_job(*pair.names, burns, when=when, note=note, kept_id=kept)


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
