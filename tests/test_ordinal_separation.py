"""Ordinal probit on separated grades and collinear columns: refused, or fitted with a prior."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ordinal_cases import OVERLAPPING, PRIORS, SEPARATED, SIX, made_up
from scipy.optimize import OptimizeResult

from calib.errors import NoFiniteEstimate
from calib.fit.ordinal import GaussianPrior, OrdinalProbit
from calib.fit.ordinal_frame import is_separated

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
