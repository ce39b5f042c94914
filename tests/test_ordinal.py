"""Ordinal probit: published fits, separation, priors, invariances, scikit-learn's contract."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import OptimizeResult, minimize
from scipy.special import log_ndtr, ndtr
from scipy.stats import norm
from sklearn.base import clone
from sklearn.utils.estimator_checks import check_classifiers_train, check_estimator

from calib.errors import InvalidRecord, NoFiniteEstimate
from calib.fit.ordinal import GaussianPrior, OrdinalProbit
from calib.fit.ordinal_frame import is_separated
from calib.fit.ordinal_likelihood import (
    GaussianPenalised,
    GradedRows,
    JeffreysPenalised,
    Likelihood,
    log_chance_between,
)

REFERENCE = Path(__file__).parent / "reference"
SIX = np.arange(1.0, 7.0)[:, None]
SEPARATED = [0, 0, 0, 1, 1, 1]
OVERLAPPING = [0, 0, 1, 0, 1, 1]
PRIORS = [GaussianPrior(), GaussianPrior(effect_sd=100.0), "jeffreys"]


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCE / name)


def counted(x, n, yes):
    """Rows of a yes/no table: each level once as 0 and once as 1, with its count as weight."""
    x = np.asarray(x, dtype=float)
    grade = np.repeat([0, 1], len(x))
    return np.r_[x, x][:, None], grade, np.r_[n - yes, yes].astype(float)


def beetles():
    data = table("beetles.csv")
    return counted(data.log10_dose, data.n, data.killed)


def dosage():
    data = table("dosage.csv")
    return counted(np.log10(data.dose), data.n, data.response)


def deviance(fit, X, y, weight):
    """Twice what the fit lies below the one that gives every level its own share."""
    level = pd.Series(weight).groupby(X[:, 0]).transform("sum").to_numpy()
    seen = weight > 0
    full = float(weight[seen] @ np.log(weight[seen] / level[seen]))
    return 2.0 * (full - fit.log_likelihood_)


def expected_information(fit, X, weight):
    """Of (slope, cut point) for two grades, written out: Σ w φ² / (p q) (−x, 1)(−x, 1)'."""
    z = fit.cut_points_[0] - X[:, 0] * fit.coef_[0]
    w = weight * norm.pdf(z) ** 2 / (ndtr(z) * ndtr(-z))
    row = np.column_stack([-X[:, 0], np.ones(len(X))])
    return row.T @ (w[:, None] * row)


def fieller(fit, covariance, share, level=0.95):
    """Limits of the x at which P(y = 1) = share, by Fieller's theorem."""
    beta, cut = fit.coef_[0], fit.cut_points_[0] + norm.ppf(share)
    (v_bb, v_bc), (_, v_cc) = covariance
    z2 = norm.ppf(0.5 + level / 2) ** 2
    roots = np.roots([beta**2 - z2 * v_bb, -2 * (beta * cut - z2 * v_bc), cut**2 - z2 * v_cc])
    return np.sort(roots)


# Published values -----------------------------------------------------------------------------


def test_beetles():
    X, y, weight = beetles()
    fit = OrdinalProbit().fit(X, y, weight)
    assert fit.coef_ == pytest.approx([19.727934], rel=1e-6)
    assert fit.cut_points_ == pytest.approx([34.935259], rel=1e-6)
    assert np.sqrt(np.diag(fit.covariance_)) == pytest.approx([1.484058, 2.639504], rel=1e-6)
    published = [[2.202429, 3.915646], [3.915646, 6.966980]]
    assert fit.covariance_ == pytest.approx(np.array(published), rel=1e-6)
    assert fit.log_likelihood_ == pytest.approx(-185.679167, abs=1e-6)
    assert deviance(fit, X, y, weight) == pytest.approx(10.119758, rel=1e-6)


def test_beetles_expected_counts():
    data = table("beetles.csv")
    X, y, weight = beetles()
    chance = OrdinalProbit().fit(X, y, weight).predict_proba(data[["log10_dose"]].to_numpy())
    published = [3.36, 10.72, 23.48, 33.82, 49.62, 53.32, 59.66, 59.23]
    assert data.n.to_numpy() * chance[:, 1] == pytest.approx(published, abs=0.0051)


