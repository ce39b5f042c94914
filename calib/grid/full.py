"""Settings on the machine's steps, and every combination of powers and speeds."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import product
from typing import Literal

from calib.errors import MachineLimit, unfit
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.records import Machine, Setting

Rounding = Literal["nearest", "down", "up"]

# Decimals kept of a step's multiple: finer than any machine's steps, coarser than float noise.
_DECIMALS = 6
_NOISE = 1e-9


def power_limits_pct(machine: Machine) -> tuple[float, float]:
    """Find the lowest and highest power that the machine may be set to.

    Raises MachineLimit when no step lies between the two.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> power_limits_pct(m)
    (10.0, 80.0)
    """
    step = machine.power_step_pct
    low = max(1, math.ceil(machine.beam_starts_pct / step - _NOISE))
    high = math.floor(machine.ceiling_pct / step + _NOISE)
    if low > high:
        raise MachineLimit(
            f"The power step of {machine.name} is {step:g} %: no step lies between the beam's start"
            f" ({machine.beam_starts_pct:g} %) and the ceiling ({machine.ceiling_pct:g} %)."
            " Give a finer step or a higher ceiling."
        )
    # Rounding must not lift a step over a limit that lies on it.
    return (
        max(round(low * step, _DECIMALS), machine.beam_starts_pct),
        min(round(high * step, _DECIMALS), machine.ceiling_pct),
    )


def speed_limits_mm_s(machine: Machine) -> tuple[float, float]:
    """Find the lowest and highest speed that the machine can be set to."""
    step = machine.speed_step_mm_s
    highest = round(math.floor(machine.max_speed_mm_s / step + _NOISE) * step, _DECIMALS)
    lowest = round(step, _DECIMALS) or step
    return min(lowest, machine.max_speed_mm_s), min(highest, machine.max_speed_mm_s)


def _on_step(value: float, step: float, limits: tuple[float, float], rounding: Rounding) -> float:
    steps = value / step
    if rounding == "down":
        count = math.floor(steps + _NOISE)
    elif rounding == "up":
        count = math.ceil(steps - _NOISE)
    else:
        count = math.floor(steps + 0.5)
    return min(max(round(count * step, _DECIMALS), limits[0]), limits[1])


def snap_power(machine: Machine, power_pct: float, rounding: Rounding = "nearest") -> float:
    """Move a power to the machine's steps, within its beam start and ceiling.

    Raises MachineLimit when the machine has no power between beam start and ceiling.
    """
    return _on_step(power_pct, machine.power_step_pct, power_limits_pct(machine), rounding)


def snap_speed(machine: Machine, speed_mm_s: float, rounding: Rounding = "nearest") -> float:
    """Move a speed to the machine's steps, not above its top speed."""
    return _on_step(speed_mm_s, machine.speed_step_mm_s, speed_limits_mm_s(machine), rounding)


def snap_setting(
    machine: Machine,
    power_pct: float,
    speed_mm_s: float,
    *,
    passes: int = 1,
    line_pitch_mm: float | None = None,
) -> Setting:
    """Make a setting that the machine takes out of a wished one.

    Raises MachineLimit when the machine has no power between beam start and ceiling.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> snap_setting(m, 91.0, 12.34)
    Setting(power_pct=80.0, speed_mm_s=12.3, passes=1, line_pitch_mm=None)
    """
    return Setting(
        power_pct=snap_power(machine, power_pct),
        speed_mm_s=snap_speed(machine, speed_mm_s),
        passes=passes,
        line_pitch_mm=line_pitch_mm,
    )


def full_factorial(
    machine: Machine,
    powers_pct: Sequence[float],
    speeds_mm_s: Sequence[float],
    *,
    passes: Sequence[int] = (1,),
    line_pitches_mm: Sequence[float | None] = (None,),
) -> tuple[Setting, ...]:
    """Every combination of the given powers, speeds, passes and line pitches.

    Raises InvalidRecord when one of the lists is empty; MachineLimit when the machine has no power
    between beam start and ceiling.

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
            raise unfit(name, values, "give at least one value")
    combinations = product(powers_pct, speeds_mm_s, passes, line_pitches_mm)
    settings = {
        snap_setting(machine, power, speed, passes=count, line_pitch_mm=pitch)
        for power, speed, count, pitch in combinations
    }
    return gentle_first(machine, settings)


def gentle_first(machine: Machine, settings: Iterable[Setting]) -> tuple[Setting, ...]:
    """Sort settings from least to most line energy × passes."""
    ordered = sorted(
        settings, key=lambda s: (s.power_pct, s.speed_mm_s, s.passes, s.line_pitch_mm or 0.0)
    )
    energies = dict(zip(ordered, total_energies_j_mm(machine, ordered), strict=True))
    return tuple(sorted(ordered, key=energies.__getitem__))


def total_energies_j_mm(machine: Machine, settings: Sequence[Setting]) -> tuple[float, ...]:
    """Line energy × passes of each setting."""
    watts = delivered_power_w(machine, [s.power_pct for s in settings])
    energies = line_energy_j_mm(watts, [s.speed_mm_s for s in settings])
    # Twelve digits: settings of one energy must not be told apart by the last bit of a float.
    return tuple(
        float(f"{e * s.passes:.12g}") for e, s in zip(energies.tolist(), settings, strict=True)
    )
