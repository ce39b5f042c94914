"""Burns that all lie far on one side of what any such sheet needs: something else is wrong.

A beam that never fired, or speeds typed in the wrong unit, would else pass for a very hard or a
very easy sheet, and every next board would go further the wrong way.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from calib.fit.fits import fit
from calib.fit.model import Response, columns_of, grade_of, settings_of
from calib.fit.priors import expected_priors
from calib.fit.region import Region
from calib.limits import limits_of
from calib.plan.next_burns import MOST_PASSES
from calib.records import GRADES, THROUGH_GRADES, Setting, counted_burns
from calib.texts.say import say

# Chance, by what is expected of the family before any burn, below which so many burns all alike are
# asked about. With nothing cut there is no advice to lose, so 1 in 20; where everything was cut, an
# easy sheet would wait for its advice, so 1 in 100.
NOTHING_CAME = 0.05
EVERYTHING_CAME = 0.01


def chance_expected(region: Region) -> float:
    """Chance that burns all come out as these did, by the family's table alone, before any burn."""
    priors = expected_priors(region.machine, region.sheet, region.operation)
    read, prior = _read(region), priors.cut or priors.mark
    assert prior is not None
    times: Counter[tuple[Setting, int]] = Counter()
    for burn in region.burns:
        times[burn.setting, grade_of(burn, read) or 0] += 1
    draws = fit(region.machine, (), prior, read).here
    columns = columns_of([setting for setting, _ in times])
    by_grade = draws.grade_chances(settings_of(region.machine, columns, prior, read))
    weight = draws.weight
    alike = np.ones(len(weight))
    for i, ((_, grade), count) in enumerate(times.items()):
        alike *= by_grade[grade, :, i] ** count
    return float(weight @ alike / weight.sum())


def _read(region: Region) -> Response:
    return "cut" if region.operation == "cut" else "mark"


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
    grades = {grade_of(burn, _read(region)) for burn in region.burns}
    cut = region.operation == "cut"
    nothing, everything = grades == {0}, grades == {len(THROUGH_GRADES) - 1 if cut else GRADES[-1]}
    if not nothing and not everything:
        return ()
    chance = chance_expected(region)
    few = chance < (NOTHING_CAME if nothing else EVERYTHING_CAME)
    if not few and not (nothing and _nothing_stronger(region)):
        return ()
    burnt, sheet = counted_burns(region.burns), region.sheet.material
    seldom = say("plan.in_such_sheets", chance=1.0 / max(chance, 0.001))
    if nothing:
        came = say("plan.not_one_was_cut") if cut else say("plan.not_one_shows")
        return (
            say("plan.stop_and_look_first", burnt=burnt, came=came, seldom=seldom, sheet=sheet),
        )
    came = say("plan.all_fell_free") if cut else say("plan.all_are_scorched")
    return (say("plan.stop_and_look_first_2", burnt=burnt, came=came, seldom=seldom, sheet=sheet),)
