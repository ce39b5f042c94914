"""The cut posterior against brute-force quadrature, its own prior, and simple mathematics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_jobs import BENCH as MACHINE
from scipy import integrate, stats

from calib.fit.fits import fit as fit_response
from calib.fit.kernel import log_likelihood
from calib.fit.model import coupon_chance, job_chance, problem_of, settings_of, shape_of
from calib.fit.numerics import even_scores
from calib.fit.priors import MISREAD, CutPrior
from calib.records import Burn

PRIOR = CutPrior(location=math.log(36.0), speed0_mm_s=24.0)
# An evening of 18 cuts as a plan gives them, with one result that contradicts the rest.
EVENING = (
    (80, 14.0, "through"),
    (80, 26.0, "through"),
    (80, 59.0, "no"),
    (80, 94.0, "no"),
    (40, 9.0, "through"),
    (40, 24.0, "no"),
    (68, 33.0, "hanging"),
    (40, 15.0, "through"),
    (80, 43.0, "no"),
    (80, 33.0, "through"),
    (80, 46.0, "no"),
    (40, 13.0, "through"),
    (80, 37.0, "through"),
    (40, 17.0, "no"),
    (80, 36.0, "through"),
    (80, 36.0, "hanging"),
    (68, 28.0, "through"),
    (40, 17.0, "no"),
)


def burns(rows=EVENING, **extra) -> list[Burn]:
    return [
        Burn(operation="cut", power_pct=p, speed_mm_s=v, through=t, **extra) for p, v, t in rows
    ]


def fit_cut(machine, burnt, prior):
    return fit_response(machine, burnt, prior, "cut")


def settings_at(power, speed):
    speed = np.asarray(speed, dtype=float)
    columns = [np.full(len(speed), float(power)), speed, np.ones(len(speed))]
    return settings_of(MACHINE, columns, PRIOR, "cut")


def chances(fit, power, speed) -> np.ndarray:
    return coupon_chance(fit.here, settings_at(power, speed))


def brute_force(rows, settings, sizes=(20, 12, 14, 14), alphas=110) -> np.ndarray:
    """Chances by the trapezoidal rule on a tensor grid; shares no code with the library.

    The model is written out again from its definition, with scipy.stats' distributions.
    """
    f = np.linspace(0.002, 0.75, sizes[0])
    k = 1.0 + 0.1 * np.linspace(-4, 4, sizes[1])
    sigma = np.exp(PRIOR.scatter_ln + PRIOR.scatter_ln_sd * np.linspace(-4, 4, sizes[2]))
    delta = np.exp(PRIOR.band_ln + PRIOR.band_ln_sd * np.linspace(-3.5, 3.5, sizes[3]))
    grid = [g.ravel() for g in np.meshgrid(f, k, sigma, delta, indexing="ij")]
    prior = (
        stats.beta.pdf(grid[0], 3, 12)
        * stats.norm.pdf(grid[1], 1, 0.1)
        * stats.norm.pdf(np.log(grid[2]), PRIOR.scatter_ln, PRIOR.scatter_ln_sd)
        * stats.norm.pdf(np.log(grid[3]), PRIOR.band_ln, PRIOR.band_ln_sd)
    )
    alpha = np.linspace(3.2, 4.2, alphas)
    mass = np.zeros(len(alpha))
    total = np.zeros(len(settings))
    for start in range(0, len(prior), 2000):
        piece = slice(start, start + 2000)
        pf, pk, ps, pd = (g[piece, None] for g in grid)
        log_like = np.zeros((len(pf), len(alpha)))
        for pct, v, outcome in rows:
            edge = np.log(60.0) + pk * np.log(pct / 100) - np.log(pf + (1 - pf) * v / 24.0)
            through = stats.norm.cdf((edge - alpha) / ps)
            no = stats.norm.cdf((alpha - edge - pd) / ps)
            chance = {"through": through, "no": no, "hanging": 1 - through - no}[outcome]
            log_like += np.log((1 - MISREAD) * chance + MISREAD / 3)
        weight = (
            prior[piece, None]
            * np.exp(log_like)
            * stats.t.pdf((alpha - PRIOR.location) / PRIOR.location_scale, 4)
        )
        mass += weight.sum(axis=0)
        for i, (power, v) in enumerate(settings):
            edge = np.log(60.0) + pk * np.log(power / 100) - np.log(pf + (1 - pf) * v / 24.0)
            total[i] += (weight * stats.norm.cdf((edge - alpha) / ps)).sum()
    # The grid of α must hold the posterior.
    assert mass[[0, -1]].max() < 1e-5 * mass.max()
    return total / mass.sum()


def test_agrees_with_brute_force_quadrature():
    """Relative 1e-3 on chances above a half, absolute 1e-3 on all, at full and at half power."""
    settings = [(40.0, v) for v in (10.0, 12.0, 13.5, 15.0, 17.0)]
    settings += [(80.0, v) for v in (24.0, 29.0, 32.0, 36.0, 41.0)]
    exact = brute_force(EVENING, settings)
    fit = fit_cut(MACHINE, burns(), PRIOR)
    found = np.concatenate([chances(fit, power, [v]) for power, v in settings])
    np.testing.assert_allclose(found, exact, rtol=0, atol=1e-3)
    likely = exact > 0.5
    assert likely.sum() == 8
    np.testing.assert_allclose(found[likely], exact[likely], rtol=1e-3)


def test_without_burns_it_is_the_prior():
    """Plain Monte Carlo from the prior, drawn here with scipy.stats."""
    rng = np.random.default_rng(5)
    n = 400_000
    alpha = PRIOR.location + 0.4 * rng.standard_t(4, n)
    f, k = rng.beta(3, 12, n), rng.normal(1, 0.1, n)
    sigma = np.exp(rng.normal(PRIOR.scatter_ln, 0.4, n))
    fit = fit_cut(MACHINE, [], PRIOR)
    for power, v in ((80.0, 10.0), (80.0, 35.0), (40.0, 20.0)):
        edge = np.log(60) + k * np.log(power / 100) - np.log(f + (1 - f) * v / 24.0)
        drawn = stats.norm.cdf((edge - alpha) / sigma).mean()
        assert chances(fit, power, [v])[0] == pytest.approx(drawn, abs=0.004)


def test_few_burns_around_an_edge_that_is_sharp():
    """Plain Monte Carlo: the posterior is narrow, and misreadings leave a little of it far out."""
    rows = ((80, 20.0, "through"), (80, 22.0, "through"), (80, 23.0, "hanging"), (80, 25.0, "no"))
    prior = replace(PRIOR, scatter_ln_sd=0.6)
    rng = np.random.default_rng(6)
    speeds, total, mass = np.array([14.0, 16.0, 18.0, 20.0]), np.zeros(4), 0.0
    for _ in range(10):
        n = 100_000
        alpha = prior.location + 0.4 * rng.standard_t(4, n)
        f, k = rng.beta(3, 12, n), rng.normal(1, 0.1, n)
        sigma = np.exp(rng.normal(prior.scatter_ln, 0.6, n))
        delta = np.exp(rng.normal(prior.band_ln, 0.6, n))

        def reach(pct, v, f=f, k=k, alpha=alpha):
            return np.log(60) + k * np.log(pct / 100) - np.log(f + (1 - f) * v / 24.0) - alpha

        weight = np.ones(n)
        for pct, v, outcome in rows:
            through = stats.norm.cdf(reach(pct, v) / sigma)
            no = stats.norm.cdf((-reach(pct, v) - delta) / sigma)
            chance = {"through": through, "no": no, "hanging": 1 - through - no}[outcome]
            weight *= (1 - MISREAD) * chance + MISREAD / 3
        mass += weight.sum()
        total += [weight @ stats.norm.cdf(reach(80, v) / sigma) for v in speeds]
    found = chances(fit_cut(MACHINE, burns(rows), prior), 80.0, speeds)
    np.testing.assert_allclose(found, total / mass, rtol=0, atol=0.003)


def test_order_of_burns_does_not_matter():
    shuffled = [burns()[i] for i in np.random.default_rng(1).permutation(len(EVENING))]
    first = chances(fit_cut(MACHINE, burns(), PRIOR), 80.0, [30.0, 36.0])
    again = chances(fit_cut(MACHINE, shuffled, PRIOR), 80.0, [30.0, 36.0])
    np.testing.assert_array_equal(first, again)


def test_count_two_is_two_burns():
    twice = burns() + burns()
    counted = burns(count=2)
    np.testing.assert_array_equal(
        chances(fit_cut(MACHINE, twice, PRIOR), 80.0, [30.0, 36.0]),
        chances(fit_cut(MACHINE, counted, PRIOR), 80.0, [30.0, 36.0]),
    )


def test_chance_rises_with_power_and_falls_with_speed():
    fit = fit_cut(MACHINE, burns(), PRIOR)
    by_speed = chances(fit, 80.0, np.geomspace(5, 90, 30))
    assert (np.diff(by_speed) <= 1e-12).all()
    by_power = [chances(fit, p, [30.0])[0] for p in range(35, 81, 5)]
    assert (np.diff(by_power) >= -1e-12).all()


@pytest.mark.parametrize("outcome", ["through", "no"])
def test_one_sided_boards_stay_finite_and_lean_the_right_way(outcome):
    rows = [(80, v, outcome) for v in (10.0, 20.0, 40.0)]
    prior = chances(fit_cut(MACHINE, [], PRIOR), 80.0, [40.0])[0]
    found = chances(fit_cut(MACHINE, burns(rows), PRIOR), 80.0, [40.0])[0]
    assert 0.0 < found < 1.0
    assert (found > prior) == (outcome == "through")


def test_a_misreading_does_not_wreck_the_fit():
    """One impossible result moves the edge by less than the scatter, not to the far side."""
    wrong = burns([*EVENING, (80, 14.0, "no")])
    clean = chances(fit_cut(MACHINE, burns(), PRIOR), 80.0, [30.0])[0]
    dirty = chances(fit_cut(MACHINE, wrong, PRIOR), 80.0, [30.0])[0]
    assert clean - dirty < 0.03


def test_a_job_is_less_sure_than_its_coupons_and_surer_than_their_power():
    """E[p^n] lies between E[p]^n (Jensen) and E[p]."""
    fit = fit_cut(MACHINE, burns(), PRIOR)
    at = settings_at(80.0, [30.0])
    coupon, job = coupon_chance(fit.here, at)[0], job_chance(fit.here, at, 40.0)[0]
    assert coupon**40 < job < coupon


def test_the_next_sheet_is_less_sure_and_equal_on_the_edge():
    fit = fit_cut(MACHINE, burns(), PRIOR)
    at = settings_at(80.0, [30.0, 60.0])
    here, elsewhere = coupon_chance(fit.here, at), coupon_chance(fit.elsewhere, at)
    assert elsewhere[0] < here[0]
    assert elsewhere[1] > here[1]


def test_sessions_that_disagree_widen_the_next_sheet():
    """The same burns in two sessions whose edges lie apart teach that sessions differ."""
    one = burns(EVENING, session="monday")
    slower = [(p, round(v * 0.85, 1), t) for p, v, t in EVENING]
    together = fit_cut(MACHINE, one + burns(slower, session="tuesday"), PRIOR)
    same = fit_cut(MACHINE, one + burns(EVENING, session="tuesday"), PRIOR)
    assert together.learned["shared"] != pytest.approx(1.0, abs=0.02)
    mean_shared = {
        name: float(fit.elsewhere.weight @ fit.elsewhere.shape.shared)
        for name, fit in (("apart", together), ("same", same))
    }
    assert mean_shared["apart"] > mean_shared["same"]


def test_a_job_shares_its_session():
    """The likelihood of 38 + 2 parts is the integral of their product over what they share.

    Independent parts would have the product itself, which is far smaller off the edge.
    """
    job = {"power_pct": 80.0, "speed_mm_s": 33.0, "source": "job", "session": "monday"}
    evening = [
        Burn(operation="cut", power_pct=80.0, speed_mm_s=30.0, through="through"),
        Burn(operation="cut", through="through", count=38, **job),
        Burn(operation="cut", through="hanging", count=2, **job),
    ]
    problem, _ = problem_of(MACHINE, evening, PRIOR, "cut")
    shape = shape_of(np.zeros((1, 6)), PRIOR)
    sigma, band, tau = (float(getattr(shape, n)[0]) for n in ("scatter", "band", "shared"))
    f, alpha = float(shape.floor[0]), 3.65

    def margin(v: float, u: float) -> float:
        return math.log(48.0) - math.log(f + (1 - f) * v / 24.0) - alpha + u

    def seen(chance: float) -> float:
        return (1 - MISREAD) * chance + MISREAD / 3

    def board(u: float) -> float:
        return seen(stats.norm.cdf(margin(30.0, u) / sigma))

    def whole_job(u: float) -> float:
        through = stats.norm.cdf(margin(33.0, u) / sigma)
        no = stats.norm.cdf((-band - margin(33.0, u)) / sigma)
        return seen(through) ** 38 * seen(1 - through - no) ** 2

    exact = sum(
        math.log(
            integrate.quad(lambda u, part=part: part(u) * stats.norm.pdf(u, 0, tau), -0.4, 0.4)[0]
        )
        for part in (board, whole_job)
    )
    latent = problem.latent_of(np.zeros((1, 6)))
    found = float(log_likelihood(latent, problem.readings, np.array([[alpha]]))[0, 0])
    assert found == pytest.approx(exact, abs=0.02)
    assert found > math.log(board(0.0) * whole_job(0.0)) + 1.0


def test_defects_do_not_move_the_edge():
    """A knotty sheet: hanging coupons far inside the region are put down to knots."""
    knotty = burns([*EVENING, (80, 14.0, "hanging"), (80, 14.0, "hanging")])
    told = replace(PRIOR, defects_per_m=1.0)
    blind = chances(fit_cut(MACHINE, knotty, PRIOR), 80.0, [30.0])[0]
    aware = chances(fit_cut(MACHINE, knotty, told), 80.0, [30.0])[0]
    assert aware > blind


def test_what_was_learned():
    """Six shape parameters and the edge: the edge is learned, the passes are not."""
    learned = fit_cut(MACHINE, burns(), PRIOR).learned
    assert set(learned) == {"edge", "floor", "exponent", "scatter", "band", "passes", "shared"}
    assert learned["edge"] < 0.15
    assert 0.4 < learned["scatter"] < 1.0
    assert learned["passes"] == pytest.approx(1.0, abs=0.02)


def test_unread_and_foreign_burns_are_left_out():
    extra = [
        Burn(operation="cut", power_pct=80.0, speed_mm_s=1.0),
        Burn(operation="line_mark", power_pct=12.0, speed_mm_s=200.0, mark=2),
    ]
    assert fit_cut(MACHINE, [*burns(), *extra], PRIOR).readings == len(EVENING)


@pytest.mark.parametrize("d", [1, 4, 6, 8])
def test_even_scores_fill_a_normal(d):
    """Mean 0, variance 1 and the share beyond ± 1 of a standard normal."""
    scores = even_scores(4096, d)
    np.testing.assert_allclose(scores.mean(axis=0), 0.0, atol=2e-3)
    np.testing.assert_allclose(scores.var(axis=0), 1.0, atol=1e-2)
    np.testing.assert_allclose((scores > 1).mean(axis=0), 1 - stats.norm.cdf(1), atol=2e-3)
