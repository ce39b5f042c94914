"""The setting at which codes and headings are marked: seen, and no deeper than it must be."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from calib.limits import power_limits_pct, snap_power, snap_speed, speed_limits_mm_s
from calib.materials import cut_energy_j_mm, expected_response
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.records import Burn, Machine, Setting, Sheet

# So far above the beam's start the beam is there, if not steady (common practice, no source).
_ABOVE_START = 1.1
# Letters are strokes of about this length; more than √(a × this) isn't reached on them [mm].
_STROKE_MM = 3.0
# Share of the energy of a cut from which codes may go through.
_NEAR_A_CUT = 1.0 / 3.0
# What wasn't seen gets so much more energy: about a grade (the width in the priors of a mark).
_A_GRADE = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownMarks:
    """Line marks of a sheet on a machine: the kept setting, and burns with their grades."""

    kept: Setting | None = None
    burns: tuple[Burn, ...] = ()


NO_MARKS = KnownMarks()


def label_setting(
    machine: Machine, sheet: Sheet, taken: Collection[Setting], marks: KnownMarks = NO_MARKS
) -> Setting:
    """Choose the setting for codes and headings.

    Raises MachineLimit when the machine has no power between beam start and ceiling.
    """
    chosen = marks.kept
    if chosen is None or not _can_be_set(machine, chosen):
        read = _read(machine, marks.burns)
        chosen = _seen(machine, read) or _expected(machine, sheet, read)
    return _step_aside(machine, _on_letters(machine, chosen), taken)


def _on_letters(machine: Machine, setting: Setting) -> Setting:
    """The same energy at the speed that letters reach, so that they aren't darker than it says."""
    reached = snap_speed(machine, letter_speed_mm_s(machine), "down")
    if machine.power_follows_speed or setting.speed_mm_s <= reached:
        return setting
    found = setting_for_energy(machine, _energy(machine, setting), reached)
    return replace(found, speed_mm_s=min(found.speed_mm_s, reached))


def _can_be_set(machine: Machine, setting: Setting) -> bool:
    low, high = power_limits_pct(machine)
    return (
        setting.passes == 1
        and setting.line_pitch_mm is None
        and low <= setting.power_pct <= high
        and setting.speed_mm_s <= machine.max_speed_mm_s
    )


def _energy(machine: Machine, setting: Setting) -> float:
    watts = delivered_power_w(machine, setting.power_pct)
    return float(line_energy_j_mm(watts, setting.speed_mm_s))


def _read(machine: Machine, burns: Sequence[Burn]) -> dict[Setting, set[int]]:
    """Grades of each setting of line marks that codes could have."""
    grades: dict[Setting, set[int]] = {}
    for burn in burns:
        usable = burn.operation == "line_mark" and burn.mark is not None
        if usable and _can_be_set(machine, burn.setting):
            grades.setdefault(burn.setting, set()).add(burn.mark or 0)
    return grades


def _seen(machine: Machine, grades: dict[Setting, set[int]]) -> Setting | None:
    """The strongest clear mark; else the strongest faint one, else the gentlest heavy one."""
    for good, way in (({2}, 1.0), ({1, 2}, 1.0), ({1, 2, 3}, -1.0)):
        fine = [setting for setting, read in grades.items() if read <= good]
        if fine:
            return max(fine, key=lambda s: (way * _energy(machine, s), s.power_pct))
    return None


def _expected(machine: Machine, sheet: Sheet, grades: dict[Setting, set[int]]) -> Setting:
    """A clear line as expected, a grade above what showed nothing."""
    nothing = [_energy(machine, setting) for setting, read in grades.items() if 0 in read]
    clear = expected_response(sheet.material, machine.source).line_mark_j_mm
    speed = letter_speed_mm_s(machine)
    energy = max([clear, *(_A_GRADE * energy for energy in nothing)])
    found = setting_for_energy(machine, energy, speed)
    # What isn't reached on letters needn't be set: the beam would only be told to be weaker.
    reached = min(found.speed_mm_s, snap_speed(machine, speed, "down"))
    return Setting(power_pct=found.power_pct, speed_mm_s=reached)


def setting_for_energy(machine: Machine, energy_j_mm: float, speed_mm_s: float) -> Setting:
    """Find a setting of one pass that gives a line energy at about a speed.

    Raises MachineLimit when the machine has no power between beam start and ceiling.
    """
    speed = min(machine.max_speed_mm_s, speed_mm_s)
    lowest = snap_power(machine, _ABOVE_START * machine.beam_starts_pct, "up")
    # The highest power on the machine's steps that delivers no more than is wished.
    steps = range(math.floor(100.0 / machine.power_step_pct + 1e-9) + 1)
    above = bisect_right(
        steps,
        energy_j_mm * speed,
        key=lambda step: float(delivered_power_w(machine, step * machine.power_step_pct)) - 1e-9,
    )
    power = max(lowest, snap_power(machine, (above - 1) * machine.power_step_pct, "down"))
    watts = float(delivered_power_w(machine, power))
    return Setting(power_pct=power, speed_mm_s=snap_speed(machine, watts / energy_j_mm))


def letter_speed_mm_s(machine: Machine) -> float:
    """Peak speed that the head reaches on a letter's stroke of 3 mm [mm/s]."""
    acceleration = machine.working_acceleration_mm_s2
    return math.sqrt(acceleration * _STROKE_MM)


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
    """Say whether the codes may cut through: a thin sheet, and a beam that can't be weaker."""
    speed = codes.speed_mm_s
    if not machine.power_follows_speed:
        speed = min(speed, letter_speed_mm_s(machine))
    energy = float(line_energy_j_mm(delivered_power_w(machine, codes.power_pct), speed))
    cut = cut_energy_j_mm(expected_response(sheet.material, machine.source), sheet)
    return bool(energy > _NEAR_A_CUT * cut)
