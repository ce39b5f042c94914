"""The steps of a stair: one straight cut whose speed steps up along it, read by one number."""

from __future__ import annotations

import numpy as np

from calib.errors import NotEnoughEvidence
from calib.fit.model import edge_ln_speed
from calib.fit.region import Region
from calib.limits import fastest_cut_mm_s, limits_of, snap_setting
from calib.plan.next_burns import few_draws
from calib.records import Setting
from calib.texts.say import say

STEPS = 12
# What the steps leave of the chances of where the edge lies, on either side; and the smallest ratio
# of two speeds that is worth a step, well below what stairs differ from coupons by.
_LEFT_OUT = 0.04
_CLOSEST = 1.03


def stair_settings(region: Region, steps: int = STEPS) -> tuple[Setting, ...]:
    """Settings at the power ceiling, slow to fast in equal ratios, about where the edge may lie.

    Raises NotEnoughEvidence when the machine leaves no room for two steps.
    """
    fit, machine = few_draws(region), region.machine
    power = machine.ceiling_pct
    edge = np.sort(edge_ln_speed(fit.here, machine, fit.prior, power))
    lowest = np.log(limits_of(machine, region.sheet, "cut").slowest_at(power))
    highest = np.log(fastest_cut_mm_s(machine))
    low, high = np.clip(np.quantile(edge, (_LEFT_OUT, 1.0 - _LEFT_OUT)), lowest, highest)
    middle, half = 0.5 * (low + high), 0.5 * max(high - low, (steps - 1) * np.log(_CLOSEST))
    speeds = np.exp(np.clip(np.linspace(middle - half, middle + half, steps), lowest, highest))
    settings = tuple(dict.fromkeys(snap_setting(machine, power, float(v)) for v in speeds))
    if len(settings) < 2:
        raise NotEnoughEvidence(say("plan.stair_has_no_room", machine=machine))
    return settings
