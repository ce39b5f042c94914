"""Calculated times put right by the maker's stopwatch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from calib.errors import InvalidRecord
from calib.texts.say import say

# What is believed before the stopwatch is read (guesses): the calculation is right to about a
# quarter, sd of ln ratio; and jobs of one machine scatter by 5 % around their ratio, which is
# trusted like six jobs.
_PRIOR_SD = 0.25
_SCATTER = 0.05
_SCATTER_JOBS = 6.0
# Beyond these a measured time is a slip, such as minutes taken for seconds.
_PLAUSIBLE = (0.2, 8.0)
_LEVEL = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeRatio:
    """Measured time over calculated time on one machine."""

    ratio: float
    interval: tuple[float, float]  # where the machine's ratio lies, 9 times in 10
    next_job: tuple[float, float]  # where the ratio of its next job lies, 9 times in 10
    jobs: int  # how many jobs were timed

    def describe(self) -> str:
        """One sentence for the report."""
        return say("jobs.without_start_up", one=self, jobs="job" if self.jobs == 1 else "jobs")


def calibrate_time(pairs: Sequence[tuple[float, float]]) -> TimeRatio:
    """Learn how much longer jobs take on a machine than calculated.

    Notes
    -----
    ln ratio of a job ~ N(m, s²), with the conjugate prior: s² ~ scaled inverse χ² (6 degrees,
    0.05²), m ~ N(0, s²/k) with k such that its sd is 0.25 at s = 0.05. So m is a Student t about
    the shrunken mean, and the next job one with a wider scale [1]_. The best guess is the median.

    References
    ----------
    .. [1] Gelman A. et al. (2013) Bayesian Data Analysis, 3rd ed., section 3.3.

    Examples
    --------
    >>> calibrate_time([(600.0, 690.0), (1800.0, 2016.0)]).describe()[:60]
    'Without start-up, jobs take 1.13 times (1.07 to 1.20) as lon'
    """
    for pair in pairs:
        for what, value in zip(("calculated", "measured"), pair, strict=True):
            if not (math.isfinite(value) and value > 0.0):
                raise InvalidRecord(say("jobs.time_of_job", what=what, value=value))
        ratio, believed = pair[1] / pair[0], _PLAUSIBLE
        if not believed[0] <= ratio <= believed[1]:
            raise InvalidRecord(
                say("jobs.job_takes_otherwise", pair=pair, ratio=ratio, believed=believed)
            )
    logs = np.array([math.log(measured / calculated) for calculated, measured in pairs])
    n = len(logs)
    strength = (_SCATTER / _PRIOR_SD) ** 2
    mean = float(logs.mean()) if n else 0.0
    centre = n * mean / (strength + n)
    degrees = _SCATTER_JOBS + n
    squares = _SCATTER_JOBS * _SCATTER**2 + float(((logs - mean) ** 2).sum() if n else 0.0)
    squares += strength * n / (strength + n) * mean**2
    scatter = math.sqrt(squares / degrees)
    width = float(special.stdtrit(degrees, (1.0 + _LEVEL) / 2.0)) * scatter
    of_mean = width / math.sqrt(strength + n)
    of_next = width * math.sqrt(1.0 + 1.0 / (strength + n))
    return TimeRatio(
        ratio=math.exp(centre),
        interval=(math.exp(centre - of_mean), math.exp(centre + of_mean)),
        next_job=(math.exp(centre - of_next), math.exp(centre + of_next)),
        jobs=n,
    )
