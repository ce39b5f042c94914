"""Money: what a job costs on average at a setting, and what each part of that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord
from calib.fit.region import LOOK_POINTS, Region
from calib.jobs.job import Job, plain_job
from calib.jobs.job_time import CutTimes
from calib.jobs.outlines import Floats
from calib.records import COUPON_CUT_MM, Costs, Setting
from calib.records.fields import fields_of
from calib.texts.say import say

_HOUR_S = 3600.0
# A job of which nothing is known but that there is one [mm]: what is compared is money a metre.
USUAL_CUT_MM = 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CostBreakdown:
    """Expected cost of a job at some settings; every field has the settings' shape."""

    # the parts: machine time, labour of pushes, parts cut again, cleaning, sheets [money]
    machine: Floats
    pushes: Floats
    recuts: Floats
    cleaning: Floats
    sheets: Floats
    total: Floats
    time_s: Floats  # machine time, start-up included [s]
    expected_pushes: Floats  # places that need a push or a knife, defects included
    notes: tuple[str, ...] = ()  # what the user must know: which costs are guesses

    @property
    def parts(self) -> dict[str, Floats]:
        """The parts by name, in the order in which a picture stacks them [money]."""
        return {
            "sheets": self.sheets,
            "machine time": self.machine,
            "cleaning": self.cleaning,
            "pushing out": self.pushes,
            "cutting again": self.recuts,
        }


def expected_cost(
    region: Region,
    job: Job,
    costs: Costs,
    power_pct: npt.ArrayLike,
    speed_mm_s: npt.ArrayLike,
    passes: npt.ArrayLike = 1,
    *,
    times: CutTimes | None = None,
) -> CostBreakdown:
    """Expected cost of a job when its cuts are burnt at each of some settings.

    Notes
    -----
    With p the chance of a coupon, L the length of cut, ℓ the coupon's and η defects per length:
    pushes L/ℓ (1 − p) + η L; parts in which a place fails, parts × (1 − P(L/parts) e^(−η L/parts)),
    P the region's own chance for that length, of which ``recut_share`` is lost; cleaning
    Σ P(grade) × seconds × L. Means need no independence of places: exact given the chances.
    """
    columns = (power_pct, speed_mm_s, passes)
    power, speed, count = np.broadcast_arrays(*(np.asarray(c, dtype=float) for c in columns))
    taken = times or CutTimes(job=job, machine=region.machine, start_up_s=costs.start_up_s)
    seconds = taken.seconds(speed, count)
    length, defects_per_mm = job.cut_length_mm, region.defects_per_m / 1000.0
    failing = 1.0 - np.asarray(region.chance_through(power, speed, count))
    pushes = failing * length / COUPON_CUT_MM + defects_per_mm * length
    of_part = length / job.parts
    whole = np.asarray(region.chance_through(power, speed, count, of_part))
    lost = costs.recut_share * (1.0 - whole * math.exp(-defects_per_mm * of_part))
    per_m = np.asarray(region.mean_over_char(costs.cleaning_s_per_m, power, speed, count))
    parts = {
        "machine": costs.machine_hour / _HOUR_S * seconds,
        "pushes": costs.labour_hour / _HOUR_S * costs.seconds_per_push * pushes,
        "recuts": costs.recut_part * job.parts * lost,
        "cleaning": costs.labour_hour / _HOUR_S * per_m * length / 1000.0,
        "sheets": np.full(power.shape, costs.sheet_price * job.sheets),
    }
    notes: tuple[str, ...] = ()
    if costs.guessed:
        words = [field.words for field in fields_of(Costs) if field.name in costs.guessed]
        notes = (say("jobs.guessed_not_given", words=", ".join(words)),)
    return CostBreakdown(
        **parts,
        total=np.asarray(sum(parts.values())),
        time_s=seconds,
        expected_pushes=pushes,
        notes=taken.notes + notes,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PricedJob:
    """A job with its costs, to be asked for many settings."""

    costs: Costs
    times: CutTimes
    notes: tuple[str, ...] = ()  # what the user must know

    def of(self, region: Region, power: Floats, speed: Floats, passes: Floats) -> CostBreakdown:
        """Expected cost at some settings; chances of char to about 0.005."""
        if region.char is not None:
            region = replace(region, char=region.char.thinned(LOOK_POINTS))
        setting = (power, speed, passes)
        return expected_cost(region, self.times.job, self.costs, *setting, times=self.times)

    def one(self, region: Region, at: Setting) -> CostBreakdown:
        """Expected cost at one setting, exactly."""
        setting = (at.power_pct, at.speed_mm_s, at.passes)
        return expected_cost(region, self.times.job, self.costs, *setting, times=self.times)

    def notes_at(self, region: Region, setting: Setting) -> tuple[str, ...]:
        """What the user must know of the cost at a setting, one sentence each."""
        notes = (*self.notes, *self.one(region, setting).notes)
        unread = not any(burn.char is not None for burn in region.burns)
        if unread and max(self.costs.cleaning_s_per_m) > 0.0:
            notes += (say("jobs.no_char_was_read_on_these"),)
        return notes


def priced_job(
    region: Region,
    costs: Costs | None,
    job: Job | CutTimes | float | None,
    speeds_mm_s: tuple[float, float] | None = None,
) -> PricedJob:
    """Prepare a job, or a length of cut [mm], for the search of its cheapest setting.

    Raises InvalidRecord when the region isn't one of cuts, or costs are none.
    """
    if region.operation != "cut":
        raise InvalidRecord(say("jobs.aim_is_cheapest_and_operation", region=region))
    if costs is not None and not isinstance(costs, Costs):
        raise InvalidRecord(say("jobs.costs_is_give_calib_costs", costs=costs))
    given = costs or Costs()
    notes: tuple[str, ...] = ()
    if job is None or isinstance(job, float | int):
        job = plain_job(job or USUAL_CUT_MM)
        notes = (say("jobs.cost_is_that_of_m", cut_length_mm=job.cut_length_mm / 1000.0, job=job),)
    if isinstance(job, Job):
        job = CutTimes(job=job, machine=region.machine, start_up_s=given.start_up_s)
    times = job if speeds_mm_s is None else job.on_curve(*speeds_mm_s)
    return PricedJob(costs=given, times=times, notes=notes)


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedSetting:
    """One setting with its cost, next to others."""

    name: str  # what it was chosen for: cheapest, fastest, cleanest
    setting: Setting
    parts: Mapping[str, float]  # parts of the cost by name [money]
    total: float
    minutes: float  # machine time, start-up included [min]
    expected_pushes: float  # places that need help
    # price less cost [money], and that of the price [%]; None without a price
    margin: float | None = None
    margin_pct: float | None = None


def price_settings(
    region: Region, priced: PricedJob, settings: Mapping[str, Setting], price: float | None = None
) -> tuple[PricedSetting, ...]:
    """Put the costs of some settings of the cut side by side."""
    found = []
    for name, at in settings.items():
        cost = priced.one(region, at)
        total = float(cost.total)
        found.append(
            PricedSetting(
                name=name,
                setting=at,
                parts={part: float(value) for part, value in cost.parts.items()},
                total=total,
                minutes=float(cost.time_s) / 60.0,
                expected_pushes=float(cost.expected_pushes),
                margin=None if price is None else price - total,
                margin_pct=None if price is None else 100.0 * (price - total) / price,
            )
        )
    return tuple(found)