def test_beetles_covariance_is_the_observed_one_not_the_expected():
    X, y, weight = beetles()
    fit = OrdinalProbit().fit(X, y, weight)
    expected = np.linalg.inv(expected_information(fit, X, weight))
    assert np.sqrt(np.diag(expected)) == pytest.approx([1.487235, 2.647918], rel=1e-6)
    dose = fit.cut_points_[0] / fit.coef_[0]
    slope = np.array([-dose, 1.0]) / fit.coef_[0]
    assert dose == pytest.approx(1.7708524, abs=1e-7)
    assert np.sqrt(slope @ expected @ slope) == pytest.approx(0.0038033, abs=1e-7)


def test_dosage():
    X, y, weight = dosage()
    fit = OrdinalProbit().fit(X, y, weight)
    assert fit.coef_ == pytest.approx([3.418118], rel=1e-6)
    assert fit.cut_points_ == pytest.approx([1.812705], rel=1e-6)
    assert np.sqrt(np.diag(fit.covariance_)) == pytest.approx([0.745546, 0.449341], rel=2e-6)
    assert fit.covariance_[0, 1] == pytest.approx(0.311111, rel=2e-6)
    assert fit.log_likelihood_ == pytest.approx(-37.280388, abs=1e-6)
    assert deviance(fit, X, y, weight) == pytest.approx(4.638082, rel=1e-6)
    assert 10 ** (fit.cut_points_ / fit.coef_) == pytest.approx([3.390959], rel=1e-6)


def test_dosage_fieller_limits():
    X, y, weight = dosage()
    fit = OrdinalProbit().fit(X, y, weight)
    observed = 10 ** fieller(fit, fit.covariance_, 0.5)
    assert observed == pytest.approx([2.61175, 4.27138], rel=3e-6)
    expected = np.linalg.inv(expected_information(fit, X, weight))
    assert 10 ** fieller(fit, expected, 0.5) == pytest.approx([2.58620, 4.25766], rel=3e-6)
    assert 10 ** fieller(fit, expected, 0.9) == pytest.approx([5.94801, 15.69056], rel=3e-6)


NEYER = {
    13: (4.663161, 0.502228),
    14: (5.219593, 0.963757),
    15: (5.097236, 0.832893),
    16: (5.698293, 1.385090),
    17: (5.580842, 1.248755),
    18: (5.502026, 1.159321),
    19: (5.441653, 1.093216),
    20: (5.39218465, 1.04122504),
}


@pytest.mark.parametrize("count", NEYER)
def test_neyer(count):
    data = table("neyer.csv")
    fit = OrdinalProbit().fit(data[["level"]].to_numpy()[:count], data.result[:count])
    found = np.r_[fit.cut_points_ / fit.coef_, 1.0 / fit.coef_]
    assert found == pytest.approx(NEYER[count], abs=1e-6)
    # Converged: the score equations hold, here written for yes/no data alone.
    sign = 2 * data.result.to_numpy()[:count] - 1
    level = data.level.to_numpy()[:count]
    z = sign * (fit.coef_[0] * level - fit.cut_points_[0])
    pull = sign * np.exp(norm.logpdf(z) - log_ndtr(z))
    assert [pull.sum(), pull @ level] == pytest.approx([0.0, 0.0], abs=1e-12)
    if count < len(data):  # the paper prints on each row the fit to the rows before it
        printed = data.iloc[count, -2:].to_numpy(dtype=float)
        assert found == pytest.approx(printed, abs=6e-3)


def test_neyer_all_rows():
    data = table("neyer.csv")
    fit = OrdinalProbit().fit(data[["level"]].to_numpy(), data.result)
    assert fit.coef_ == pytest.approx([0.960407], abs=1e-6)
    assert fit.cut_points_ == pytest.approx([5.178693], abs=1e-6)
    assert np.sqrt(np.diag(fit.covariance_)) == pytest.approx([0.376451, 2.010450], abs=1e-6)
    assert fit.covariance_[0, 1] == pytest.approx(0.740361, abs=1e-6)
    assert -2.0 * fit.log_likelihood_ == pytest.approx(11.479525, abs=1e-6)


