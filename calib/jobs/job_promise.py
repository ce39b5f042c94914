"""What is promised of a whole job: pushes, defects, time, and what a per cent of speed does."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from calib.fit.region import Region
from calib.jobs.job import Job
from calib.jobs.job_time import CutTimes
from calib.records import COUPON_CUT_MM, Setting

# Ends of a central interval that holds 90 %.
_TAILS = np.array([0.05, 0.95])
# Beyond so many places the count is read off the share, whose spread is then all that matters.
_MAX_PLACES = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedChange:
    """The same job at a slightly other speed."""

    change_pct: float
    speed_mm_s: float
    expected_pushes: float  # places that need help, defects not counted
    chance_no_push: float  # chance that none does, defects not counted
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPromise:
    """What is promised of a whole job on this sheet at one setting of the cut."""

    setting: Setting
    places: float  # length of cut in standard coupons
    chance_coupon: float  # chance that one of them drops
    chance_no_push: float  # chance that all do, defects not counted
    chance_no_help: float  # the same with defects counted
    # places that need a push or a knife, and the central 90 % interval; defects not counted
    expected_pushes: float
    pushes_interval: tuple[int, int]
    expected_defects: float  # knots and glue pockets that no power buys off, apart
    defects_interval: tuple[int, int]
    minutes: float  # time of the job, start-up included [min]
    # the same job one per cent slower and one faster, and as it is
    changes: tuple[SpeedChange, ...]
    notes: tuple[str, ...] = ()


def job_promise(
    region: Region,
    job: Job,
    setting: Setting,
    *,
    change_pct: float = 1.0,
    times: CutTimes | None = None,
) -> JobPromise:
    """Promise a whole job at a setting, on the sheet that was tested.

    Notes
    -----
    A job of n places each failing with a chance q that isn't known exactly: the count is binomial
    mixed over q. The region's chance for two places gives E[(1 − q)²], so mean and variance of q
    are known, and q is taken as Beta with these; the count is then beta-binomial. No draws are
    needed, and what places share (the sheet, the fit's doubt) widens the interval as it should.
    Defects are Poisson and stand apart.
    """
    length = job.cut_length_mm
    taken = times or CutTimes(job=job, machine=region.machine)
    places = length / COUPON_CUT_MM
    defects = region.defects_per_m * length / 1000.0
    at = (setting.power_pct, setting.speed_mm_s, setting.passes)
    one = float(region.chance_through(*at))
    two = float(region.chance_through(*at, cut_length_mm=2.0 * COUPON_CUT_MM))
    as_it_is = _changed(region, setting, 0.0, taken)
    changes = tuple(
        as_it_is if change == 0.0 else _changed(region, setting, change, taken)
        for change in (-change_pct, 0.0, change_pct)
        if setting.speed_mm_s * (1.0 + change / 100.0) <= region.machine.max_speed_mm_s
    )
    # Mean and ten standard deviations of a Poisson count hold all of it that is looked for.
    counts = np.arange(math.ceil(defects + 10.0 * math.sqrt(defects)) + 10.0)
    few, many = np.searchsorted(special.pdtr(counts, defects), _TAILS)
    notes = [
        f"About {as_it_is.expected_pushes:.1f} places of {places:.0f} will need a push or a knife."
    ]
    if defects > 0.0:
        notes.append(
            f"On top, about {defects:.1f} knots or glue pockets that no power buys off; they are"
            " counted apart."
        )
    return JobPromise(
        setting=setting,
        places=places,
        chance_coupon=one,
        chance_no_push=as_it_is.chance_no_push,
        chance_no_help=as_it_is.chance_no_push * math.exp(-defects),
        expected_pushes=as_it_is.expected_pushes,
        pushes_interval=pushes_interval(places, 1.0 - one, two - one * one),
        expected_defects=defects,
        defects_interval=(int(few), int(many)),
        minutes=as_it_is.minutes,
        changes=changes,
        notes=tuple(notes),
    )


def _changed(region: Region, setting: Setting, change: float, times: CutTimes) -> SpeedChange:
    speed = setting.speed_mm_s * (1.0 + change / 100.0)
    at = (setting.power_pct, speed, setting.passes)
    length = times.job.cut_length_mm
    seconds = times.seconds(np.array(speed), np.array(setting.passes))
    return SpeedChange(
        change_pct=change,
        speed_mm_s=speed,
        expected_pushes=length / COUPON_CUT_MM * (1.0 - float(region.chance_through(*at))),
        chance_no_push=float(region.chance_through(*at, cut_length_mm=length)),
        minutes=float(seconds) / 60.0,
    )


def pushes_interval(places: float, failing: float, variance: float) -> tuple[int, int]:
    """Central 90 % interval of a count of places that is binomial given a Beta share.

    The share that fails has this mean and variance.
    """
    n = max(round(places), 1)
    spare = failing * (1.0 - failing)
    if spare <= 0.0:
        return (0, 0) if failing <= 0.5 else (n, n)
    # Share of the variance that all places have in common; the rest is each one's own.
    common = min(max(variance / spare, 1e-9), 1.0 - 1e-9)
    a, b = failing * (1.0 / common - 1.0), (1.0 - failing) * (1.0 / common - 1.0)
    if n > _MAX_PLACES:
        low, high = np.rint(n * special.betaincinv(a, b, _TAILS))
        return int(low), int(high)
    k = np.arange(n + 1.0)
    log_ways = special.gammaln(n + 1.0) - special.gammaln(k + 1.0) - special.gammaln(n - k + 1.0)
    chance = np.exp(log_ways + special.betaln(k + a, n - k + b) - special.betaln(a, b))
    low, high = np.searchsorted(np.cumsum(chance) / chance.sum(), _TAILS)
    return int(low), min(int(high), n)
