"""Burns that all lie far on one side of what any such sheet needs: something else is wrong.

A beam that never fired, or speeds typed in the wrong unit, would else pass for a very hard or a
very easy sheet, and every next board would go further the wrong way.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from calib.fit import cut_fit, graded
from calib.fit.cut import points_of
from calib.fit.expectation import expected_priors
from calib.fit.region import Region
from calib.limits import limits_of
from calib.plan.next_burns import MOST_PASSES, columns_of
from calib.records import Burn, Setting

# Chance, by what is expected of the family before any burn, below which so many burns all alike are
# asked about. With nothing cut there is no advice to lose, so 1 in 20; where everything was cut, an
# easy sheet would wait for its advice, so 1 in 100.
NOTHING_CAME = 0.05
EVERYTHING_CAME = 0.01


def chance_expected(region: Region) -> float:
    """Chance that burns all come out as these did, by the family's table alone, before any burn."""
    priors = expected_priors(region.machine, region.sheet, region.operation)
    times: Counter[tuple[Setting, int]] = Counter()
    for burn in region.burns:
        times[burn.setting, _grade(burn)] += 1
    settings = [setting for setting, _ in times]
    columns = columns_of(settings)
    if priors.cut is not None:
        points = cut_fit.fit_cut(region.machine, (), priors.cut).here
        at = points_of(region.machine, columns[:3], priors.cut.speed0_mm_s)
        by_grade, weight = cut_fit.grade_chances(points, at), points.weight
    else:
        assert priors.mark is not None
        fit = graded.fit_graded(region.machine, (), priors.mark, "mark")
        marks = graded.graded_settings(region.machine, columns, priors.mark, "mark")
        by_grade, weight = graded.chances_by_point(fit, marks), fit.weight
    alike = np.ones(len(weight))
    for i, ((_, grade), count) in enumerate(times.items()):
        alike *= by_grade[grade, :, i] ** count
    return float(weight @ alike / weight.sum())


def _grade(burn: Burn) -> int:
    if burn.operation == "cut":
        return ("no", "hanging", "through").index(burn.through or "no")
    return burn.mark or 0


def _nothing_stronger(region: Region) -> bool:
    """Whether what was burnt in vain is already the strongest that may be planned."""
    machine = region.machine
    if region.operation != "cut":
        return False
    slowest = limits_of(machine, region.sheet, "cut").slowest_at(machine.ceiling_pct)
    return any(
        burn.passes >= MOST_PASSES
        and burn.power_pct >= machine.ceiling_pct - machine.power_step_pct
        and burn.speed_mm_s <= slowest + machine.speed_step_mm_s
        for burn in region.burns
    )


def far_side(region: Region) -> tuple[str, ...]:
    """What to look at before another burn; empty where the burns are nothing out of the way."""
    grades = {_grade(burn) for burn in region.burns}
    cut = region.operation == "cut"
    nothing, everything = grades == {0}, grades == {2 if cut else 4}
    if not nothing and not everything:
        return ()
    chance = chance_expected(region)
    few = chance < (NOTHING_CAME if nothing else EVERYTHING_CAME)
    if not few and not (nothing and _nothing_stronger(region)):
        return ()
    count, sheet = len(region.burns), region.sheet.material
    seldom = f"1 in {1.0 / max(chance, 0.001):.0f} such sheets"
    if nothing:
        came = "not one was cut" if cut else "not one shows"
        return (
            f"Stop and look first: {count} burns and {came}, as of about {seldom} ({sheet}). Did"
            " the beam fire, and at the power that was set? Is it in focus on the sheet's face, and"
            " are lens and mirrors clean? Was the air on? Were the speeds set in mm/s (mm/min for"
            " mm/s is 60 times off)? Are thickness, material and watts those in the logbook?",
        )
    came = "all fell free" if cut else "all are scorched"
    return (
        f"Stop and look first: {count} burns and {came}, as of about {seldom}"
        f" ({sheet}). Were the speeds set in mm/s (mm/min for mm/s is 60 times off)? Was the power"
        " the one on the plan? Are thickness, material and watts those in the logbook? Were the"
        " readings meant so?",
    )