def test_neyer_first_rows_do_not_overlap():
    data = table("neyer.csv")
    level, result = data[["level"]].to_numpy(), data.result.to_numpy()
    with pytest.raises(NoFiniteEstimate, match="grades 0 to 1 are separated"):
        OrdinalProbit().fit(level[:10], result[:10])
    fit = OrdinalProbit().fit(level[:11], result[:11])
    assert np.isfinite(fit.covariance_).all()
    assert 4.2 < fit.cut_points_[0] / fit.coef_[0] < 4.4


def test_wine():
    data = table("wine.csv")
    X = np.column_stack([data.temp == "warm", data.contact == "yes"]).astype(float)
    fit = OrdinalProbit().fit(X, data.rating)
    assert fit.classes_.tolist() == [1, 2, 3, 4, 5]
    assert fit.coef_ == pytest.approx([1.499375, 0.867744], abs=1e-6)
    cuts = [-0.773263, 0.736021, 2.044680, 2.941345]
    assert fit.cut_points_ == pytest.approx(cuts, abs=1e-6)
    errors = [0.291790, 0.266907, 0.282862, 0.249939, 0.321821, 0.387259]
    assert np.sqrt(np.diag(fit.covariance_)) == pytest.approx(errors, abs=1e-6)
    assert fit.log_likelihood_ == pytest.approx(-85.761148, abs=1e-6)


def test_separated_under_jeffreys_prior():
    fit = OrdinalProbit(prior="jeffreys").fit(SIX, SEPARATED)
    assert fit.cut_points_ == pytest.approx([2.542233], abs=1e-6)
    assert fit.coef_ == pytest.approx([0.726352], abs=1e-6)
    expected = np.linalg.inv(expected_information(fit, SIX, np.ones(6)))
    assert np.sqrt(np.diag(expected)) == pytest.approx([0.480158, 1.801155], abs=1e-6)


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


def made_up(seed, n=60, k=2, grades=4):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, k))
    score = X @ np.linspace(1.0, -0.5, k) + rng.normal(size=n)
    y = np.digitize(score, np.linspace(-1.0, 1.0, grades - 1))
    return X, y, rng.uniform(0.2, 3.0, size=n)


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
    assert problem.expected_information(theta) == pytest.approx(mean, rel=1e-10)


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


# Separation -----------------------------------------------------------------------------------


def test_separated_grades_are_refused():
    with pytest.raises(NoFiniteEstimate, match="grades 0 to 1 are separated"):
        OrdinalProbit().fit(SIX, SEPARATED)


def test_touching_grades_are_refused_and_overlapping_ones_fitted():
    with pytest.raises(NoFiniteEstimate, match="grades 0 to 1 are separated"):
        OrdinalProbit().fit([[1.0], [2], [2], [3]], [0, 0, 1, 1])
    assert np.isfinite(OrdinalProbit().fit([[1.0], [2], [2], [3], [1]], [0, 0, 1, 1, 1]).coef_)


@pytest.mark.parametrize("overlap", [1e-7, 1e-8, 4e-9, 8e-10, 0.0, -4e-9, -1e-7])
def test_decision_between_overlap_and_gap_is_sharp(overlap):
    X = np.array([[0.0], [1.0 + overlap], [1.0], [2.0]])
    grade = np.array([0, 0, 1, 1])
    assert is_separated(X / 2.0, grade, 2) is (overlap < 1e-9)


def test_nearly_collinear_columns_are_not_taken_for_separated():
    x = np.linspace(-1.0, 1.0, 8)
    X = np.c_[x, x + 1e-11 * np.array([1, -1, -1, 1, 1, -1, -1, 1])]
    assert is_separated(X, np.array([0, 1, 0, 1, 1, 0, 1, 0]), 2) is False


def test_grades_that_the_program_can_not_decide_count_as_touching(monkeypatch):
    monkeypatch.setattr("calib.fit.ordinal_frame.linprog", lambda *_, **__: OptimizeResult(x=None))
    with pytest.raises(NoFiniteEstimate, match="grades 0 to 1 are separated"):
        OrdinalProbit().fit(SIX, OVERLAPPING)


