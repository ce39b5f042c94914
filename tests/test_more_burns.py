"""What two more rounds would give, against rounds that are really planned, burnt and fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from boards import BIRCH, CO2

import calib
from calib.advice.more_burns import BURNS, ROUNDS, share_of_more
from calib.fit.fitting import region_from
from calib.fit.model import columns_of, settings_of
from calib.fit.priors import MISREAD, Priors, expected_priors
from calib.plan.next_burns import next_cuts
from calib.records import THROUGH_GRADES, Burn, Setting

PRIORS = Priors(cut=expected_priors(CO2, BIRCH, "cut").cut)
TRUTHS = 6
# Results at the ceiling by speed: a first board, and a second one near the edge.
FIRST = {10.0: "through", 15.0: "through", 22.0: "hanging", 26.0: "no", 33.0: "no"}
SECOND = {16.0: "through", 17.0: "through", 18.0: "through", 19.0: "hanging", 20.0: "through"}


def fitted(burns: list[Burn]) -> calib.Region:
    return region_from(CO2, BIRCH, "cut", burns, PRIORS)


def burnt(results: dict[float, str]) -> list[Burn]:
    return [
        Burn(operation="cut", power_pct=CO2.ceiling_pct, speed_mm_s=v, through=t)
        for v, t in results.items()
    ]


def fastest(region: calib.Region) -> float:
    """The fastest speed at the ceiling that meets 0.99, wherever burnt [mm/s]."""
    speeds = np.geomspace(2.0, 60.0, 400)
    good = np.asarray(region.chance_through(CO2.ceiling_pct, speeds)) >= 0.99
    return float(speeds[np.cumprod(good).sum() - 1]) if good[0] else 0.0


def after_two_rounds(region: calib.Region, truth: int, luck: np.random.Generator) -> float:
    """The fastest reliable speed when one draw of the posterior is the truth."""
    fit = region.cut
    assert fit is not None
    one = fit.here.thinned(TRUTHS).take(np.array([truth]), weight=np.ones(1))
    burns, now = list(region.burns), region
    for _ in range(ROUNDS):
        for setting in next_cuts(now, BURNS):
            at = settings_of(CO2, columns_of([setting]), fit.prior, "cut")
            chances = (1.0 - MISREAD) * one.grade_chances(at)[:, 0, 0] + MISREAD / 3.0
            grade = THROUGH_GRADES[int(luck.choice(3, p=chances / chances.sum()))]
            burns.append(
                Burn(
                    operation="cut",
                    power_pct=setting.power_pct,
                    speed_mm_s=setting.speed_mm_s,
                    through=grade,
                )
            )
        now = fitted(burns)
    return fastest(now)


@pytest.mark.parametrize("results", [FIRST, FIRST | SECOND], ids=["one board", "two boards"])
def test_it_is_what_rounds_give_that_are_really_planned_burnt_and_fitted(
    results: dict[float, str],
) -> None:
    region = fitted(burnt(results))
    now = fastest(region)
    setting = Setting(power_pct=CO2.ceiling_pct, speed_mm_s=now)
    told = now / share_of_more(region, setting, 0.99)
    luck = np.random.default_rng(5)
    given = np.array([after_two_rounds(region, truth, luck) for truth in range(TRUTHS)])
    error = given.std(ddof=1) / TRUTHS**0.5
    assert abs(told - given.mean()) < 2.5 * error + 0.01 * now
    # It tells boards apart that gain much from those that gain little.
    assert error < 0.1 * now


def test_the_better_the_edge_is_known_the_less_more_burns_give() -> None:
    shares = []
    bracket = {8.0: "through", 40.0: "no"}
    for results, times in ((bracket, 1), (FIRST, 1), (FIRST | SECOND, 12)):
        region = fitted([replace(b, count=times) for b in burnt(results)])
        setting = Setting(power_pct=CO2.ceiling_pct, speed_mm_s=fastest(region))
        shares.append(share_of_more(region, setting, 0.99))
    assert shares == sorted(shares)
    assert shares[0] < 0.9
    assert 0.97 < shares[-1] <= 1.0


def test_it_is_said_of_the_fastest_coupon_alone() -> None:
    burns = [replace(b, char=1) for b in burnt(FIRST | SECOND) if b.through != "no"]
    region = calib.fit_region(CO2, BIRCH, evidence=burns)
    assert calib.recommend(region, reliability=0.9).share_of_two_more_rounds is not None
    for wish in ({"aim": "cleanest"}, {"char_at_most": 3}, {"next_sheet": True}):
        assert calib.recommend(region, reliability=0.8, **wish).share_of_two_more_rounds is None
