"""What coarse posteriors gave before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from kept_results import same_as_kept
from scipy.special import ndtr
from scipy.stats import norm

from calib.fit import coarse
from calib.fit.coarse import Draws, Frame, Moments, Ordinal
from calib.fit.numerics import even_scores


def ordinal(
    grade: Sequence[int],
    at: Sequence[float],
    *,
    scatter: float = 0.1,
    steep: float = 0.3,
    cuts: Sequence[float] = (-0.2, 0.0),
    group: Sequence[int] | None = None,
    informed: tuple[int, ...] = (0, 1),
    location_prior: tuple[float, float, float] = (0.0, 0.5, 4.0),
    **more: object,
) -> Ordinal:
    """Readings at some critical locations that a first score stretches and a third shares out."""
    n = len(grade)
    given = {"count": np.ones(n), "power": np.ones(n), "ln_whole": np.zeros(n), **more}

    def frame_of(scores: np.ndarray) -> Frame:
        width = np.exp(0.3 * scores[:, 1])
        return Frame(
            critical=np.asarray(at) * np.exp(steep * scores[:, :1]) + 0.02 * scores[:, :1],
            scatter=scatter * width,
            shared=0.05 * np.exp(0.4 * scores[:, 2]),
            cuts=np.asarray(cuts) * width[:, None],
        )

    return Ordinal(
        dimensions=3,
        informed=informed,
        frame_of=frame_of,
        grade=np.asarray(grade, dtype=np.int64),
        group=np.zeros(n, dtype=np.int64) if group is None else np.asarray(group, dtype=np.int64),
        location_prior=location_prior,
        **{name: np.asarray(value, float) for name, value in given.items()},
    )


def few() -> Ordinal:
    return ordinal([0, 1, 2, 2], [-0.3, 0.05, 0.2, 0.6])


def long_paths() -> Ordinal:
    """Ten coupons in two sittings, then a path of seven coupons and one with defects."""
    return ordinal(
        [0, 2, 1, 2, 0, 1, 2, 2],
        [-0.3, 0.4, 0.1, 0.3, 0.0, 0.25, 0.5, 0.7],
        group=[0, 0, 0, 1, 1, 2, 2, 2],
        informed=(0, 1, 2),
        count=[1, 3, 2, 1, 2, 4, 1, 5],
        power=[1, 1, 1, 1, 7, 7, 7, 1],
        ln_whole=[0, 0, 0, 0, -0.2, -0.2, -0.2, -0.1],
    )


def tight() -> Ordinal:
    """Many readings close together: the pilot finds the weight at a few points only."""
    at = np.linspace(-0.9, 1.1, 40)
    return ordinal(
        (at > -0.02).astype(int) + (at > 0.06), at, scatter=0.02, steep=0.8, cuts=(-0.08, 0.0)
    )


def far_off() -> Ordinal:
    """All readings of the top grade, a prior far away: only the prior ends the location."""
    return ordinal([2, 2], [1.0, 1.2], location_prior=(-2.0, 0.6, 5.0))


CASES = {"few": few, "long_paths": long_paths, "tight": tight, "far_off": far_off}


@pytest.mark.usefixtures("double")
@pytest.mark.parametrize("name", CASES)
def test_a_coarse_posterior_is_what_it_was(name: str) -> None:
    data = CASES[name]()
    found = coarse.coarse_posterior(data)
    assert found.weight.sum() == pytest.approx(1.0)
    draws = coarse.score_draws(found, ("stretch", "width", "shared"))
    assert set(draws) == {("stretch", "width", "shared")[i] for i in data.informed}
    kept = {
        "posterior": found,
        "location": coarse.moments_of(found, found.location),
        "stretch": coarse.moments_of(found, found.scores[:, 0]),
        "draws": {n: (d.value @ d.weight, d.value**2 @ d.weight) for n, d in draws.items()},
        "draws of the location": coarse.draws_of(found, found.location),
        "range": coarse._range(data, coarse._placed(data, even_scores(8, len(data.informed)))),
    }
    same_as_kept(f"coarse_{name}", kept)


@pytest.mark.usefixtures("double")
def test_a_coarse_posterior_agrees_with_a_fine_grid() -> None:
    """One score and the location, integrated by brute force; exact normal chances."""
    data = replace(few(), informed=(0,))
    found = coarse.moments_of(w := coarse.coarse_posterior(data), w.location)
    score, location = np.linspace(-5, 5, 201), np.linspace(-4, 4, 1601)
    log_mass = norm.logpdf(score)[:, None] + coarse.log_student_t(location, 0.0, 0.5, 4.0)
    for grade, at in zip(data.grade, (-0.3, 0.05, 0.2, 0.6), strict=True):
        critical = at * np.exp(0.3 * score[:, None]) + 0.02 * score[:, None]
        edges = np.array([-np.inf, -0.2, 0.0, np.inf])[grade : grade + 2]
        low, high = (ndtr((edge - (critical - location)) / 0.1) for edge in edges)
        log_mass = log_mass + np.log(0.99 * (high - low) + 0.01 / 3)
    mass = np.exp(log_mass)
    mass /= mass.sum()
    mean = (mass * location).sum()
    sd = math.sqrt((mass * (location - mean) ** 2).sum())
    assert found.mean == pytest.approx(mean, abs=0.05 * sd)
    assert math.sqrt(found.variance) == pytest.approx(sd, rel=0.05)


@pytest.mark.usefixtures("double")
def test_chances_of_coupons_and_of_long_paths_are_what_they_were() -> None:
    data = long_paths()
    scores = even_scores(4, 3)
    points = coarse._Points(data, scores)
    location = points.centre[:, None] + np.linspace(-0.5, 0.6, 5)
    kept = {
        "low": points.low,
        "high": points.high,
        "centre": points.centre,
        "rows": [points.log_chances(location)[:, j] for j in range(4)],
        "likelihood": points.log_likelihood(location),
        "one sitting": coarse._Points(few(), scores).log_likelihood(location),
        "weighed": coarse._weigh(points, -0.4, 0.7),
        "weighed narrowly": coarse._weigh(points, -0.1, 0.1),
        "weighed widely": coarse._weigh(points, -3.0, 3.0),
    }
    same_as_kept("coarse_chances", kept)


@pytest.mark.usefixtures("double")
def test_a_path_of_many_coupons_drops_when_each_of_them_does() -> None:
    """And a defect, which no power mends, spoils it once more."""
    data = ordinal([2, 1, 0], [0.1, 0.1, 0.1], power=[7] * 3, ln_whole=[-0.3] * 3)
    rows = coarse._Points(data, np.zeros((1, 3))).log_chances(np.zeros((1, 1)))[:, 0, 0]
    drops = ndtr(0.1 / 0.1) ** 7 * math.exp(-0.3)
    not_cut = ndtr((-0.2 - 0.1) / 0.1)
    chance = np.array([drops, 1.0 - drops - not_cut, not_cut])
    assert np.exp(rows) == pytest.approx(0.99 * chance + 0.01 / 3, abs=1e-3)


@pytest.mark.usefixtures("double")
def test_a_short_path_that_hangs_where_its_chance_is_none_was_misread() -> None:
    """A third of a coupon, half a coupon's scatter below the edge: 0.31^(1/3) > 0.5."""
    data = ordinal([1], [-0.05], power=[1 / 3], cuts=(-0.05, 0.0))
    rows = coarse._Points(data, np.zeros((1, 3))).log_chances(np.zeros((1, 1)))
    assert np.exp(rows) == pytest.approx(0.01 / 3)