def separated_in_one_column(x, y):
    """The grades follow one another along x, upwards or downwards."""
    ends = [(x[y == j].min(), x[y == j].max()) for j in range(y.max() + 1)]
    pairs = list(itertools.pairwise(ends))
    return all(a[1] <= b[0] for a, b in pairs) or all(a[0] >= b[1] for a, b in pairs)


def separated_in_two_columns(X, y):
    """Some direction, among those square to a difference, orders neighbouring grades."""
    gaps = np.array([
        b - a for j in range(y.max()) for a in X[y == j] for b in X[y == j + 1] if (a != b).any()
    ])
    square = np.concatenate([gaps @ turn for turn in ([[0, 1], [-1, 0]], [[0, -1], [1, 0]])])
    return bool((square @ gaps.T >= 0).all(axis=1).any())


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 2)), min_size=4, max_size=12))
def test_separation_in_one_column(cells):
    x, y = np.array(cells).T
    y = np.unique(y, return_inverse=True)[1]
    if y.max() == 0 or np.ptp(x) == 0:
        return
    assert is_separated(x[:, None] / 5.0, y, y.max() + 1) is separated_in_one_column(x, y)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(st.integers(-3, 3), st.integers(-3, 3), st.integers(0, 2)),
        min_size=5,
        max_size=14,
    )
)
def test_separation_in_two_columns(cells):
    table = np.array(cells)
    X, y = table[:, :2], np.unique(table[:, 2], return_inverse=True)[1]
    if y.max() == 0 or np.linalg.matrix_rank(X - X[0]) < 2:
        return
    assert is_separated(X / 6.0, y, y.max() + 1) is separated_in_two_columns(X, y)


@pytest.mark.parametrize("prior", PRIORS, ids=str)
@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    cells=st.lists(
        st.tuples(st.integers(0, 3), st.floats(-1, 1), st.integers(0, 2), st.integers(1, 40)),
        min_size=2,
        max_size=10,
    )
)
def test_a_prior_always_gives_a_finite_fit(prior, cells):
    table = np.array(cells)
    X, weight = table[:, :2], table[:, 3]
    y = np.unique(table[:, 2], return_inverse=True)[1]
    if y.max() == 0:
        return
    fit = OrdinalProbit(prior=prior).fit(X, y, weight)
    assert np.isfinite(np.r_[fit.coef_, fit.cut_points_, fit.covariance_.ravel()]).all()
    assert np.linalg.eigvalsh(fit.covariance_).min() > -1e-9 * fit.covariance_.max()
    assert (np.diff(fit.cut_points_) > 0).all()
    assert np.isfinite(fit.log_likelihood_)


@pytest.mark.parametrize("prior", PRIORS, ids=str)
def test_a_prior_draws_towards_no_effect(prior):
    X, y, weight = made_up(4)
    free, drawn = OrdinalProbit().fit(X, y, weight), OrdinalProbit(prior=prior).fit(X, y, weight)
    assert drawn.log_likelihood_ < free.log_likelihood_
    assert np.abs(drawn.coef_ - free.coef_).max() < 0.1
    many = OrdinalProbit(prior=prior).fit(X, y, 1e6 * weight)
    assert many.coef_ == pytest.approx(free.coef_, abs=1e-5)


# Collinear columns ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("columns", "named"),
    [
        (lambda x: [x, 2.0 * x + 1e5], "columns 0, 1 of X"),
        (lambda x: [x, x**2, x - 3 * x**2], "columns 0, 1, 2 of X"),
        (lambda x: [np.full(6, 0.1), x], "columns 0 of X"),
        (lambda x: [x, np.exp(x), np.full(6, -1e9)], "columns 2 of X"),
    ],
)
def test_collinear_columns_are_refused_by_name(columns, named):
    X = np.column_stack(columns(SIX[:, 0]))
    with pytest.raises(NoFiniteEstimate, match=f"{named} are collinear or constant"):
        OrdinalProbit().fit(X, OVERLAPPING)


