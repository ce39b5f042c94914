"""Boards that weren't burnt or read as recorded: asked about, believed in part, never corrected."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from boards import CO2
from scipy import stats

import calib
from calib.fit.fits import fit, log_evidence
from calib.fit.mishaps import weighed
from calib.fit.priors import MISREAD, cut_prior
from calib.records import Burn, Sheet

MDF = Sheet(name="MDF 3", material="MDF", thickness_mm=3.0)
PRIOR = cut_prior(CO2, MDF)
# Two boards that say where the edge is, about 21 mm/s at the ceiling.
FIRST = {10.0: "through", 14.0: "through", 18.0: "through", 24.0: "no", 30.0: "no", 40.0: "no"}
SECOND = {17.0: "through", 19.0: "through", 20.0: "through", 22.0: "no", 23.0: "no", 26.0: "no"}


def board(results: dict[float, str], session: str) -> list[Burn]:
    """Cells in two rows of three, in the order given."""
    return [
        Burn(
            operation="cut", power_pct=CO2.ceiling_pct, speed_mm_s=v, through=t, session=session,
            x_mm=30.0 * (i % 3), y_mm=30.0 * (i // 3), burn_order=i + 1,
        )
        for i, (v, t) in enumerate(results.items())
    ]  # fmt: skip


def asked(burns: list[Burn]) -> dict[str, str]:
    """What is asked about, by the kind of mishap."""
    found = weighed(CO2, burns, PRIOR, fit(CO2, burns, PRIOR, "cut"))[1]
    return {one.kind: one.words for one in found}


def test_boards_as_they_should_be_raise_no_question() -> None:
    assert asked(board(FIRST, "1")) == {}
    assert asked(board(FIRST, "1") + board(SECOND, "2")) == {}


def test_two_exchanged_results_are_named() -> None:
    burns = board(FIRST, "1") + board(SECOND | {17.0: "no", 26.0: "through"}, "2")
    words = asked(burns)["swapped"]
    assert "17 mm/s (no)" in words
    assert "26 mm/s (through)" in words


def test_a_board_read_upside_down_is_asked_about() -> None:
    turned = dict(zip(FIRST, reversed(FIRST.values()), strict=True))
    assert "upside down" in asked(board(turned, "1"))["turned"]
    # Without places on the board nothing can be turned.
    unplaced = [replace(b, x_mm=None, y_mm=None) for b in board(turned, "1")]
    assert "turned" not in asked(unplaced)


@pytest.mark.parametrize(
    ("result", "speeds"), [("no", (12, 13, 14, 15)), ("through", (32, 36, 40, 45))]
)
def test_a_board_that_came_out_otherwise_as_a_whole_is_asked_about(
    result: str, speeds: tuple[float, ...]
) -> None:
    good = board(FIRST, "1") + board(SECOND, "2")
    last = board(dict.fromkeys(map(float, speeds), result), "3")
    words = asked(good + last)["otherwise"]
    assert f"“{result}”" in words
    assert "did the beam fire" in words


def test_small_boards_of_one_evening_are_not_one_board() -> None:
    """Three of two, each planned after the one before: that all dropped is no mishap of a board."""
    stair = Burn(
        operation="cut", power_pct=CO2.ceiling_pct, speed_mm_s=19.0, fails_at_mm_s=21.0,
        through="through", source="stair", session="1",
    )  # fmt: skip
    rounds = [(17.0, 19.0), (20.0, 21.0), (22.0, 23.0)]
    small = [b for two in rounds for b in board(dict.fromkeys(two, "through"), "1")]
    large = board(dict.fromkeys((v for two in rounds for v in two), "through"), "1")

    def doubt(cells: list[Burn]) -> float:
        """How much less sure a slower cut is than by the burns as recorded."""
        region = calib.fit_region(CO2, MDF, evidence=[stair, *cells])
        recorded = replace(region, cut=fit(CO2, [stair, *cells], PRIOR, "cut"))
        speed = CO2.ceiling_pct, 18.0
        return float(recorded.chance_through(*speed) - region.chance_through(*speed))

    assert doubt(large) > 0.005
    assert doubt(small) == 0.0


def test_what_is_not_cleared_up_stands_in_the_chance_as_doubt() -> None:
    """Between what the burns say as recorded, and with the mishap undone."""
    good = board(FIRST, "1")
    spoilt = board(SECOND | {17.0: "no", 26.0: "through"}, "2")
    region = calib.fit_region(CO2, MDF, evidence=good + spoilt)
    assert any("may be exchanged" in note for note in region.notes)
    undone = calib.fit_region(CO2, MDF, evidence=good + board(SECOND, "2"))
    recorded = fit(CO2, good + spoilt, PRIOR, "cut")
    speeds = np.array([16.0, 18.0])
    as_recorded = replace(region, cut=recorded).chance_through(CO2.ceiling_pct, speeds)
    doubtful = region.chance_through(CO2.ceiling_pct, speeds)
    assert (np.asarray(as_recorded) < doubtful).all()
    assert (doubtful < np.asarray(undone.chance_through(CO2.ceiling_pct, speeds))).all()


def test_the_chance_of_all_readings_together_is_that_of_plain_monte_carlo() -> None:
    burns = board({v: t for v, t in FIRST.items() if 14.0 <= v <= 24.0}, "1")
    rng, n = np.random.default_rng(3), 400_000
    alpha = PRIOR.location + PRIOR.location_scale * rng.standard_t(PRIOR.location_df, n)
    floor = rng.beta(PRIOR.floor_a, PRIOR.floor_b, n)
    k = rng.normal(PRIOR.exponent_mean, PRIOR.exponent_sd, n)
    sigma = np.exp(rng.normal(PRIOR.scatter_ln, PRIOR.scatter_ln_sd, n))
    delta = np.exp(rng.normal(PRIOR.band_ln, PRIOR.band_ln_sd, n))
    together = np.ones(n)
    for b in burns:
        # Corners slow the head by next to nothing at these speeds.
        spent = np.log(floor + (1.0 - floor) * b.speed_mm_s / PRIOR.speed0_mm_s)
        y = math.log(CO2.rated_w) + k * math.log(b.power_pct / 100.0) - spent - alpha
        through, no = stats.norm.cdf(y / sigma), stats.norm.cdf((-y - delta) / sigma)
        chance = {"through": through, "no": no}[b.through]
        together *= (1.0 - MISREAD) * chance + MISREAD / 3.0
    assert log_evidence(CO2, burns, PRIOR) == pytest.approx(math.log(together.mean()), abs=0.03)
