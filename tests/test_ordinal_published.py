"""Ordinal probit against published fits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from ordinal_cases import SEPARATED, SIX, expected_information, table
from scipy.special import log_ndtr
from scipy.stats import norm

from calib.errors import NoFiniteEstimate
from calib.fit.ordinal import OrdinalProbit


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
