"""Ordinal probit on shuffled, weighted, scaled and reversed rows; and on a simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
from ordinal_cases import PRIORS, everything, made_up

from calib.fit.ordinal import GaussianPrior, OrdinalProbit

# Invariances ----------------------------------------------------------------------------------


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
def test_order_of_rows_does_not_matter_to_the_last_bit(prior):
    X, y, weight = made_up(2)
    weight = np.ceil(weight)
    shuffled = np.random.default_rng(1).permutation(len(y))
    first = OrdinalProbit(prior=prior).fit(X, y, weight)
    second = OrdinalProbit(prior=prior).fit(X[shuffled], y[shuffled], weight[shuffled])
    assert everything(first).tolist() == everything(second).tolist()


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
def test_weight_two_is_two_rows_and_weight_zero_none(prior):
    X, y, _ = made_up(3)
    weight = np.arange(len(y)) % 3
    y[weight == 0] = 7  # a grade that only left-out rows have
    counted_rows = OrdinalProbit(prior=prior).fit(X, y, weight)
    repeated = OrdinalProbit(prior=prior).fit(X.repeat(weight, axis=0), y.repeat(weight))
    assert everything(counted_rows).tolist() == everything(repeated).tolist()
    assert counted_rows.classes_.tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
@pytest.mark.parametrize(("scale", "offset"), [(1e9, 0.0), (1e-9, 0.0), (1.0, 1e6), (1e-3, 40.0)])
def test_units_of_x_do_not_matter(prior, scale, offset):
    X, y, weight = made_up(6)
    plain = OrdinalProbit(prior=prior).fit(X, y, weight)
    moved = OrdinalProbit(prior=prior).fit(scale * X + offset, y, weight)
    assert moved.coef_ * scale == pytest.approx(plain.coef_, rel=1e-7)
    assert moved.covariance_[:2, :2] * scale**2 == pytest.approx(
        plain.covariance_[:2, :2], rel=1e-6
    )
    chance = moved.predict_proba(scale * X + offset)
    assert chance == pytest.approx(plain.predict_proba(X), abs=1e-7)
    assert moved.log_likelihood_ == pytest.approx(plain.log_likelihood_, rel=1e-9)


def test_reversed_grades_reverse_the_answer():
    X, y, weight = made_up(7)
    up, down = OrdinalProbit().fit(X, y, weight), OrdinalProbit().fit(X, 3 - y, weight)
    assert down.coef_ == pytest.approx(-up.coef_, rel=1e-9)
    assert down.cut_points_ == pytest.approx(-up.cut_points_[::-1], rel=1e-9)


# Recovery -------------------------------------------------------------------------------------


def test_simulated_truth_is_recovered_with_honest_standard_errors():
    rng = np.random.default_rng(20240601)
    truth = np.array([1.2, -0.6, -0.8, 0.3, 1.4])
    squares = []
    for _ in range(100):
        X = rng.normal(size=(300, 2))
        y = np.digitize(X @ truth[:2] + rng.normal(size=300), truth[2:])
        fit = OrdinalProbit().fit(X, y)
        error = np.r_[fit.coef_, fit.cut_points_] - truth
        squares.append(error @ np.linalg.solve(fit.covariance_, error))
    # Chi-squared with 5 degrees each; their mean over 100 has the standard error sqrt(10 / 100)
    # = 0.32. Three of those.
    assert abs(np.mean(squares) - 5.0) < 3 * 0.32


def test_prior_finds_the_edge_from_a_dozen_burns():
    rng = np.random.default_rng(7)
    middles = []
    for _ in range(60):
        x = rng.uniform(-1.0, 1.0, size=(12, 1))
        y = np.digitize(6.0 * x[:, 0] + rng.normal(size=12), [-0.5, 0.5])
        if np.unique(y).tolist() == [0, 1, 2]:
            fit = OrdinalProbit(prior=GaussianPrior()).fit(x, y)
            middles.append(fit.cut_points_.mean() / fit.coef_[0])
    # Burns lie 0.17 apart and scatter by 1/6; the edge is known to about that.
    assert len(middles) > 30
    assert np.mean(np.abs(middles) < 2 * 0.17) > 0.95
    assert abs(np.mean(middles)) < 3 * 0.17 / np.sqrt(len(middles))
