"""The steps of a stair: one line whose speed steps up along it, read at one look."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from calib.errors import NotEnoughEvidence
from calib.fit.model import columns_of, edge_ln_speed, settings_of
from calib.fit.region import Region
from calib.limits import fastest_cut_mm_s, limits_of, snap_setting
from calib.plan.next_burns import few_draws
from calib.plan.next_marks import fastest_mark_of, mark_pitches, mark_powers
from calib.records import Setting
from calib.texts.say import say

Array = npt.NDArray[np.float64]

STEPS = 12
# What the steps leave of the chances of where the edge lies, on either side; and the smallest ratio
# of two speeds that is worth a step, well below what stairs differ from coupons by.
_LEFT_OUT = 0.04
_CLOSEST = 1.03
# Draws of the posterior that a stair of marks is planned with.
_DRAWS = 640


def stair_settings(
    region: Region, steps: int = STEPS, fastest_mm_s: float = math.inf
) -> tuple[Setting, ...]:
    """Settings at one power, slow to fast in equal ratios, about where the edge may lie: of a cut
    at the power ceiling, of marks at the power that has most of the grades within the speeds.

    Raises NotEnoughEvidence when the machine leaves no room for two steps.
    """
    machine = region.machine
    if region.operation == "cut":
        fit, power, pitch = few_draws(region), machine.ceiling_pct, None
        edge = np.sort(edge_ln_speed(fit.here, machine, fit.prior, power))
        lowest = np.log(limits_of(machine, region.sheet, "cut").slowest_at(power))
        highest = np.log(fastest_cut_mm_s(machine))
    else:
        pitch = mark_pitches(region)[-1]
        power, edge, (lowest, highest) = _marked(region, pitch, fastest_mm_s)
    low, high = np.clip(np.quantile(edge, (_LEFT_OUT, 1.0 - _LEFT_OUT)), lowest, highest)
    middle, half = 0.5 * (low + high), 0.5 * max(high - low, (steps - 1) * np.log(_CLOSEST))
    speeds = np.exp(np.clip(np.linspace(middle - half, middle + half, steps), lowest, highest))
    settings = tuple(
        dict.fromkeys(snap_setting(machine, power, float(v), line_pitch_mm=pitch) for v in speeds)
    )
    if len(settings) < 2:
        if region.operation != "cut":
            raise NotEnoughEvidence(say("plan.marks_of_stair_have_no_room", machine=machine))
        raise NotEnoughEvidence(say("plan.stair_has_no_room", machine=machine))
    return settings


def _marked(
    region: Region, pitch: float | None, fastest_mm_s: float
) -> tuple[float, Array, tuple[float, float]]:
    """The power of a stair of marks, ln speeds at which its grades may change, and the ends of
    what may be set there."""
    assert region.mark is not None
    machine, fit = region.machine, region.mark.thinned(_DRAWS)
    fastest = fastest_mark_of(region, fastest_mm_s)
    limits = limits_of(machine, region.sheet, region.operation, pitch, fastest_mm_s=fastest_mm_s)
    best: tuple[float, float, Array, tuple[float, float]] | None = None
    for power in mark_powers(machine):
        at = snap_setting(machine, power, fastest, line_pitch_mm=pitch)
        lowest = limits.slowest_at(at.power_pct)
        if lowest >= at.speed_mm_s:
            continue
        reach = fit.here.reach(settings_of(machine, columns_of([at]), fit.prior, "mark"))
        edge = np.log(at.speed_mm_s) + (reach - fit.here.shape.cuts) / fit.here.shape.speed[:, None]
        ends = float(np.log(lowest)), float(np.log(at.speed_mm_s))
        held = float(((edge > ends[0]) & (edge < ends[1])).mean())
        if best is None or held > best[0]:
            best = held, at.power_pct, edge, ends
    if best is None:
        raise NotEnoughEvidence(say("plan.marks_of_stair_have_no_room", machine=machine))
    return best[1:]
