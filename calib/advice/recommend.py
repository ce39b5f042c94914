"""Recommend a setting with a stated chance, or refuse and name the burns that it takes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.advice.chances import Chances, Wish, describe, doubled_scatter
from calib.advice.more_burns import share_of_more
from calib.advice.recommendation import LIKELY_CHANCE, Recommendation, share_words
from calib.advice.search import Row, Search, rows_inside
from calib.errors import NotEnoughEvidence, unfit
from calib.fit.fitting import air_notes
from calib.fit.model import columns_of
from calib.fit.region import Region
from calib.jobs.costs import PricedJob, priced_job
from calib.jobs.job import Job
from calib.jobs.job_time import CutTimes
from calib.limits import SLOWEST_MM_S
from calib.plan.far_side import far_side
from calib.plan.next_burns import next_cuts
from calib.plan.next_marks import next_marks
from calib.records import (
    USUAL_RELIABILITY,
    Costs,
    Grades,
    Setting,
    burns_to_advise_from,
    grades_typed,
)
from calib.texts.say import say
from calib.units import show_asked

# Without recorded jobs a whole job is promised at most this chance: coupons teach nothing of what
# builds up over an hour and a half.
_MOST_WITHOUT_JOBS = 0.9
# A mark that comes out as wanted less often than this is no advice.
_LEAST_LIKELY = 0.1
# Advice that moves by more than this when the assumed scatter is doubled rests on the assumption.
_RESTS_ON_SCATTER = 0.10


def recommend(
    region: Region,
    aim: str = "fastest",
    reliability: float | None = None,
    char_at_most: int | None = None,
    mark: Grades = 2,
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
    if region.operation == "cut":
        reliability = USUAL_RELIABILITY if reliability is None else reliability
    elif cut_length_mm is not None or next_sheet:
        field = "next_sheet" if cut_length_mm is None else "cut_length_mm"
        value = next_sheet if cut_length_mm is None else cut_length_mm
        raise unfit(field, value, say("advice.marks_chance_is_of_next_one"))
    wish = Wish(
        aim=aim,  # type: ignore[arg-type]  # the record looks at it
        reliability=reliability,
        char_at_most=char_at_most,
        mark=mark,
        cut_length_mm=cut_length_mm,
        next_sheet=next_sheet,
        slowest_mm_s=slowest_mm_s,
    )
    wish = _within_evidence(region, wish)
    rows = rows_inside(region, slowest_mm_s)
    if aim == "cheapest":
        wish = replace(wish, priced=_priced(region, costs, job or cut_length_mm, rows))
    return _stated(region, wish, _advised(region, wish, rows), rows)


def advised_settings(
    region: Region,
    times: CutTimes,
    costs: Costs,
    *,
    reliability: float = USUAL_RELIABILITY,
    char_at_most: int | None = None,
) -> dict[str, Setting]:
    """Cheapest, fastest and cleanest cut, to be put side by side.

    Raises NotEnoughEvidence as ``recommend`` does.
    """
    rows = rows_inside(region)
    wish = Wish(reliability=reliability, char_at_most=char_at_most)
    wish = _within_evidence(region, wish)
    priced = replace(wish, aim="cheapest", priced=_priced(region, costs, times, rows))
    wishes = (priced, wish, replace(wish, aim="cleanest"))
    return {one.aim: _advised(region, one, rows) for one in wishes}


def _priced(
    region: Region, costs: Costs | None, job: Job | CutTimes | float | None, rows: Sequence[Row]
) -> PricedJob:
    speeds = [float(speed) for row in rows for speed in (row.speeds[0], row.speeds[-1])]
    return priced_job(region, costs, job, (min(speeds), max(speeds)) if rows else None)


def _within_evidence(region: Region, wish: Wish) -> Wish:
    """Lower a whole-job promise that no recorded job supports; ask where no burn makes sense."""
    questions = far_side(region)
    if questions:
        raise NotEnoughEvidence(say("advice.when_all", questions=" ".join(questions)))
    jobs = any(b.source == "job" for b in region.burns)
    too_much = wish.cut_length_mm is not None and (wish.reliability or 0.0) > _MOST_WITHOUT_JOBS
    if region.operation != "cut" or jobs or not too_much:
        return wish
    return replace(wish, reliability=_MOST_WITHOUT_JOBS, asked=wish.reliability)


def _advised(region: Region, wish: Wish, rows: Sequence[Row]) -> Setting:
    """The setting that is advised, or a refusal that names the burns that would settle it."""
    search = Search.of(region, wish, rows)
    found = search.advised() if rows else None
    likely = 1.0
    if found is not None and region.operation != "cut":
        likely = float(search.exact.exactly(columns_of([found]))[0])
    if found is not None and likely >= _LEAST_LIKELY:
        return found
    burns, settling = _settling(search.exact)
    pair = f"{region.sheet.name} on {region.machine.name}"
    if not region.burns:
        words = region.operation.replace("_", " ")
        why = say("advice.no_of_was_burnt_yet", operation=words, pair=pair)
        if region.other_air:
            burnt = burns_to_advise_from(region.other_air, region.operation)
            why = say("advice.none_with_usual_air", operation=words, pair=pair, burnt=burnt)
    elif not rows:
        why = say(
            "advice.no_setting_of_that_machine_can",
            pair=pair,
            slowest_mm_s=SLOWEST_MM_S[region.machine.source],
        )
    elif likely < _LEAST_LIKELY:
        why = say(
            "advice.no_setting_inside_what_was_burnt",
            pair=pair,
            grades_typed=grades_typed(wish.mark),
            rounded_down=rounded_down(likely),
        )
    else:
        why = say(
            "advice.chance_of_was_asked",
            asked=show_asked(wish.asked or wish.reliability or 0.0),
            pair=pair,
            rounded_down=rounded_down(search.best_chance()),
        )
        if wish.asked is not None:
            why += say(
                "advice.and_without_recorded_job_would_do",
                enough=show_asked(wish.reliability or 0.0),
            )
    raise NotEnoughEvidence(say("advice.burn_next", why=why, settling=settling), next_burns=burns)


def _settling(chances: Chances) -> tuple[list[Setting], str]:
    """The burns that would settle it, and in words: one where that is enough, else four."""
    region, wish = chances.region, chances.wish
    if region.operation != "cut":
        burns = next_marks(region, 4, wish.mark)
        return burns, _named(burns)
    reliability = USUAL_RELIABILITY if wish.reliability is None else wish.reliability
    (one,) = next_cuts(region, 1, reliability=reliability)
    if chances.single(one) >= reliability:
        return [one], say("advice.if_it_comes_out_well", named=_named([one]))
    burns = next_cuts(region, 4, reliability=reliability)
    return burns, _named(burns)


def rounded_down(chance: float) -> str:
    """A chance with three digits, near 1 with two of what is missing."""
    digits = 3 if chance < 0.99 else 2 - int(np.floor(np.log10(max(1.0 - chance, 1e-9))))
    return show_asked(np.floor(chance * 10**digits + 1e-6) / 10**digits)


def _named(burns: Sequence[Setting]) -> str:
    """Burns in words, those that are to be made more than once with their number."""
    times = Counter(
        f"{s.power_pct:g} % at {s.speed_mm_s:g} mm/s"
        + (say("advice.in_passes", s=s) if s.passes > 1 else "")
        for s in burns
    )
    return "; ".join(
        words + (say("advice.times", n=n) if n > 1 else "") for words, n in times.items()
    )


def _stated(region: Region, wish: Wish, found: Setting, rows: Sequence[Row]) -> Recommendation:
    """The recommendation with its margins, pushes, and what it rests on."""
    rec = describe(Chances(region=region, wish=wish), found)
    # What another air changes is told with the region, and where a board with it is planned.
    of_air = air_notes(region)
    notes = [note for note in region.notes if note not in of_air]
    if wish.asked is not None:
        notes.insert(
            0,
            say(
                "advice.was_asked",
                asked=show_asked(wish.asked),
                most_without_jobs=show_asked(_MOST_WITHOUT_JOBS),
            ),
        )
    if wish.priced is not None:
        rec = replace(rec, expected_cost=float(wish.priced.one(region, found).total))
        notes = [*wish.priced.notes_at(region, found), *notes]
    if region.operation != "cut":
        if rec.chance < LIKELY_CHANCE:
            burns = _named(next_marks(region, 4, wish.mark))
            notes.insert(
                0,
                say("advice.not_sure_yet", share=share_words(rec.chance), burns=burns),
            )
        return replace(rec, notes=tuple(dict.fromkeys(notes)))
    loose = doubled_scatter(region)
    again = Search.of(loose, wish, rows).advised()
    moved = 1.0
    if again is not None:
        pace = (again.speed_mm_s / again.passes) / (found.speed_mm_s / found.passes)
        moved = max(abs(again.power_pct / found.power_pct - 1.0), abs(pace - 1.0))
    if moved > _RESTS_ON_SCATTER:
        notes.append(say("advice.this_rests_on_assumed_scatter", named=_named([found])))
    plain = wish.aim == "fastest" and rec.scope == "coupon" and wish.char_at_most is None
    return replace(
        rec,
        share_of_two_more_rounds=share_of_more(region, found, wish.reliability or 0.0)
        if plain
        else None,
        chance_if_scatter_doubled=Chances(region=loose, wish=wish).single(found),
        setting_if_scatter_doubled=again,
        notes=tuple(dict.fromkeys(notes)),
    )
