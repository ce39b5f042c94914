"""Random effects against published figures and against plain dense algebra."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm

from calib.fit.random_effects import Mixture, Units, fit_fixed, fit_learning, fit_mixture

REFERENCE = Path(__file__).parent / "reference"
# Spreads up to 60, as the published figures have it, in steps of 0.1.
SPREADS = (np.arange(600) + 0.5) / 10.0


@pytest.fixture(scope="module")
def schools() -> tuple[np.ndarray, np.ndarray]:
    with (REFERENCE / "eight_schools.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return np.array([float(r["y"]) for r in rows]), np.array([float(r["se"]) for r in rows])


def school_units(schools: tuple[np.ndarray, np.ndarray], own: int) -> Units:
    """A flat mean, one school with a column of its own, the others integrated out as groups."""
    value, error = schools
    effects = np.zeros((len(value), 2))
    effects[:, 0] = 1.0
    effects[own, 1] = 1.0
    alive = np.arange(len(value)) != own
    return Units(
        value=value,
        variance=error**2,
        effects=effects,
        base=np.array([1e4, 1.0]),
        spread_of=np.array([-1, 0]),
        nested=[(np.arange(len(value)), alive)],
        nested_base=[1.0],
        nested_spread=[0],
        spreads=1,
    )


def quantile(found: Mixture, design: np.ndarray, share: float) -> float:
    means, variances = found.components(design, np.zeros(len(found.weight)))

    def over(x: float) -> float:
        return float(found.weight @ norm.cdf((x - means) / np.sqrt(variances))) - share

    return float(brentq(over, -100.0, 100.0))


@pytest.mark.parametrize(
    ("school", "published"),
    [
        (0, (-2.105, 5.975, 10.240, 15.532, 31.612)),
        (2, (-11.475, 2.033, 6.650, 10.862, 20.458)),
    ],
)
def test_eight_schools(
    schools: tuple[np.ndarray, np.ndarray], school: int, published: tuple[float, ...]
) -> None:
    found = fit_mixture(school_units(schools, school), SPREADS[:, None], np.zeros(600))
    shares = (0.025, 0.25, 0.5, 0.75, 0.975)
    got = [quantile(found, np.ones(2), share) for share in shares]
    assert got == pytest.approx(published, abs=0.02)


def test_eight_schools_mean_and_spread(schools: tuple[np.ndarray, np.ndarray]) -> None:
    found = fit_mixture(school_units(schools, 0), SPREADS[:, None], np.zeros(600))
    assert found.weight @ found.mean[:, 0] == pytest.approx(7.932, abs=0.02)
    assert found.weight @ SPREADS == pytest.approx(6.567, abs=0.02)
    assert np.interp(0.5, np.cumsum(found.weight), SPREADS + 0.05) == pytest.approx(
        5.2377, abs=0.02
    )
    # The likeliest spread is none at all: plugging it in would pool completely.
    assert found.weight.argmax() == 0


def test_no_spread_pools_completely(schools: tuple[np.ndarray, np.ndarray]) -> None:
    found = fit_mixture(school_units(schools, 0), np.zeros((1, 1)), np.zeros(1))
    mean, variance = found.predict(np.array([1.0, 0.0]), np.zeros(1))
    assert mean == pytest.approx(7.69, abs=0.005)
    assert np.sqrt(variance) == pytest.approx(4.07, abs=0.005)


def some_units(seed: int = 3) -> Units:
    """Units with every kind of effect: columns, lots within products, and their own."""
    rng = np.random.default_rng(seed)
    lot = np.array([0, 0, 1, 2, 2, 2, 3, 4])
    product = np.array([0, 0, 1, 1, 2])
    return Units(
        value=rng.normal(size=8),
        variance=rng.uniform(0.1, 1.0, 8),
        effects=rng.normal(size=(8, 3)),
        base=np.array([1.0, 0.7, 0.4]),
        spread_of=np.array([-1, 0, 1]),
        nested=[
            (lot, np.array([True, True, False, True, True])),
            (product, np.array([True, False, True])),
        ],
        nested_base=[0.5, 0.8],
        nested_spread=[2, -1],
        unit_base=0.3,
        unit_spread=1,
        spreads=3,
    )


def dense(units: Units, spread: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """The same model by one large covariance matrix."""
    factor = np.append(spread, 1.0)
    n = len(units.value)
    noise = np.diag(units.variance + (units.unit_base * factor[units.unit_spread]) ** 2)
    group = np.arange(n)
    for (step, alive), base, which in zip(
        units.nested, units.nested_base, units.nested_spread, strict=True
    ):
        group = step[group]
        same = (group[:, None] == group[None, :]) & alive[group][:, None]
        noise = noise + same * (base * factor[which]) ** 2
    prior = np.diag((units.base * factor[units.spread_of]) ** 2)
    total = noise + units.effects @ prior @ units.effects.T
    gain = prior @ units.effects.T @ np.linalg.inv(total)
    log_density = multivariate_normal(np.zeros(n), total).logpdf(units.value)
    return (
        float(log_density) + 0.5 * n * np.log(2 * np.pi),
        gain @ units.value,
        prior - gain @ units.effects @ prior,
    )


@pytest.mark.parametrize("spread", [(1.0, 1.0, 1.0), (0.3, 2.0, 0.7), (0.0, 1.0, 0.0)])
def test_group_by_group_is_the_same_as_one_large_matrix(spread: tuple[float, ...]) -> None:
    units = some_units()
    _, mean, covariance = dense(units, np.array(spread))
    found = fit_mixture(units, np.array([spread]), np.zeros(1))
    assert found.mean[0] == pytest.approx(mean, abs=1e-10)
    assert found.covariance[0] == pytest.approx(covariance, abs=1e-10)


def test_weights_of_spreads_are_their_marginal_likelihoods() -> None:
    units = some_units()
    spread = np.array([[1.0, 1.0, 1.0], [0.2, 0.5, 2.0], [3.0, 0.1, 0.4]])
    found = fit_mixture(units, spread, np.log([0.2, 0.3, 0.5]))
    log_density = np.array([dense(units, point)[0] for point in spread])
    expected = np.exp(log_density - log_density.max()) * [0.2, 0.3, 0.5]
    assert found.weight == pytest.approx(expected / expected.sum(), rel=1e-9)


def grouped(groups: int, each: int, spread: float, seed: int) -> Units:
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(groups), each)
    value = rng.normal(0, spread, groups)[group] + rng.normal(0, 0.1, groups * each)
    return Units(
        value=value,
        variance=np.full(groups * each, 0.1**2),
        effects=np.ones((groups * each, 1)),
        base=np.array([1.0]),
        spread_of=np.array([-1]),
        nested=[(group, np.ones(groups, dtype=bool))],
        nested_base=[0.2],
        nested_spread=[0],
        spreads=1,
    )


@pytest.mark.parametrize(("spread", "groups"), [(0.05, 200), (0.2, 200), (0.5, 200), (0.2, 1000)])
def test_many_units_tell_how_much_groups_differ(spread: float, groups: int) -> None:
    found = fit_learning(grouped(groups, 3, spread, seed=1))
    learnt = 0.2 * float(found.weight @ found.spread[:, 0])
    # The standard error of a standard deviation of n groups, mean of three each.
    error = np.hypot(spread, 0.1 / np.sqrt(3)) ** 2 / spread / np.sqrt(2 * groups)
    assert abs(learnt - spread) < 3 * error


def test_learning_agrees_with_a_fine_grid_over_the_spread() -> None:
    units = grouped(8, 2, 0.2, seed=4)
    learnt = fit_learning(units)
    spread = np.linspace(0.005, 6.0, 1200)
    exact = fit_mixture(units, spread[:, None], norm.logpdf(spread))
    for design, extra in ((np.ones(1), 0.0), (np.ones(1), 0.04)):
        got = learnt.predict(design, extra * learnt.spread[:, 0] ** 2)
        wanted = exact.predict(design, extra * exact.spread[:, 0] ** 2)
        assert got[0] == pytest.approx(wanted[0], abs=0.005)
        assert np.sqrt(got[1]) == pytest.approx(np.sqrt(wanted[1]), rel=0.03)


def test_fixed_spreads_are_the_average_of_the_learnt_ones_before_any_unit() -> None:
    units = grouped(1, 1, 0.2, seed=0)
    vague = Units(
        value=units.value,
        variance=np.array([1e9]),
        effects=units.effects,
        base=units.base,
        spread_of=np.array([0]),
        spreads=1,
    )
    fixed, learnt = fit_fixed(vague), fit_learning(vague)
    # 96 points hold the mean square of a half-normal to 6 %, its root to 3 %.
    spreads = [np.sqrt(found.predict(np.ones(1), np.zeros(1))[1]) for found in (learnt, fixed)]
    assert spreads[0] == pytest.approx(spreads[1], rel=0.03)
