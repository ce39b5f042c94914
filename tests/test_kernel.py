"""The kernel of all responses against published ordered regressions and written-out sums.

With a linear latent, unit scatter, coupons of one length and no misreading it is an ordered probit
regression, whose published likelihoods it has to give. Sources of the tables: tests/reference.
"""

from __future__ import annotations

import numpy as np
import pytest
from ordinal_cases import table
from scipy.stats import norm

from calib.fit.engine import systematic
from calib.fit.kernel import Latent, Readings, grade_chances, log_chances, log_likelihood
from calib.fit.numerics import normal_below


def plain(latent, cuts, grade, count) -> tuple[Latent, Readings]:
    n = len(grade)
    one = Latent(
        critical=np.asarray(latent, dtype=float)[None, :],
        scatter=np.ones(1),
        shared=np.zeros(1),
        cuts=np.asarray(cuts, dtype=float)[None, :],
    )
    return one, Readings(
        grade=np.asarray(grade, dtype=np.int64),
        count=np.asarray(count, dtype=float)[None, :],
        length=np.ones(n),
        ln_whole=np.zeros(n),
        misread=0.0,
    )


def test_beetles():
    """Bliss (1935): probit −34.935259 + 19.727934 log10 dose, deviance 10.119758 (recomputed)."""
    data = table("beetles.csv")
    latent = np.tile(19.727934 * data.log10_dose.to_numpy(), 2)
    grade = np.repeat([0, 1], len(data))
    count = np.r_[data.n - data.killed, data.killed].astype(float)
    model = plain(latent, [34.935259], grade, count)
    share = np.r_[1 - data.killed / data.n, data.killed / data.n]
    full = float(count[count > 0] @ np.log(share[count > 0]))
    found = float(log_likelihood(*model, np.zeros((1, 1)))[0, 0])
    assert 2.0 * (full - found) == pytest.approx(10.119758, abs=2e-6)


def test_wine():
    """Five grades: log-likelihood −85.761148 at the published estimate, and every chance."""
    data = table("wine.csv")
    latent = 1.499375 * (data.temp == "warm") + 0.867744 * (data.contact == "yes")
    cuts = [-0.773263, 0.736021, 2.044680, 2.941345]
    model = plain(latent.to_numpy(), cuts, data.rating - 1, np.ones(len(data)))
    found = float(log_likelihood(*model, np.zeros((1, 1)))[0, 0])
    assert found == pytest.approx(-85.761148, abs=1e-5)
    chances = grade_chances(model[0].critical, model[0].scatter, model[0].cuts)[:, 0]
    edges = norm.cdf(np.r_[-np.inf, cuts, np.inf][:, None] - latent.to_numpy())
    np.testing.assert_allclose(chances, np.diff(edges, axis=0), atol=1e-12)


@pytest.mark.parametrize("sessions", [2, 5])
def test_sessions_are_sums_over_what_each_shares(sessions):
    """A normal u of each session, summed finely here; misreading, a long path and defects too."""
    rng = np.random.default_rng(sessions)
    n = 6 * sessions
    critical, grade = 3.0 + 0.1 * rng.standard_normal(n), rng.integers(0, 3, n)
    group, length = np.arange(n) % sessions, np.where(np.arange(n) % 4 == 1, 3.0, 1.0)
    latent = Latent(
        critical=critical[None, :],
        scatter=np.array([0.05]),
        shared=np.array([0.04]),
        cuts=np.array([[-0.06, 0.0]]),
    )
    readings = Readings(
        grade=grade,
        count=(group == np.arange(sessions)[:, None]).astype(float),
        length=length,
        ln_whole=-0.02 * length,
        misread=0.01,
        lots=("",) * sessions,
    )
    alpha = np.array([2.9, 3.0, 3.13])
    u = np.linspace(-0.24, 0.24, 961)
    exact = np.zeros(3)
    for place, a in enumerate(alpha):
        for session in range(sessions):
            value = norm.pdf(u, 0, 0.04) * (u[1] - u[0])
            for row in np.flatnonzero(group == session):
                y = critical[row] - a + u
                through = (norm.cdf(y / 0.05) * np.exp(-0.02)) ** length[row]
                no = norm.cdf((-0.06 - y) / 0.05)
                chance = (no, np.maximum(1 - no - through, 0.0), through)[grade[row]]
                value = value * (0.99 * chance + 0.01 / 3)
            exact[place] += np.log(value.sum())
    found = log_likelihood(latent, readings, alpha[None, :])[0]
    np.testing.assert_allclose(found, exact, atol=0.01 * sessions)


