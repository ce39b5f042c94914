"""Ordinal probit against a plain search for the maximum, and slopes against differences."""

from __future__ import annotations

import numpy as np
import pytest
from ordinal_cases import SEPARATED, SIX, made_up
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr
from scipy.stats import norm

from calib.fit.ordinal import GaussianPrior, OrdinalProbit
from calib.fit.ordinal_likelihood import (
    GaussianPenalised,
    GradedRows,
    JeffreysPenalised,
    Likelihood,
    log_chance_between,
)

# An independent maximum -----------------------------------------------------------------------


def naive_log_likelihood(X, y, weight, coef, cuts):
    """Log-likelihood from plain differences of the normal distribution function."""
    edge = np.r_[-np.inf, cuts, np.inf]
    score = X @ coef
    return float(weight @ np.log(ndtr(edge[y + 1] - score) - ndtr(edge[y] - score)))


def naive_fit(X, y, weight, penalty=lambda coef, cuts: 0.0):
    k, cuts = X.shape[1], y.max()

    def loss(free):
        rising = free[k] + np.r_[0.0, np.cumsum(np.exp(free[k + 1 :]))]
        with np.errstate(divide="ignore"):
            found = naive_log_likelihood(X, y, weight, free[:k], rising)
        return min(penalty(free[:k], rising) - found, 1e9)

    free = np.r_[np.zeros(k), -1.0, np.zeros(cuts - 1)]
    options = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 40000, "maxfev": 40000}
    for _ in range(4):
        free = minimize(loss, free, method="Nelder-Mead", options=options).x
    return np.r_[free[: k + 1], free[k] + np.cumsum(np.exp(free[k + 1 :]))]


@pytest.mark.parametrize("grades", [2, 3])
def test_maximum_agrees_with_a_plain_search(grades):
    X, y, weight = made_up(11, grades=grades)
    fit = OrdinalProbit().fit(X, y, weight)
    plain = naive_fit(X, y, weight)
    assert np.r_[fit.coef_, fit.cut_points_] == pytest.approx(plain, abs=1e-6)
    found = naive_log_likelihood(X, y, weight, fit.coef_, fit.cut_points_)
    assert fit.log_likelihood_ == pytest.approx(found, abs=1e-9)


def test_gaussian_prior_agrees_with_a_plain_search():
    X, y, weight = np.c_[SIX, SIX**2], np.array(SEPARATED), np.array([1.0, 2, 1, 1, 0.5, 3])
    sd = np.sqrt(np.average((X - np.average(X, axis=0, weights=weight)) ** 2, 0, weight))
    fit = OrdinalProbit(prior=GaussianPrior(effect_sd=(2.0, 1.0))).fit(X, y, weight)
    plain = naive_fit(X, y, weight, lambda coef, cuts: 0.5 * np.sum((coef * sd / [2.0, 1.0]) ** 2))
    assert np.r_[fit.coef_, fit.cut_points_] == pytest.approx(plain, abs=2e-6)


def test_jeffreys_prior_agrees_with_a_plain_search():
    X, y, weight = SIX, np.array([0, 0, 1, 1, 2, 2]), np.array([1.0, 2, 0.3, 0.1, 0.5, 3])

    def penalty(coef, cuts):
        z = cuts - X * coef  # (6, 2)
        chance = np.diff(ndtr(z), prepend=0.0, append=1.0)
        density = norm.pdf(z)
        information = 0.0
        for grade in range(3):
            slope = np.zeros((6, 3))  # of the chance of this grade, in (coef, cuts)
            for cut, sign in ((grade, 1.0), (grade - 1, -1.0)):
                if 0 <= cut < 2:
                    slope[:, 0] -= sign * density[:, cut] * X[:, 0]
                    slope[:, 1 + cut] += sign * density[:, cut]
            information = information + (slope.T * (weight / chance[:, grade])) @ slope
        log_det = np.log(np.linalg.det(information))
        return -0.5 * log_det - np.log(cuts[1] - cuts[0])

    fit = OrdinalProbit(prior="jeffreys").fit(X, y, weight)
    with np.errstate(all="ignore"):
        plain = naive_fit(X, y, weight, penalty)
    assert np.r_[fit.coef_, fit.cut_points_] == pytest.approx(plain, abs=2e-6)


