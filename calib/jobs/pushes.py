"""What a whole job is told to need: pushes, defects, time, and what a per cent of speed does."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from calib.fit.engine import systematic
from calib.fit.region import Region
from calib.jobs.job import Job
from calib.jobs.job_time import CutTimes
from calib.records import COUPON_CUT_MM, Setting
from calib.texts.say import say

Array = npt.NDArray[np.float64]

# By so much the speed is tried slower and faster [%].
_CHANGE_PCT = 1.0
# Ends of a central interval that holds 90 %.
_TAILS = (0.05, 0.95)
# Draws of the share that fails which an interval is read from.
_DRAWS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Pushes:
    """Places of a length of cut that need a push or a knife, on the sheet that was tested."""

    expected: float  # Places that hang; defects not counted
    defects: float  # Knots and glue pockets that no power buys off
    chance_no_push: float  # That no place hangs, defects not counted
    chance_no_help: float  # The same with defects counted


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedChange:
    """The same job at a slightly other speed."""

    change_pct: float
    speed_mm_s: float
    expected_pushes: float  # places that need help, defects not counted
    chance_no_push: float  # chance that none does, defects not counted
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPushes:
    """What is told of a whole job on this sheet at one setting of the cut."""

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


def job_pushes(
    region: Region, job: Job, setting: Setting, *, times: CutTimes | None = None
) -> JobPushes:
    """Tell of a whole job at a setting, on the sheet that was tested; defects stand apart."""
    length, machine = job.cut_length_mm, region.machine
    taken = times or CutTimes(job=job, machine=machine)
    changes = {}
    for change_pct in (-_CHANGE_PCT, 0.0, _CHANGE_PCT):
        speed = setting.speed_mm_s * (1.0 + change_pct / 100.0)
        if speed <= machine.max_speed_mm_s:
            there = pushes_of(region, replace(setting, speed_mm_s=speed), length)
            changes[change_pct] = SpeedChange(
                change_pct=change_pct,
                speed_mm_s=speed,
                expected_pushes=there.expected,
                chance_no_push=there.chance_no_push,
                minutes=float(taken.seconds(np.array(speed), np.array(setting.passes))) / 60.0,
            )
    at = (setting.power_pct, setting.speed_mm_s, setting.passes)
    pushes, places = pushes_of(region, setting, length), length / COUPON_CUT_MM
    defects = pushes.defects
    notes = [say("jobs.about_places_of_will_need_push", pushes=pushes, places=places)]
    if defects > 0.0:
        notes.append(say("jobs.on_top_about_knots_or_glue", defects=defects))
    return JobPushes(
        setting=setting,
        places=places,
        chance_coupon=float(region.chance_through(*at)),
        chance_no_push=pushes.chance_no_push,
        chance_no_help=pushes.chance_no_help,
        expected_pushes=pushes.expected,
        pushes_interval=pushes_interval(*region.failing_draws(*at), places),
        expected_defects=defects,
        defects_interval=pushes_interval(np.zeros(1), np.ones(1), places, defects),
        minutes=changes[0.0].minutes,
        changes=tuple(changes.values()),
        notes=tuple(notes),
    )


def pushes_of(region: Region, setting: Setting, length_mm: float) -> Pushes:
    """What a length of cut at a setting needs: a place is a coupon's length, one chance to hang."""
    at = (setting.power_pct, setting.speed_mm_s, setting.passes)
    failing = 1.0 - float(region.chance_through(*at))
    none = float(region.chance_through(*at, cut_length_mm=length_mm))
    defects = region.defects_per_m * length_mm / 1000.0
    return Pushes(
        expected=length_mm / COUPON_CUT_MM * failing,
        defects=defects,
        chance_no_push=none,
        chance_no_help=none * math.exp(-defects),
    )


def pushes_interval(
    failing: Array, weight: Array, places: float, defects: float = 0.0
) -> tuple[int, int]:
    """Central 90 % interval of how many places need a push or a knife.

    Notes
    -----
    At each draw, (J,), each place fails with the same chance: the count of those that hang is
    binomial, mixed over the draws, so that what places share (the sheet, the fit's doubt) widens
    the interval as it should. Defects, so many expected, are Poisson on top.
    """
    n = max(round(places), 1)
    hangs = failing[systematic(weight, failing, _DRAWS)]
    # Mean and ten standard deviations of a Poisson count hold all of it that is looked for.
    knots = np.arange(math.ceil(defects + 10.0 * math.sqrt(defects)) + 1.0)
    chance = np.exp(special.xlogy(knots, defects) - defects - special.gammaln(knots + 1.0))

    def below(count: int) -> float:
        """Chance of so many or fewer."""
        left = count - knots
        hanging = special.bdtr(np.clip(left, 0.0, n)[:, None], n, hangs).mean(axis=1)
        return float(chance @ np.where(left < 0.0, 0.0, hanging))

    ends = []
    for share in _TAILS:
        low, high = -1, n + len(knots)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if below(middle) >= share else (middle, high)
        ends.append(high)
    return ends[0], ends[1]
