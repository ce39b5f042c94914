"""What sessions and lots share: the blurs along a grid, and fits against sums written out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from boards import CO2
from scipy.stats import halfnorm, norm, t

from calib.errors import InvalidRecord
from calib.fit.fits import fit
from calib.fit.levels import Grid, blurred, grid_around
from calib.fit.model import coupon_chance, problem_of, settings_of
from calib.fit.priors import MISREAD, CutPrior
from calib.records import Burn

# All but certain of every shape parameter, so that only location and shares are left to integrate.
SURE = CutPrior(
    location=3.4,
    floor_a=2e5,
    floor_b=8e5,
    exponent_sd=1e-6,
    scatter_ln=math.log(0.05),
    scatter_ln_sd=1e-6,
    band_ln_sd=1e-6,
    passes_sd=1e-6,
)


def even_grid(rows: int = 2, step: float = 0.01) -> Grid:
    alike = np.ones(rows)
    return Grid(first=-1.0 * alike, step=step * alike, count=201)


@pytest.mark.parametrize("sd", [0.001, 0.004, 0.006, 0.02, 0.1])
def test_a_normal_blurred_by_a_normal_adds_their_variances(sd: float) -> None:
    grid, own = even_grid(), 0.05
    found = blurred(-0.5 * (grid.nodes / own) ** 2, grid.normal(np.full(2, sd)))
    wide = math.hypot(own, sd)
    expected = own / wide * np.exp(-0.5 * (grid.nodes / wide) ** 2)
    assert np.exp(found) == pytest.approx(expected, abs=2e-3)


def test_a_narrow_peak_blurred_by_a_student_t_is_one() -> None:
    grid = even_grid()
    found = np.exp(blurred(-0.5 * (grid.nodes / 0.02) ** 2, grid.student(0.05)))
    heights = t(4, scale=0.05).pdf(grid.nodes) * 0.02 * math.sqrt(2.0 * math.pi)
    away = np.abs(grid.nodes) > 0.15
    near = (np.abs(grid.nodes) < 0.4) & away
    assert found[near] == pytest.approx(heights[near], rel=0.15)
    assert found.sum() == pytest.approx(heights.sum(), rel=0.02)


def test_values_are_read_off_between_the_nodes_by_cubics() -> None:
    location = np.array([[0.1, 0.15, 0.33], [2.0, 2.2, 2.9]])
    grid = grid_around(location, np.array([0.05, 0.05]), np.array([0.2, 0.4]))
    found = grid.read_off(norm.logcdf(grid.nodes / 0.05 - 3.0), location)
    assert found == pytest.approx(norm.logcdf(location / 0.05 - 3.0), abs=2e-3)


def cut(speed: float, through: str, session: str = "", lot: str | None = None) -> Burn:
    return Burn(
        operation="cut", power_pct=80.0, speed_mm_s=speed, through=through, session=session, lot=lot
    )  # fmt: skip


OLD = [cut(12.0, "through", "a", "old"), cut(16.0, "through", "a", "old"),
       cut(18.0, "no", "a", "old"), cut(15.0, "through", "b", "old"),
       cut(17.0, "hanging", "b", "old")]  # fmt: skip
NEW = [cut(14.0, "through", "c"), cut(15.0, "hanging", "c"), cut(16.0, "no", "c")]
SPEEDS = np.array([11.0, 13.0, 14.5, 16.0, 19.0])


def readings(burns: list[Burn], location: np.ndarray) -> np.ndarray:
    """Likelihood of burns of one session with its own location, written out."""
    problem, at = problem_of(CO2, burns, SURE, "cut")
    ln_needed = np.log(0.2 + 0.8 * np.exp(at.ln_speed_ratio))
    ln_power = at.ln_full + at.ln_share
    total = np.ones_like(location)
    band = math.exp(SURE.band_ln)
    for edge, grade in zip(ln_power - ln_needed, problem.readings.grade, strict=True):
        reach = edge - location
        below = norm.cdf((-reach - band) / 0.05)
        through = norm.cdf(reach / 0.05)
        seen = (below, 1.0 - below - through, through)[grade]
        total = total * ((1.0 - MISREAD) * seen + MISREAD / 3.0)
    return total


def chances_next(levels: dict[str | None, list[list[Burn]]]) -> np.ndarray:
    """Chances on the next sheet of this lot, by sums over location, lots, sessions and τ."""
    at = settings_of(CO2, (np.full(5, 80.0), SPEEDS, np.ones(5)), SURE, "cut")
    ln_power = at.ln_full + at.ln_share - np.log(0.2 + 0.8 * np.exp(at.ln_speed_ratio))
    step = 0.01
    location = np.arange(2.6, 4.2, step)
    apart = location[:, None] - location[None, :]
    lots = t(4, scale=SURE.lot_scale).pdf(apart) * step
    total, norming = np.zeros(5), 0.0
    for share in (np.arange(30) + 0.5) / 30.0:
        tau = max(float(halfnorm(scale=SURE.shared_scale).ppf(share)), 0.004)
        session = norm(scale=tau).pdf(apart) * step
        told = {
            lot: np.prod([session @ readings(one, location) for one in some], axis=0)
            for lot, some in levels.items()
        }
        prior = t(4, loc=SURE.location, scale=SURE.location_scale).pdf(location)
        others = np.prod([lots @ one for lot, one in told.items() if lot is not None], axis=0)
        # Of this lot's own location: what all have in common, moved by the lot, times its burns.
        own = lots.T @ (prior * others) * told.get(None, 1.0)
        spread = math.hypot(0.05, tau)
        chance = norm.cdf((ln_power[None, :] - location[:, None]) / spread)
        total += own @ chance
        norming += own.sum()
    return total / norming


@pytest.mark.parametrize("new", [NEW, []], ids=["burnt", "not burnt yet"])
def test_a_new_lot_is_what_sums_over_lots_and_sessions_give(new: list[Burn]) -> None:
    levels: dict[str | None, list[list[Burn]]] = {"old": [OLD[:3], OLD[3:]], "older": [OLD[:2]]}
    older = [Burn(**{**_fields(b), "lot": "older"}) for b in OLD[:2]]
    if new:
        levels[None] = [new]
    found = fit(CO2, [*OLD, *older, *new], SURE, "cut")
    at = settings_of(CO2, (np.full(5, 80.0), SPEEDS, np.ones(5)), SURE, "cut")
    assert coupon_chance(found.elsewhere, at) == pytest.approx(chances_next(levels), abs=0.01)


def _fields(burn: Burn) -> dict[str, object]:
    return {name: getattr(burn, name) for name in Burn.__dataclass_fields__}


def test_the_order_of_burns_of_several_lots_does_not_matter() -> None:
    at = settings_of(CO2, (np.full(5, 80.0), SPEEDS, np.ones(5)), SURE, "cut")
    there, back = (fit(CO2, burns, SURE, "cut") for burns in ([*OLD, *NEW], [*NEW, *OLD][::-1]))
    assert (coupon_chance(there.here, at) == coupon_chance(back.here, at)).all()


def test_a_lot_is_named_by_text() -> None:
    with pytest.raises(InvalidRecord, match="lot is 3"):
        cut(12.0, "through", lot=3)  # type: ignore[arg-type]
