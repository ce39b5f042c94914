"""The cheapest setting of a cut: what the search of ``recommend`` asks, and what is said of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.advise import candidates
from calib.advise.recommend import advised_setting
from calib.advise.wish import Wish
from calib.errors import InvalidRecord
from calib.fit.graded import thinned
from calib.fit.region import Region
from calib.fit.thinning import LOOK_POINTS
from calib.jobs.costs import CostBreakdown, expected_cost
from calib.jobs.job import Job, plain_job
from calib.jobs.job_time import CutTimes
from calib.jobs.outlines import Floats
from calib.records import USUAL_RELIABILITY, Costs, Setting

# A job of which nothing is known but that there is one [mm]: what is compared is money a metre.
USUAL_CUT_MM = 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PricedJob:
    """A job with its costs, to be asked for many settings."""

    job: Job  # The job
    costs: Costs  # What things cost
    times: CutTimes  # How long it takes
    notes: tuple[str, ...] = ()  # What the user must know

    def of(self, region: Region, power: Floats, speed: Floats, passes: Floats) -> CostBreakdown:
        """Expected cost at some settings; chances of char to about 0.005."""
        char = None if region.char is None else thinned(region.char, LOOK_POINTS)
        quick = replace(region, char=char)
        return expected_cost(quick, self.job, self.costs, power, speed, passes, times=self.times)

    def one(self, region: Region, setting: Setting) -> CostBreakdown:
        """Expected cost at one setting, each part of shape (1,)."""
        power, speed = np.array([setting.power_pct]), np.array([setting.speed_mm_s])
        passes = np.array([float(setting.passes)])
        return expected_cost(region, self.job, self.costs, power, speed, passes, times=self.times)

    def notes_at(self, region: Region, setting: Setting) -> tuple[str, ...]:
        """What the user must know of the cost at a setting, one sentence each."""
        notes = (*self.notes, *self.one(region, setting).notes)
        unread = not any(burn.char is not None for burn in region.burns)
        if unread and max(self.costs.cleaning_s_per_m) > 0.0:
            notes += (
                "No char was read on these burns: what cleaning costs rests on the usual char of"
                " such sheets.",
            )
        return notes


def priced_job(
    region: Region,
    costs: Costs | None,
    job: Job | CutTimes | None,
    cut_length_mm: float | None,
    rows: Sequence[Any],
) -> PricedJob:
    """Prepare a job for the search of its cheapest setting.

    Raises InvalidRecord when the region isn't one of cuts, or costs or job are none.
    """
    if region.operation != "cut":
        raise InvalidRecord(
            f"the aim is cheapest and the operation {region.operation!r}: what a job costs hangs"
            " on its cut; ask for the fastest or cleanest mark."
        )
    if costs is not None and not isinstance(costs, Costs):
        raise InvalidRecord(f"costs is {costs!r}: give calib.Costs(...).")
    given = costs or Costs()
    notes: tuple[str, ...] = ()
    if job is None:
        job = plain_job(cut_length_mm or USUAL_CUT_MM)
        notes = (
            f"The cost is that of {job.cut_length_mm / 1000.0:g} m of cut in {job.parts} round"
            " outlines: give the drawing for your own job.",
        )
    times = (
        job
        if isinstance(job, CutTimes)
        else CutTimes(job=job, machine=region.machine, start_up_s=given.start_up_s)
    )
    if rows:
        slowest = min(float(row.speeds[0]) for row in rows)
        times = times.on_curve(slowest, max(float(row.speeds[-1]) for row in rows))
    return PricedJob(job=times.job, costs=given, times=times, notes=notes)


def advised_settings(
    region: Region,
    times: CutTimes,
    costs: Costs,
    *,
    reliability: float = USUAL_RELIABILITY,
    char_at_most: int | None = None,
) -> dict[str, Setting]:
    """Cheapest, fastest and cleanest cut, to be put side by side.

    Raises NotEnoughEvidence as ``recommend`` does.
    """
    priced = priced_job(region, costs, times, None, candidates.rows(region))
    wish = Wish(aim="cheapest", reliability=reliability, char_at_most=char_at_most, priced=priced)
    others = (replace(wish, aim=aim, priced=None) for aim in ("fastest", "cleanest"))
    return {one.aim: advised_setting(region, one) for one in (wish, *others)}
