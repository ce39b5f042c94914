"""The gentle setting at which codes and headings are marked."""

from __future__ import annotations

import math
from collections.abc import Collection

from calib.grid.full import snap_power, snap_speed, speed_limits_mm_s
from calib.materials import expected_response
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.records import Machine, Setting, Sheet

# Share of the line energy of a clear mark: between faint and clear, readable and no deeper.
CODE_SHARE = 0.6
# So far above the beam's start the beam is there, if not steady (common practice, no source).
_ABOVE_START = 1.1
# Letters are strokes of about this length; more than √(a × this) isn't reached on them [mm].
_STROKE_MM = 2.0
# Share of the energy of a cut from which codes may go through.
_NEAR_A_CUT = 1.0 / 3.0


def label_setting(machine: Machine, sheet: Sheet, taken: Collection[Setting]) -> Setting:
    """Choose the setting for codes and headings.

    Parameters
    ----------
    machine, sheet
        Its steps and limits, and the family's expected line energy of a clear mark.
    taken
        Settings of the cells; the result is none of them.

    Returns
    -------
    Setting
        One pass at about 60 % of the line energy that the family is expected to need for a clear
        line, as fast as the head moves on strokes of letters, unless the beam then were too weak
        to be steady.

    Raises
    ------
    MachineLimit
        When the machine has no power between beam start and ceiling.
    """
    wished = CODE_SHARE * expected_response(sheet.material, machine.source).line_mark_j_mm
    speed = letter_speed_mm_s(machine)
    return _step_aside(machine, setting_for_energy(machine, wished, speed), taken)


def setting_for_energy(machine: Machine, energy_j_mm: float, speed_mm_s: float) -> Setting:
    """Find a setting of one pass that gives a line energy at about a speed.

    Parameters
    ----------
    machine
        Its steps and limits count.
    energy_j_mm
        Line energy wished for [J/mm].
    speed_mm_s
        Speed wished for [mm/s].

    Returns
    -------
    Setting
        At about that speed; faster where the beam would be too weak to be sure at it.

    Raises
    ------
    MachineLimit
        When the machine has no power between beam start and ceiling.
    """
    speed = min(machine.max_speed_mm_s, speed_mm_s)
    lowest = snap_power(machine, _ABOVE_START * machine.beam_starts_pct, "up")
    power = max(lowest, _power_for(machine, energy_j_mm * speed))
    watts = float(delivered_power_w(machine, power))
    return Setting(power_pct=power, speed_mm_s=snap_speed(machine, watts / energy_j_mm))


def letter_speed_mm_s(machine: Machine) -> float:
    """Speed that the head reaches on the strokes of letters.

    Parameters
    ----------
    machine
        Its acceleration counts.

    Returns
    -------
    float
        The peak speed on a stroke of 2 mm [mm/s].
    """
    return math.sqrt(machine.working_acceleration_mm_s2 * _STROKE_MM)


def _power_for(machine: Machine, watts: float) -> float:
    """Highest power on the machine's steps that delivers at most so many watts [%]."""
    low, high = 0.0, 100.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if delivered_power_w(machine, middle) <= watts else (low, middle)
    return snap_power(machine, low + 1e-6, "down")


def _step_aside(machine: Machine, wished: Setting, taken: Collection[Setting]) -> Setting:
    """Move to the next free speed, faster if there is one, when a cell has this setting."""
    used = {s.speed_mm_s for s in taken if s.power_pct == wished.power_pct}
    slowest, fastest = speed_limits_mm_s(machine)
    step = machine.speed_step_mm_s
    for count in range(len(used) + 1):
        for way in (1, -1):
            speed = snap_speed(machine, wished.speed_mm_s + way * count * step)
            if speed not in used and slowest <= speed <= fastest:
                return Setting(power_pct=wished.power_pct, speed_mm_s=speed)
    power = snap_power(machine, wished.power_pct + machine.power_step_pct, "up")
    return Setting(power_pct=power, speed_mm_s=wished.speed_mm_s)


def codes_may_cut(machine: Machine, sheet: Sheet, codes: Setting) -> bool:
    """Say whether the codes may cut through: a thin sheet, and a beam that can't be weaker.

    Parameters
    ----------
    machine, sheet
        Of the board.
    codes
        From ``label_setting``.

    Returns
    -------
    bool
        True when the line energy, at the speed that is really reached on letters, exceeds a third
        of what the family is expected to need for a cut (a third, for the expectation is wide).
        Where the controller lowers the power with the speed, the set speed counts.
    """
    speed = codes.speed_mm_s
    if not machine.power_follows_speed:
        speed = min(speed, letter_speed_mm_s(machine))
    energy = float(line_energy_j_mm(delivered_power_w(machine, codes.power_pct), speed))
    response = expected_response(sheet.material, machine.source)
    thickness = sheet.working_thickness_mm
    severance = response.severance_energy_j_mm2 * (thickness / 3.0) ** response.thickness_exponent
    return bool(energy > _NEAR_A_CUT * severance * thickness)
