"""What ordinal probit is given: grades, weights, regressors, priors; and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from ordinal_cases import OVERLAPPING, PRIORS, SIX, everything, made_up

from calib.errors import InvalidRecord, NoFiniteEstimate
from calib.fit.ordinal import GaussianPrior, OrdinalProbit


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
def test_one_grade_only(prior):
    with pytest.raises(NoFiniteEstimate, match="only one class, grade 2"):
        OrdinalProbit(prior=prior).fit(SIX, [2] * 6)


@pytest.mark.parametrize("prior", [None, *PRIORS], ids=str)
@pytest.mark.parametrize(
    ("grades", "named"), [([0, 2, 0, 2, 0, 2], "grade 1"), ([0, 1, 0, 1, 4, 1], "grade 2, 3")]
)
def test_a_grade_never_seen_between_others(prior, grades, named):
    with pytest.raises(ValueError, match=f"no row of {named}, though"):
        OrdinalProbit(prior=prior).fit(SIX, grades)


def test_a_grade_seen_only_with_weight_zero_counts_as_never_seen():
    with pytest.raises(ValueError, match="no row of grade 1,"):
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