def test_three_nodes_average_over_what_a_sitting_shares() -> None:
    values = np.array([[np.arange(8.0), np.arange(8.0) ** 2], [np.ones(8), np.arange(8.0)[::-1]]])
    step = np.array([0.4, 1.3])
    found = coarse._averaged(values, step)
    # A straight line keeps its value, a square gains the variance; away from the ends.
    assert found[0, 0, 3:5] == pytest.approx([3.0, 4.0])
    assert found[0, 1, 3:5] == pytest.approx([9.0 + 1.3**2, 16.0 + 1.3**2], abs=0.1)
    assert found[1, 0] == pytest.approx(np.ones(8))
    kept = {"two": found, "one node": coarse._averaged(values[:, :, :1].repeat(2, 2), step)}
    same_as_kept("coarse_averaged", kept)


def test_the_fast_normal_distribution_is_close_to_the_exact_one() -> None:
    x = np.linspace(-9.0, 9.0, 37)
    assert coarse.below(x) == pytest.approx(ndtr(x), abs=2e-4)
    assert coarse.below(np.array([8.0])) == coarse.below(np.array([9.0]))
    same_as_kept("coarse_below", np.log(coarse.below(x)))


def test_what_the_next_pass_covers_is_what_it_was() -> None:
    drawn = even_scores(24, 3)
    weight = np.exp(-0.5 * (drawn[:, 0] - 1.0) ** 2 / 0.1)
    steps = np.linspace(-2.0, 2.0, 21)
    value = -np.array([[12.0], [40.0]]) * (steps - 0.05) ** 2
    kept = {
        "fitted": coarse._fitted(drawn, weight / weight.sum()),
        "deep": coarse._deep(steps, value, 1),
        "deep at the ends": coarse._deep(steps, 0.0 * value, 2),
    }
    same_as_kept("coarse_next_pass", kept)


