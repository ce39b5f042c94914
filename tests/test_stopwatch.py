"""The stopwatch: what timed jobs say of the time of the next."""

import math

import numpy as np
import pytest
from bench_jobs import BENCH, CUT

from calib.errors import InvalidRecord
from calib.jobs.job import plain_job
from calib.jobs.job_time import job_time_s
from calib.jobs.stopwatch import calibrate_time
from calib.records.costs import START_UP_S


def test_two_jobs_start_and_more_narrow_it():
    two = calibrate_time([(600.0, 690.0), (1800.0, 2016.0)])
    assert two.ratio == pytest.approx(math.sqrt(1.15 * 1.12), rel=0.01)
    many = calibrate_time([(600.0, 690.0), (1800.0, 2016.0)] * 5)
    assert many.interval[1] - many.interval[0] < 0.6 * (two.interval[1] - two.interval[0])
    assert two.next_job[0] < two.interval[0] < two.ratio < two.interval[1] < two.next_job[1]


def test_intervals_cover_what_they_say():
    """400 simulated workshops, 2 and 5 jobs each; 90 % ± 5 % (three standard errors 4.5 %)."""
    rng = np.random.default_rng(5)
    for jobs in (2, 5):
        inside = next_inside = 0
        for _ in range(400):
            # the prior's own world: sd of ln ratio 0.25, scatter from its χ² with 6 degrees
            s = 0.05 * math.sqrt(6.0 / rng.chisquare(6.0))
            truth = rng.normal(0.0, 0.25 * s / 0.05)
            logs = rng.normal(truth, s, jobs + 1)
            ratio = calibrate_time([(100.0, 100.0 * math.exp(x)) for x in logs[:-1]])
            inside += ratio.interval[0] < math.exp(truth) < ratio.interval[1]
            next_inside += ratio.next_job[0] < math.exp(logs[-1]) < ratio.next_job[1]
        assert inside / 400 == pytest.approx(0.9, abs=0.05)
        assert next_inside / 400 == pytest.approx(0.9, abs=0.05)


def test_the_stopwatch_enters_the_time_but_not_the_start_up():
    ratio = calibrate_time([(600.0, 690.0), (1800.0, 2016.0)])
    plain = job_time_s(plain_job(5000.0), BENCH, {"cut": CUT})
    timed = job_time_s(plain_job(5000.0), BENCH, {"cut": CUT}, ratio=ratio)
    assert timed.total_s == pytest.approx(plain.machine_s * ratio.ratio + START_UP_S)
    low, high = timed.interval_s
    assert low < timed.total_s < high
    assert low - START_UP_S == pytest.approx(plain.machine_s * ratio.next_job[0])
    assert "not calibrated" not in " ".join(timed.notes)


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        ((600.0, 10.0), "calculated at 600 s was measured at 10 s"),
        ((0.0, 10.0), "calculated time of a job is 0.0"),
        ((10.0, math.nan), "measured time of a job is nan"),
    ],
)
def test_slips_of_the_stopwatch_are_refused(pair, words):
    with pytest.raises(InvalidRecord, match=words):
        calibrate_time([pair])