def test_collinear_columns_are_named_as_the_table_names_them():
    X = pd.DataFrame({"power": SIX[:, 0], "watts": 0.6 * SIX[:, 0]})
    with pytest.raises(NoFiniteEstimate, match="columns power, watts of X"):
        OrdinalProbit().fit(X, OVERLAPPING)


def test_nearly_collinear_columns_are_fitted():
    x = np.array([100.0, 101, 102, 103, 104, 105, 106, 107])
    fit = OrdinalProbit().fit(np.c_[x, x**2], [0, 1, 0, 1, 1, 0, 1, 0])
    assert np.isfinite(fit.covariance_).all()


def test_collinear_columns_share_their_effect_under_a_gaussian_prior():
    X = np.c_[SIX, 10.0 * SIX, np.full(6, 4.0)]
    one = OrdinalProbit(prior=GaussianPrior(effect_sd=5.0 * np.sqrt(2.0))).fit(SIX, SEPARATED)
    fit = OrdinalProbit(prior=GaussianPrior(effect_sd=5.0)).fit(X, SEPARATED)
    assert fit.coef_ == pytest.approx(one.coef_[0] * np.array([0.5, 0.05, 0.0]), rel=1e-8)
    assert fit.predict_proba(X) == pytest.approx(one.predict_proba(SIX), abs=1e-9)
    # The data know nothing of the difference of the two effects: it keeps the prior's variance.
    difference = np.array([SIX.std(), -10.0 * SIX.std(), 0.0, 0.0])
    assert difference @ fit.covariance_ @ difference == pytest.approx(2 * 5.0**2, rel=1e-8)
    assert fit.covariance_[2, 2] == pytest.approx(5.0**2, rel=1e-8)


def test_collinear_columns_share_their_effect_as_their_prior_variances():
    X = np.c_[SIX, 10.0 * SIX]
    one = OrdinalProbit(prior=GaussianPrior(effect_sd=np.sqrt(10.0))).fit(SIX, SEPARATED)
    fit = OrdinalProbit(prior=GaussianPrior(effect_sd=(3.0, 1.0))).fit(X, SEPARATED)
    assert fit.coef_ == pytest.approx(one.coef_[0] * np.array([0.9, 0.01]), rel=1e-8)
    total = np.array([1.0, 10.0, 0.0])
    assert total @ fit.covariance_ @ total == pytest.approx(one.covariance_[0, 0], rel=1e-8)
    assert fit.covariance_[2, 2] == pytest.approx(one.covariance_[1, 1], rel=1e-8)


def test_collinear_columns_share_their_effect_under_jeffreys_prior():
    one = OrdinalProbit(prior="jeffreys").fit(SIX, SEPARATED)
    fit = OrdinalProbit(prior="jeffreys").fit(np.c_[SIX, 10.0 * SIX, np.full(6, 4.0)], SEPARATED)
    assert fit.coef_ == pytest.approx(one.coef_[0] * np.array([0.5, 0.05, 0.0]), rel=1e-8)
    assert fit.covariance_[3:, 3:] == pytest.approx(one.covariance_[1:, 1:], rel=1e-6)


def test_only_a_constant_column_leaves_the_shares_of_the_grades():
    fit = OrdinalProbit(prior=GaussianPrior()).fit(np.full((8, 1), 3.0), [0, 0, 0, 0, 1, 1, 2, 2])
    assert fit.coef_.tolist() == [0.0]
    assert fit.predict_proba([[3.0]]) == pytest.approx(np.array([[0.5, 0.25, 0.25]]), abs=1e-9)


# Invariances ----------------------------------------------------------------------------------


def everything(fit):
    return np.r_[fit.coef_, fit.cut_points_, fit.covariance_.ravel(), fit.log_likelihood_]


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


