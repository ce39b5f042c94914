"""Every combination of powers and speeds."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from calib.errors import unfit
from calib.limits import check_settings, gentle_first, snap_setting
from calib.records import Machine, Setting
from calib.texts.say import say


def full_factorial(
    machine: Machine,
    powers_pct: Sequence[float],
    speeds_mm_s: Sequence[float],
    *,
    passes: Sequence[int] = (1,),
    line_pitches_mm: Sequence[float | None] = (None,),
) -> tuple[Setting, ...]:
    """Every combination of the given powers, speeds, passes and line pitches.

    Raises unfit when one of the lists is empty; MachineLimit when the machine can't be set to one
    of the powers or speeds.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> [(s.power_pct, s.speed_mm_s) for s in full_factorial(m, (40, 60), (10, 20))]
    [(40.0, 20.0), (60.0, 20.0), (40.0, 10.0), (60.0, 10.0)]
    """
    lists = {
        "powers_pct": powers_pct,
        "speeds_mm_s": speeds_mm_s,
        "passes": passes,
        "line_pitches_mm": line_pitches_mm,
    }
    for name, values in lists.items():
        if not values:
            raise unfit(name, values, say("plan.give_at_least_one_value"))
    wanted = [
        Setting(power_pct=power, speed_mm_s=speed, passes=count, line_pitch_mm=pitch)
        for power, speed, count, pitch in product(powers_pct, speeds_mm_s, passes, line_pitches_mm)
    ]
    check_settings(machine, wanted)
    settings = {
        snap_setting(
            machine, s.power_pct, s.speed_mm_s, passes=s.passes, line_pitch_mm=s.line_pitch_mm
        )
        for s in wanted
    }
    return gentle_first(machine, settings)
