"""The pushes of a whole job: the chance of each part, the pushes, one per cent of speed."""

import math

import numpy as np
import pytest
from bench_jobs import BENCH, CUT, PANEL_SETTINGS, Stub, panel
from scipy import stats

from calib.jobs.job import plain_job
from calib.jobs.job_time import CutTimes, job_time_s
from calib.jobs.pushes import job_pushes, pushes_interval
from calib.records import COUPON_CUT_MM, Setting


def test_the_promise_of_a_job_by_hand():
    job = plain_job(100 * COUPON_CUT_MM, 20)
    found = job_pushes(Stub(), job, CUT)
    assert found.places == pytest.approx(100.0)
    assert found.chance_coupon == pytest.approx(0.98)
    assert found.expected_pushes == pytest.approx(2.0)
    assert found.chance_no_push == pytest.approx((1 + 0.99**100 + 0.95**100) / 3)
    defects = 0.5 * 100 * COUPON_CUT_MM / 1000.0
    assert found.expected_defects == pytest.approx(defects)
    assert found.chance_no_help == pytest.approx(found.chance_no_push * math.exp(-defects))
    low, high = stats.poisson.ppf([0.05, 0.95], defects)
    assert found.defects_interval == (low, high)
    assert "About 2.0 places of 100" in found.notes[0]
    assert "counted apart" in found.notes[1]


def test_one_per_cent_of_speed():
    found = job_pushes(Stub(), plain_job(100 * COUPON_CUT_MM, 20), CUT)
    slower, same, faster = found.changes
    assert (slower.change_pct, same.change_pct, faster.change_pct) == (-1.0, 0.0, 1.0)
    assert slower.speed_mm_s == pytest.approx(19.8)
    assert slower.expected_pushes == pytest.approx(1.98)
    assert faster.expected_pushes == pytest.approx(2.02)
    assert slower.minutes > same.minutes > faster.minutes
    assert same.minutes == found.minutes
    at_the_top = job_pushes(
        Stub(), plain_job(1000.0), Setting(power_pct=60.0, speed_mm_s=BENCH.max_speed_mm_s)
    )
    assert [c.change_pct for c in at_the_top.changes] == [-1.0, 0.0]


@pytest.mark.parametrize("places", [20, 150, 900])
@pytest.mark.parametrize("centre", [0.002, 0.02, 0.2])
def test_the_interval_against_counts_drawn_from_a_doubtful_chance(places, centre):
    """Φ⁻¹(q) normal, as a fit gives it; whole numbers can't leave out 5 % on the dot."""
    rng = np.random.default_rng(11)
    q = stats.norm.cdf(stats.norm.ppf(centre) + rng.normal(0.0, 0.35, 40_000))
    low, high = pushes_interval(q, np.full(len(q), 1.0 / len(q)), places)
    counts = rng.binomial(places, q)
    assert (counts < low).mean() <= 0.08
    assert (counts > high).mean() <= 0.08
    assert (counts <= low).mean() >= 0.03
    assert (counts >= high).mean() >= 0.03


ONE = np.ones(1)


def test_the_interval_of_what_is_certain():
    assert pushes_interval(0.0 * ONE, ONE, 50.0) == (0, 0)
    assert pushes_interval(ONE, ONE, 50.0) == (50, 50)
    for places in (1.0, 12.4, 150.0, 1e6):
        expected = stats.binom.ppf([0.05, 0.95], max(round(places), 1), 0.1)
        assert pushes_interval(0.1 * ONE, ONE, places) == tuple(expected)
    for defects in (0.2, 3.0, 40.0):
        expected = stats.poisson.ppf([0.05, 0.95], defects)
        assert pushes_interval(0.0 * ONE, ONE, 50.0, defects) == tuple(expected)


def test_never_more_places_than_there_are():
    """Half of what isn't known says that nothing drops: a Poisson count would go beyond."""
    low, high = pushes_interval(np.array([0.0, 1.0]), np.full(2, 0.5), 42.0)
    assert (low, high) == (0, 42)


def test_pushes_and_defects_are_the_sum_of_their_counts():
    draws = np.array([0.0, 0.02, 0.1])
    counts = np.arange(400)
    hang = np.mean([stats.binom.pmf(counts, 80, q) for q in draws], axis=0)
    both = np.cumsum(np.convolve(hang, stats.poisson.pmf(counts, 6.0)))
    expected = np.searchsorted(both, [0.05, 0.95])
    assert pushes_interval(draws, np.full(3, 1.0 / 3.0), 80.0, 6.0) == tuple(expected)


def test_marks_count_in_the_time_of_a_promise_when_they_have_a_setting():
    marks = {k: v for k, v in PANEL_SETTINGS.items() if k != "cut"}
    without, with_marks = (
        job_pushes(Stub(), panel(), CUT, times=CutTimes(job=panel(), machine=BENCH, marks=m))
        for m in ({}, marks)
    )
    full = job_time_s(panel(), BENCH, PANEL_SETTINGS).total_s / 60.0
    assert with_marks.minutes == pytest.approx(full)
    assert without.minutes < with_marks.minutes