# What is given --------------------------------------------------------------------------------


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
def test_one_grade_only(prior):
    with pytest.raises(NoFiniteEstimate, match="only one class, grade 2"):
        OrdinalProbit(prior=prior).fit(SIX, [2] * 6)


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
@pytest.mark.parametrize(
    ("grades", "named"), [([0, 2, 0, 2, 0, 2], "grade 1 is"), ([0, 1, 0, 1, 4, 1], "grade 2, 3 is")]
)
def test_a_grade_never_seen_between_others(prior, grades, named):
    with pytest.raises(ValueError, match=f"{named} never seen"):
        OrdinalProbit(prior=prior).fit(SIX, grades)


def test_a_grade_seen_only_with_weight_zero_counts_as_never_seen():
    with pytest.raises(ValueError, match="grade 1 is never seen"):
        OrdinalProbit().fit(SIX, [0, 2, 1, 0, 2, 0], [1, 1, 0, 1, 1, 1])


def test_grades_that_begin_above_zero_keep_their_names():
    fit = OrdinalProbit().fit(SIX, np.array(OVERLAPPING) + 3)
    assert fit.classes_.tolist() == [3, 4]
    assert fit.predict([[-9.0], [9.0]]).tolist() == [3, 4]


@pytest.mark.parametrize("kind", [float, bool, object, "Int64"])
def test_grades_of_other_number_types(kind):
    y = pd.Series(OVERLAPPING).astype(kind)
    assert everything(OrdinalProbit().fit(SIX, y)).tolist() == pytest.approx(
        everything(OrdinalProbit().fit(SIX, OVERLAPPING)).tolist()
    )


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (1.5, r"y holds 1\.5: grades are whole numbers"),
        (-1, "y holds -1: grades are whole numbers from 0"),
        (np.nan, "y contains NaN"),
        ("brown", "y holds 'brown': grades are whole numbers in their order"),
        (None, "y holds None: grades are whole numbers in their order"),
    ],
)
def test_values_that_are_no_grades(bad, said):
    y = [*OVERLAPPING[:5], bad]
    with pytest.raises(ValueError, match=said):
        OrdinalProbit().fit(SIX, np.array(y, dtype=object) if bad in ("brown", None) else y)


@pytest.mark.parametrize(
    ("weight", "said"),
    [
        ([1, 1, 1, 1, 1, -2], "sample_weight holds -2"),
        ([0] * 6, "every weight is zero"),
        ([1, 1], r"shape \(2,\): give one weight for each of the 6 rows"),
        ([1, 1, 1, 1, 1, np.nan], "sample_weight contains NaN"),
    ],
)
def test_weights_that_can_not_be(weight, said):
    with pytest.raises(ValueError, match=said):
        OrdinalProbit().fit(SIX, OVERLAPPING, weight)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_regressors_that_were_not_read(bad):
    X = SIX.copy()
    X[3] = bad
    with pytest.raises(ValueError, match="X contains (NaN|infinity)"):
        OrdinalProbit().fit(X, OVERLAPPING)
    with pytest.raises(ValueError, match="X contains (NaN|infinity)"):
        OrdinalProbit().fit(SIX, OVERLAPPING).predict_proba(X)


@pytest.mark.parametrize("prior", ["flat", 3.0, GaussianPrior])
def test_priors_that_are_none(prior):
    with pytest.raises(ValueError, match=r"give None, GaussianPrior\(\) or 'jeffreys'"):
        OrdinalProbit(prior=prior).fit(SIX, OVERLAPPING)


@pytest.mark.parametrize("sd", [0.0, -1.0, np.nan, 1e3, True, "5", (1.0, 0.0)])
def test_prior_scales_that_can_not_be(sd):
    with pytest.raises(InvalidRecord, match=r"effect_sd is .*: give a number from 0\.01 to 100"):
        GaussianPrior(effect_sd=sd)


def test_one_prior_scale_for_each_column():
    with pytest.raises(ValueError, match="holds 2 values, but X has 1 columns"):
        OrdinalProbit(prior=GaussianPrior(effect_sd=(1.0, 2.0))).fit(SIX, OVERLAPPING)


def test_data_that_doubles_can_not_resolve_are_refused():
    # They overlap, but by way of two rows that weigh 1e-15 of the others, far out.
    x, y, weight = [-0.1, -3.0, 16000.0, -70000.0], [0, 1, 0, 0], [1e7, 1e8, 1e-7, 1e-6]
    with pytest.raises(NoFiniteEstimate, match="grades 0 to 1 can't be computed in double"):
        OrdinalProbit().fit(np.array(x)[:, None], y, weight)