def test_readings_alike_are_told_once_and_counted_by_session():
    """Eight distinct readings in three sessions against each reading as a row of its own."""
    rng = np.random.default_rng(8)
    count = rng.integers(0, 4, (3, 8)).astype(float)
    grade, critical = rng.integers(0, 3, 8), 3.0 + 0.1 * rng.standard_normal(8)
    length = np.where(np.arange(8) % 3 == 1, 2.5, 1.0)
    session, row = np.repeat(np.argwhere(count > 0), count[count > 0].astype(int), axis=0).T

    def told(which, times):
        latent = Latent(
            critical=np.tile(critical[which], (2, 1)),
            scatter=np.array([0.05, 0.08]),
            shared=np.array([0.04, 0.02]),
            cuts=np.array([[-0.06, 0.0], [-0.03, 0.0]]),
        )
        readings = Readings(
            grade=grade[which], count=times, length=length[which], ln_whole=-0.02 * length[which],
            misread=0.01, lots=("", "old", "old"), lot_scale=0.05,
        )  # fmt: skip
        return log_likelihood(latent, readings, np.tile(np.linspace(2.8, 3.2, 9), (2, 1)))

    apart = (session == np.arange(3)[:, None]).astype(float)
    np.testing.assert_allclose(told(np.arange(8), count), told(row, apart), rtol=1e-10)


def test_a_stair_counts_as_the_step_that_its_edge_lies_in():
    """By brute force: the sheet's edge, moved by what a stair has to itself, and one scatter."""
    steps, sigma, own, band = np.array([3.2, 3.1, 3.0, 2.9]), 0.05, 0.08, 0.06
    through = np.array([0, 1, 2, 3, 4])  # so many steps, from the strongest on
    latent = Latent(
        critical=steps[np.maximum(through - 1, 0)][None, :],
        scatter=np.array([sigma]),
        shared=np.zeros(1),
        cuts=np.array([[-band, 0.0]]),
        next_step=np.append(steps, -np.inf)[through][None, :],
    )
    readings = Readings(
        grade=np.where(through > 0, 2, 0), count=np.eye(5), length=np.ones(5), ln_whole=np.zeros(5),
        misread=0.0, stair=np.ones(5, dtype=bool), stair_sd=own,
    )  # fmt: skip
    found = np.exp(log_chances(latent, readings, np.array([[3.04]]))[:, 0, 0])
    rng = np.random.default_rng(5)
    edge = 3.04 + own * rng.standard_normal(400_000) + sigma * rng.standard_normal(400_000)
    brute = np.bincount((steps[:, None] > edge).sum(axis=0), minlength=5) / len(edge)
    np.testing.assert_allclose(found, brute, atol=0.003)
    np.testing.assert_allclose(found.sum(), 1.0, rtol=1e-12)


def test_the_quick_normal_distribution_is_the_exact_one():
    """Abramowitz and Stegun (1964), table 26.1, from memory; and SciPy's, all along and far out."""
    printed = np.array([[0.0, 0.5], [1.0, 0.8413447461], [2.0, 0.9772498681], [3.0, 0.9986501020]])
    np.testing.assert_allclose(normal_below(printed[:, 0]), printed[:, 1], rtol=0.0, atol=6e-11)
    x = np.append(np.linspace(-12.0, 12.0, 100_003), [-np.inf, -1e9, 1e9, np.inf])
    np.testing.assert_allclose(normal_below(x), norm.cdf(x), rtol=0.0, atol=1e-11)
    assert normal_below(x[:60].reshape(3, 4, 5)).shape == (3, 4, 5)


def test_rounding_does_not_choose_among_draws():
    """Shapes with the same nodes differ in their last bit, which no draw may hang on."""
    location = np.repeat(np.linspace(3.0, 4.0, 20), 50)
    weight = np.random.default_rng(2).random(1000)
    noise = np.random.default_rng(3).integers(-2, 3, 1000) * 2.0**-51
    expected = systematic(weight, location, 300)
    np.testing.assert_array_equal(systematic(weight, location + noise, 300), expected)
