"""Recommend a setting with a stated chance, or refuse and name the burns that settle it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from calib.advise import candidates as steps
from calib.advise.as_clean import fastest_as_clean
from calib.advise.promise import Promised, columns, describe, doubled_scatter
from calib.advise.recommendation import SETTLED_CHANCE, Recommendation, share_words
from calib.advise.refusal import named, refusal, stop_and_look
from calib.advise.wish import Wish, asked_of
from calib.errors import NotEnoughEvidence, unfit
from calib.fit.region import Region
from calib.fit.thinning import thinned_region
from calib.plan.next_marks import next_marks
from calib.records import Setting

if TYPE_CHECKING:
    from calib.jobs.job import Job
    from calib.jobs.job_time import CutTimes
    from calib.records import Costs

Array = npt.NDArray[np.float64]

# Without recorded jobs a whole job is promised at most this chance: coupons teach nothing of what
# builds up over an hour and a half.
MOST_WITHOUT_JOBS = 0.9
# Advice that moves by more than this when the assumed scatter is doubled rests on the assumption.
_RESTS_ON_SCATTER = 0.10
# Chances of the look are this far off at most; what nearly meets the reliability is tried exactly.
_LOOK_ERROR = 0.01
# Marks whose chance lies so little below the best are as good, and the fastest of them is taken.
_AS_GOOD = 0.02
# Powers from which a climb starts, its first stride as a share of the speeds, and its longest way.
_STARTS = 3
_COARSE = 16
_MOST_CLIMBS = 60
# The exact search looks so many steps to either side, first step by step, then further out.
_WINDOW = 6
_STRIDES = (1, 4, 16, 64)

Judged = tuple[tuple[float, ...], Setting]


def recommend(
    region: Region,
    aim: str = "fastest",
    reliability: float | None = None,
    char_at_most: int | None = None,
    mark: int = 2,
    cut_length_mm: float | None = None,
    next_sheet: bool = False,
    costs: Costs | None = None,
    job: Job | CutTimes | None = None,
    slowest_mm_s: float | None = None,
) -> Recommendation:
    """Recommend a setting inside what was burnt.

    Raises NotEnoughEvidence when nothing was burnt or nothing can be promised; it names the next
    burns; InvalidRecord when the wish makes no sense.
    """
    if region.operation != "cut" and (cut_length_mm is not None or next_sheet):
        field = "next_sheet" if cut_length_mm is None else "cut_length_mm"
        value = next_sheet if cut_length_mm is None else cut_length_mm
        raise unfit(field, value, "only the next mark on this sheet is promised; leave it out")
    wish = Wish(
        aim=aim,
        reliability=asked_of(region.operation, reliability),
        char_at_most=char_at_most,
        mark=mark,
        cut_length_mm=cut_length_mm,
        next_sheet=next_sheet,
        slowest_mm_s=slowest_mm_s,
    )
    wish, notes = _within_evidence(region, wish)
    every = steps.rows(region, wish.slowest_mm_s)
    if wish.aim == "cheapest":
        from calib.advise.cheapest import priced_job  # reads drawings, which nothing else does

        wish = replace(wish, priced=priced_job(region, costs, job, cut_length_mm, every))
    if not every:
        raise refusal(_promised(region, wish), wish, None)
    found = _advised(region, wish, every)
    return _stated(region, wish, found, notes)


def advised_setting(region: Region, wish: Wish) -> Setting:
    """The setting that ``recommend`` advises, without what it says beside it; raises as it does.

    ``cheapest`` needs ``priced``.
    """
    wish, _ = _within_evidence(region, wish)
    every = steps.rows(region, wish.slowest_mm_s)
    if not every:
        raise refusal(_promised(region, wish), wish, None)
    return _advised(region, wish, every)


def _within_evidence(region: Region, wish: Wish) -> tuple[Wish, list[str]]:
    """Lower a whole-job promise that no recorded job supports; ask where no burn makes sense."""
    stop_and_look(region)
    jobs = any(b.source == "job" for b in region.burns)
    too_much = wish.cut_length_mm is not None and (wish.reliability or 0.0) > MOST_WITHOUT_JOBS
    if region.operation != "cut" or jobs or not too_much:
        return wish, []
    note = (
        f"{wish.reliability:g} was asked for, but no whole job was recorded at this pair: a chance"
        f" above {MOST_WITHOUT_JOBS:g} that a job needs no push is not promised, and the setting is"
        " the one for that. Record a job to lift this."
    )
    return replace(wish, reliability=MOST_WITHOUT_JOBS, asked=wish.reliability), [note]


def _promised(region: Region, wish: Wish) -> Promised:
    return Promised(
        region=region,
        char_at_most=wish.char_at_most,
        mark=wish.mark,
        cut_length_mm=wish.cut_length_mm,
        next_sheet=wish.next_sheet,
    )


def _advised(region: Region, wish: Wish, every: list[steps.Row]) -> Setting:
    """The step that is advised; of steps that are known to be no less clean, the fastest."""
    found = _search(region, wish, every)
    if wish.aim != "cleanest" or region.operation != "cut":
        return found
    fastest = _search(region, replace(wish, aim="fastest"), every)
    bound = wish.reliability or 0.0
    return fastest_as_clean(_promised(region, wish), bound, every, (found, fastest))


def _search(region: Region, wish: Wish, every: list[steps.Row]) -> Setting:
    """The best step that meets the reliability; for marks the fastest that is as good."""
    best = _best(region, wish, every)
    if best is None:
        quick, exact = _promised(thinned_region(region), wish), _promised(region, wish)
        raise refusal(exact, wish, _best_chance(exact, quick, every, _pitches(region)))
    if region.operation == "cut":
        return best
    exactly = float(_promised(region, wish).exactly(*columns(best), best.line_pitch_mm)[0])
    faster = _best(region, replace(wish, least_exactly=exactly - _AS_GOOD), every)
    return faster or best


def _best(region: Region, wish: Wish, every: list[steps.Row]) -> Setting | None:
    """The best step that meets the wish: a look on few points, then exactly; None when none does.

    Chance and score are smooth in power and speed, so the look's best is climbed from step by step
    on few points; the exact chance then only moves the speed at that power.
    """
    quick = _promised(thinned_region(region), wish)
    exact = _promised(region, wish)
    power, speed, passes = steps.table(steps.sample(every))
    found: list[Judged] = []
    for pitch in _pitches(region):
        spare = _spare(quick, wish, (power, speed, passes), pitch)
        score = _scores(quick, wish, (power, speed, passes), pitch)
        order = np.lexsort((power, -speed / passes, -score))
        near = [i for i in order if spare[i] >= -_LOOK_ERROR]
        for i in _apart(near, power, passes):
            start = Setting(
                power_pct=float(power[i]),
                speed_mm_s=float(speed[i]),
                passes=int(passes[i]),
                line_pitch_mm=pitch,
            )
            found += _exactly(exact, quick, wish, every, _climbed(quick, wish, every, start))
    return max(found, key=lambda judged: judged[0])[1] if found else None


def _best_chance(
    exact: Promised, quick: Promised, every: list[steps.Row], pitches: list[float | None]
) -> float:
    """The highest chance there is, exactly, where the look has it."""
    power, speed, passes = steps.table(steps.sample(every))
    best = []
    for pitch in pitches:
        i = [int(np.argmax(quick.reliability_of(power, speed, passes, pitch)))]
        best.append(float(exact.reliability_of(power[i], speed[i], passes[i], pitch)[0]))
    return max(best)


def _apart(near: list[int], power: Array, passes: Array) -> list[int]:
    """The first few of the best that differ in power or passes."""
    seen: dict[tuple[float, float], int] = {}
    for i in near:
        seen.setdefault((float(power[i]), float(passes[i])), i)
    return list(seen.values())[:_STARTS]


def _scores(
    promised: Promised, wish: Wish, setting: tuple[Array, Array, Array], pitch: float | None
) -> Array:
    """What is maximised, (n,)."""
    power, speed, passes = setting
    if promised.region.operation != "cut":
        if wish.least_exactly is not None:
            return np.asarray(speed / passes * (pitch or 1.0))
        return promised.exactly(power, speed, passes, pitch)
    if wish.priced is not None:
        return -wish.priced.of(promised.region, power, speed, passes).total
    if wish.aim == "fastest":
        return np.asarray(speed / passes)
    return -np.asarray(promised.region.expected_char(power, speed, passes))


def _spare(
    promised: Promised, wish: Wish, setting: tuple[Array, Array, Array], pitch: float | None
) -> Array:
    """How much chance there is above what is asked, (n,); below 0 where it isn't met."""
    power, speed, passes = setting
    spare = np.full(len(power), np.inf)
    if wish.reliability is not None:
        spare = promised.reliability_of(power, speed, passes, pitch) - wish.reliability
    if wish.least_exactly is not None:
        exactly = promised.exactly(power, speed, passes, pitch)
        spare = np.minimum(spare, exactly - wish.least_exactly)
    return spare