def test_data_alone_and_prior_give_back_the_posterior() -> None:
    posterior, prior = Moments(mean=0.4, variance=0.2), Moments(mean=-0.1, variance=0.7)
    alone = posterior.without(prior)
    precision = 1.0 / alone.variance + 1.0 / prior.variance
    assert 1.0 / precision == pytest.approx(0.2)
    together = alone.mean / alone.variance + prior.mean / prior.variance
    assert together / precision == pytest.approx(0.4)
    # Data that add less than a hundredth to the prior's precision count for that much, at its mean.
    for wide in (0.6935, 0.7, 1.2):
        nearly = Moments(mean=0.4, variance=wide).without(prior)
        assert nearly == Moments(mean=-0.1, variance=pytest.approx(70.0))
    assert Moments(mean=0.4, variance=0.6929).without(prior).mean > 0.4


def told_draws() -> list[Draws]:
    """Scores seen high, low, not at all; with points of no weight; at both ends."""
    z = norm.ppf((np.arange(40) + 0.5) / 40)
    bumps = [np.exp(-0.5 * (z - 1.0) ** 2 / 0.5), np.exp(-0.5 * (z + 2.0) ** 2 / 0.05), 0.0 * z + 1]
    some = [Draws(value=z, weight=bump / bump.sum()) for bump in bumps]
    rest = Draws(value=z[20:], weight=np.where(z[20:] > 1.5, 0.0, 0.1))
    return [*some, rest, Draws(value=z, weight=np.where(np.abs(z) > 1.2, 0.1, 0.001))]


def test_what_draws_tell_gives_their_mean_and_variance_with_what_was_believed() -> None:
    """Unless they narrow next to nothing, or more than a board can."""
    rows = ((0.2, 0.8), (-0.5, 0.6), (0.3, 1.4), (0.0, 0.5), (0.1, 0.6))
    before = [Moments(mean=m, variance=v) for m, v in rows]
    draws = told_draws()
    told = coarse.told_by(draws, before)
    value = draws[0].value
    mass = draws[0].weight * norm.pdf(value, 0.2, math.sqrt(0.8)) / norm.pdf(value)
    mass /= mass.sum()
    mean = mass @ value
    variance = mass @ (value - mean) ** 2
    both = 1.0 / told[0].variance + 1.0 / 0.8
    assert 1.0 / both == pytest.approx(variance)
    assert (told[0].mean / told[0].variance + 0.2 / 0.8) / both == pytest.approx(mean)
    same_as_kept("coarse_told", told)