def test_covariance_is_the_inverse_curvature_of_the_penalised_likelihood():
    X, y, weight = SIX, np.array(SEPARATED), np.array([1.0, 2, 1, 1, 0.5, 3])
    sd2 = np.cov(X[:, 0], aweights=weight, ddof=0)
    fit = OrdinalProbit(prior=GaussianPrior(effect_sd=2.0)).fit(X, y, weight)

    def value(p):
        return naive_log_likelihood(X, y, weight, p[:1], p[1:]) - p[0] ** 2 * sd2 / 8.0

    best = np.r_[fit.coef_, fit.cut_points_]
    # Error of the differences: step² x fourth derivative, here 3e-7, and rounding / step², 1e-7.
    covariance = np.linalg.inv(-second_differences(value, best, 1e-4))
    assert fit.covariance_ == pytest.approx(covariance, rel=1e-6)


def second_differences(value, at, step):
    unit = step * np.eye(len(at))
    return np.array([
        [sum(s * t * value(at + s * a + t * b) for s in (1, -1) for t in (1, -1)) for b in unit]
        for a in unit
    ]) / (4.0 * step**2)


# Derivatives and tails ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["plain", "gaussian", "jeffreys"])
@pytest.mark.parametrize("grades", [2, 3, 5])
def test_slope_and_information_equal_differences(kind, grades):
    X, y, weight = made_up(grades, n=25, grades=grades)
    rows = GradedRows(x=X, grade=y, weight=weight, grades=grades)
    problem = {
        "plain": Likelihood(rows),
        "gaussian": GaussianPenalised(rows, np.array([[2.0, 0.3], [0.3, 1.0]])),
        "jeffreys": JeffreysPenalised(rows),
    }[kind]
    theta = np.r_[0.7, -0.4, np.linspace(-1.1, 0.8, grades - 1)]
    unit = 1e-5 * np.eye(len(theta))
    slope = [(problem.value(theta + u) - problem.value(theta - u)) / 2e-5 for u in unit]
    assert problem.gradient(theta) == pytest.approx(np.array(slope), abs=1e-7)
    bend = [(problem.gradient(theta - u) - problem.gradient(theta + u)) / 2e-5 for u in unit]
    assert problem.information(theta) == pytest.approx(np.array(bend), abs=1e-6)


def test_expected_information_is_the_mean_of_the_observed():
    X, y, weight = made_up(5, n=12, grades=3)
    theta = np.array([0.7, -0.4, -0.6, 0.5])
    mean = 0.0
    for grade in range(3):
        rows = GradedRows(x=X, grade=np.full(12, grade), weight=weight, grades=3)
        problem = Likelihood(rows)
        chance = np.exp(problem.bands(theta).log_p)[:, grade]
        rows = GradedRows(x=X, grade=rows.grade, weight=weight * chance, grades=3)
        mean = mean + Likelihood(rows).information(theta)
    assert problem.expected_information(problem.bands(theta)) == pytest.approx(mean, rel=1e-10)


@pytest.mark.parametrize("low", [-300.0, -40.0, -8.0, -1.0, -0.003, 0.0, 0.5, 8.0, 40.0])
@pytest.mark.parametrize("width", [1e-12, 1e-6, 1e-3, 4.9e-3, 5.1e-3, 0.05, 0.1])
def test_log_chance_far_out_and_in_narrow_bands(low, width):
    high = low + width
    # Gauss-Legendre on the density, scaled by its value in the middle.
    nodes, weights = np.polynomial.legendre.leggauss(120)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    t = half * nodes
    truth = np.log(half * (weights @ np.exp(-t * (middle + 0.5 * t)))) + norm.logpdf(middle)
    found = log_chance_between(np.array([low]), np.array([high]))[0]
    assert found == pytest.approx(truth, abs=2e-11, rel=1e-13)
    mirrored = log_chance_between(np.array([-high]), np.array([-low]))[0]
    assert mirrored == found


@pytest.mark.parametrize(("low", "high"), [(-3.0, 1.0), (-9.0, 9.0), (-0.5, 8.0)])
def test_log_chance_of_wide_bands(low, high):
    found = log_chance_between(np.array([low]), np.array([high]))[0]
    assert found == pytest.approx(np.log1p(-ndtr(low) - ndtr(-high)), rel=1e-14)


def test_log_chance_with_one_end_open_or_nothing_between():
    low, high = np.array([-np.inf, 38.0, 1.0]), np.array([-38.0, np.inf, 1.0])
    found = log_chance_between(low, high)
    assert found[:2] == pytest.approx(log_ndtr(-38.0), rel=1e-15)
    assert found[2] == -np.inf