def test_a_cut_point_hardly_known_is_finite_and_says_so():
    # Grade 2 lies beyond all others once the overlap of 0 and 1 has set the slope.
    x = np.array([[0.0], [0.1], [0.2], [0.3], [1.0], [1.1], [6.0]])
    fit = OrdinalProbit().fit(x, [0, 0, 1, 0, 1, 1, 2])
    assert np.isfinite(fit.covariance_).all()
    assert fit.covariance_[2, 2] > 100 * fit.covariance_[1, 1]


def test_far_settings_have_chances_that_sum_to_one():
    fit = OrdinalProbit().fit(*made_up(9)[:2])
    far = np.array([[1e6, 0.0], [-1e6, 0.0], [1e200, 1e200], [0.0, 0.0]])
    chance = fit.predict_proba(far)
    assert chance.sum(axis=1) == pytest.approx(np.ones(4), abs=1e-12)
    assert fit.predict(far[:2]).tolist() == [3, 0]


def test_clone_keeps_the_prior():
    assert clone(OrdinalProbit(prior=GaussianPrior(effect_sd=2.0))).prior.effect_sd == 2.0


# scikit-learn's contract ----------------------------------------------------------------------

NOMINAL = {
    "check_classifiers_classes": "labels are words and -1/1: grades are numbered in their order",
    "check_classifiers_train": "asks for 83 % right on three clouds that lie in no order",
}
NO_ESTIMATE = dict.fromkeys(
    [
        "check_dict_unchanged",
        "check_dont_overwrite_parameters",
        "check_estimators_pickle",
        "check_f_contiguous_array_estimator",
        "check_fit2d_1feature",
        "check_fit2d_predict1d",
        "check_methods_sample_order_invariance",
        "check_methods_subset_invariance",
        "check_pipeline_consistency",
        "check_sample_weights_not_overwritten",
        "check_sample_weights_shape",
    ],
    "fits grades that its X separates: no finite estimate exists",
) | {
    "check_sample_weight_equivalence_on_dense_data": "fits 30 columns to 15 rows: collinear",
}
CAUSES = {
    "check_classifiers_classes": "y holds .*'one'.*: grades are whole numbers",
    "check_classifiers_train": "^$",  # the bare assertion on the share that is right
    **dict.fromkeys(NO_ESTIMATE, "separated|collinear"),
}


@pytest.mark.parametrize(
    ("prior", "failing"),
    [
        (None, NOMINAL | NO_ESTIMATE),
        (GaussianPrior(), NOMINAL),
        ("jeffreys", NOMINAL),
    ],
    ids=["none", "gaussian", "jeffreys"],
)
def test_scikit_learn_checks(prior, failing):
    results = check_estimator(
        OrdinalProbit(prior=prior), expected_failed_checks=failing, on_fail=None, on_skip=None
    )
    broken = [(r["check_name"], str(r["exception"])) for r in results if r["status"] == "failed"]
    assert broken == []
    # Strict: a listed check that passes, or fails for another reason, is news as well.
    listed = [r for r in results if r["expected_to_fail"]]
    assert {r["check_name"] for r in listed} == set(failing)
    for result in listed:
        assert result["status"] == "xfail", result["check_name"]
        with pytest.raises(Exception, match=CAUSES[result["check_name"]]):
            raise result["exception"]
    skipped = {r["check_name"] for r in results if r["status"] == "skipped"}
    assert skipped <= {"check_array_api_input"}


class Unscored(OrdinalProbit):
    """The same, declared a poor judge of classes in no order."""

    def __sklearn_tags__(self):
        tags = super().__sklearn_tags__()
        tags.classifier_tags.poor_score = True
        return tags


@pytest.mark.parametrize("prior", [None, GaussianPrior(), "jeffreys"], ids=str)
def test_training_check_fails_by_its_score_alone(prior):
    check_classifiers_train("Unscored", Unscored(prior=prior))