def _climbed(quick: Promised, wish: Wish, every: list[steps.Row], start: Setting) -> Setting:
    """Climb among the machine's steps while the score rises and the reliability is met."""
    by_power = {row.power_pct: row for row in every if row.passes == start.passes}
    here = _judged(quick, wish, [start])
    stride = max(len(by_power[start.power_pct].speeds) // _COARSE, 1)
    for _ in range(_MOST_CLIMBS):
        around = _neighbours(by_power, here[0][1] if here else start, stride)
        best = max([*here, *_judged(quick, wish, around)], default=None, key=lambda j: j[0])
        if best is None or (here and best[0] <= here[0][0]):
            if stride == 1:
                break
            stride = max(stride // 4, 1)
        else:
            here = [best]
    return here[0][1] if here else start


def _exactly(
    exact: Promised, quick: Promised, wish: Wish, every: list[steps.Row], look: Setting
) -> list[Judged]:
    """The best speed near the look's, at its power, that meets the reliability exactly."""
    row = next(r for r in every if (r.power_pct, r.passes) == (look.power_pct, look.passes))
    centre = row.at(look.speed_mm_s)
    for stride in _STRIDES:
        places = [centre + k * stride for k in range(-_WINDOW, _WINDOW + 1)]
        inside = [i for i in places if 0 <= i < len(row.speeds)]
        around = [replace(look, speed_mm_s=float(row.speeds[i])) for i in inside]
        best = max(_judged(exact, wish, around), default=None, key=lambda j: j[0])
        if best is None:
            continue
        if stride == 1 and abs(row.at(best[1].speed_mm_s) - centre) < _WINDOW:
            return [best]
        return _walked(exact, wish, row, best)
    # Between the strides there may be a few steps that meet it: the safest one is among them.
    safest = _judged(exact, wish, [_safest(quick, wish, row, look)])
    return _walked(exact, wish, row, safest[0]) if safest else []


def _safest(quick: Promised, wish: Wish, row: steps.Row, look: Setting) -> Setting:
    """The speed of a row that most likely comes out well, by the look."""
    alike = np.full(len(row.speeds), 1.0)
    setting = alike * row.power_pct, row.speeds, alike * row.passes
    spare = _spare(quick, wish, setting, look.line_pitch_mm)
    return replace(look, speed_mm_s=float(row.speeds[int(np.argmax(spare))]))


def _walked(exact: Promised, wish: Wish, row: steps.Row, best: Judged) -> list[Judged]:
    """Walk on along the row, window by window, while it gets better."""
    while True:
        centre = row.at(best[1].speed_mm_s)
        near = row.speeds[max(centre - _WINDOW, 0) : centre + _WINDOW + 1]
        around = [replace(best[1], speed_mm_s=float(v)) for v in near]
        further = max([best, *_judged(exact, wish, around)], key=lambda j: j[0])
        if further[0] <= best[0]:
            return [best]
        best = further


def _neighbours(by_power: dict[float, steps.Row], at: Setting, stride: int) -> list[Setting]:
    """Settings up to three strides slower or faster, at the same power and those beside it."""
    powers = sorted(by_power)
    place = powers.index(at.power_pct)
    found = []
    for power in powers[max(place - 1, 0) : place + 2]:
        speeds = by_power[power].speeds
        centre = by_power[power].at(at.speed_mm_s)
        for i in {centre + k * stride for k in range(-3, 4)}:
            if 0 <= i < len(speeds):
                found.append(replace(at, power_pct=power, speed_mm_s=float(speeds[i])))
    return found


def _judged(promised: Promised, wish: Wish, settings: list[Setting]) -> list[Judged]:
    """Those settings that meet the reliability, with what they are compared by."""
    if not settings:
        return []
    power = np.array([s.power_pct for s in settings])
    speed = np.array([s.speed_mm_s for s in settings])
    passes = np.array([float(s.passes) for s in settings])
    pitch = settings[0].line_pitch_mm
    spare = _spare(promised, wish, (power, speed, passes), pitch)
    score = _scores(promised, wish, (power, speed, passes), pitch)
    return [
        ((float(score[i]), float(speed[i] / passes[i]), -float(power[i])), s)
        for i, s in enumerate(settings)
        if spare[i] >= 0.0
    ]


def _pitches(region: Region) -> list[float | None]:
    """Line pitches that were burnt; None for everything but area marks."""
    return sorted({b.line_pitch_mm for b in region.burns}, key=lambda p: p or 0.0)


def _doubtful_mark(region: Region, wish: Wish, rec: Recommendation) -> list[str]:
    """A note when a mark comes out as wanted too seldom to work with."""
    if rec.chance >= SETTLED_CHANCE:
        return []
    burns = named(next_marks(region, 4, wish.mark))
    return [
        f"Not settled yet: only about {share_words(rec.chance)} would come out as wanted."
        f" Burn next: {burns}."
    ]


def _stated(region: Region, wish: Wish, found: Setting, notes: list[str]) -> Recommendation:
    """The recommendation with its margins, pushes, and what it rests on."""
    promised = _promised(region, wish)
    rec = describe(promised, wish.aim, wish.asked or wish.reliability, found)
    notes = [*notes, *region.notes]
    if wish.priced is not None:
        rec = replace(rec, expected_cost=float(wish.priced.one(region, found).total[0]))
        notes = [*wish.priced.notes_at(region, found), *notes]
    if region.operation != "cut":
        notes = [*_doubtful_mark(region, wish, rec), *notes]
        return replace(rec, notes=tuple(dict.fromkeys(notes)))
    loose = doubled_scatter(region)
    again = _again(loose, wish)
    if again is None or _moved(again, found) > _RESTS_ON_SCATTER:
        advice = (
            f"it would be {again.power_pct:g} % at {again.speed_mm_s:g} mm/s" if again else "none"
        )
        notes.append(
            "This rests on an assumed scatter from coupon to coupon: were it twice as large,"
            f" {advice}. Burn {found.power_pct:g} % at {found.speed_mm_s:g} mm/s and a little"
            " faster again to settle it."
        )
    chance = _promised(loose, wish).single(found)
    return replace(
        rec,
        chance_if_scatter_doubled=chance,
        setting_if_scatter_doubled=again,
        notes=tuple(dict.fromkeys(notes)),
    )


def _again(loose: Region, wish: Wish) -> Setting | None:
    """The advice for another region, without the full description; None when it refuses."""
    try:
        return _advised(loose, wish, steps.rows(loose, wish.slowest_mm_s))
    except NotEnoughEvidence:
        return None


def _moved(a: Setting, b: Setting) -> float:
    """How far two settings lie apart, as the larger relative change of power and speed."""
    pace = (a.speed_mm_s / a.passes) / (b.speed_mm_s / b.passes)
    return max(abs(a.power_pct / b.power_pct - 1.0), abs(pace - 1.0))
