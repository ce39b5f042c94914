"""How a machine can be set, and how slow and how strong a burn may be.

What lies long under the beam catches fire: one account for every board and for what is advised,
looked at after rounding to the machine's steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from calib.errors import MachineLimit
from calib.materials import cut_energy_j_mm, expected_response
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.records import (
    COUPON_CORNER_MM,
    KINDS,
    Grid,
    LaserSource,
    Machine,
    Operation,
    Setting,
    Sheet,
)
from calib.texts.say import say
from calib.units import show_speed

Rounding = Literal["nearest", "down", "up"]

# Decimals kept of a step's multiple: finer than any machine's steps, coarser than float noise.
_DECIMALS = 6
_STEP_NOISE = 1e-9

# Slowest speed of a burn [mm/s]: a coupon's outline then takes half a minute with a CO2 laser, and
# a little more under the smaller power of a diode (common practice, no source).
SLOWEST_MM_S: dict[LaserSource, float] = {"co2": 2.0, "diode": 1.5}
# Just above its start a beam is fitful; this much above it is trusted. No mark is planned at less
# than the second (common practice, no source).
ABOVE_START = 1.2
LOWEST_MARK_PCT = 5.0
# A strong laser's gentlest burn may exceed what a thin sheet should get, up to so many times: it is
# the fastest there is, and nothing lies under the beam for long.
_GENTLEST_TIMES = 3.0
# A single line may get this share of what a cut needs, however deep it marks.
_MARK_OF_A_CUT = 1.0 / 3.0
# Longest dark run-up that a small board has room for [mm]; it bounds the speed of a mark.
_RUN_UP_MM = 10.0
_NOISE = 1e-6
BEYOND = say("limits.fire_risk_cells_beyond_usual_limits")


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
    low = max(1, math.ceil(machine.beam_starts_pct / step - _STEP_NOISE))
    high = math.floor(machine.ceiling_pct / step + _STEP_NOISE)
    if low > high:
        raise MachineLimit(say("limits.power_step", machine=machine, step=step))
    # Rounding must not lift a step over a limit that lies on it.
    return (
        max(round(low * step, _DECIMALS), machine.beam_starts_pct),
        min(round(high * step, _DECIMALS), machine.ceiling_pct),
    )


def speed_limits_mm_s(machine: Machine) -> tuple[float, float]:
    """Find the lowest and highest speed that the machine can be set to."""
    step = machine.speed_step_mm_s
    highest = round(math.floor(machine.max_speed_mm_s / step + _STEP_NOISE) * step, _DECIMALS)
    lowest = round(step, _DECIMALS) or step
    return min(lowest, machine.max_speed_mm_s), min(highest, machine.max_speed_mm_s)


def _on_step(value: float, step: float, limits: tuple[float, float], rounding: Rounding) -> float:
    steps = value / step
    if rounding == "down":
        count = math.floor(steps + _STEP_NOISE)
    elif rounding == "up":
        count = math.ceil(steps - _STEP_NOISE)
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


def check_settings(machine: Machine, settings: Iterable[Setting]) -> None:
    """Raise MachineLimit for a setting that the machine can't be set to."""
    for s in settings:
        if not machine.beam_starts_pct <= s.power_pct <= machine.ceiling_pct + _STEP_NOISE:
            raise MachineLimit(say("limits.power_is_outside_what_may", s=s, machine=machine))
        if s.speed_mm_s > machine.max_speed_mm_s + _STEP_NOISE:
            speed = show_speed(s.speed_mm_s)
            raise MachineLimit(say("limits.speed_is_above_top_speed", speed=speed, machine=machine))


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


def fastest_cut_mm_s(machine: Machine) -> float:
    """Fastest speed at which a coupon's corners are still cut at the set speed [mm/s]."""
    corner = math.sqrt(machine.working_acceleration_mm_s2 * COUPON_CORNER_MM)
    return min(machine.max_speed_mm_s, corner)


def fastest_mark_mm_s(machine: Machine) -> float:
    """Fastest mark whose dark run-up fits a small board [mm/s]."""
    acceleration = machine.working_acceleration_mm_s2
    return min(machine.max_speed_mm_s, math.sqrt(2.0 * acceleration * _RUN_UP_MM / 1.2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one pass on a sheet may be: speed at least [mm/s], line energy at most [J/mm].

    ``expected_j_mm`` is what the family's table expects to be needed.
    """

    machine: Machine
    slowest_mm_s: float
    most_j_mm: float
    expected_j_mm: float

    def slowest_at(self, power_pct: float) -> float:
        """Slowest speed on the machine's steps at a power; above its top speed where none is."""
        watts = float(delivered_power_w(self.machine, power_pct))
        slowest = max(self.slowest_mm_s, watts / self.most_j_mm) * (1.0 - _NOISE)
        step = self.machine.speed_step_mm_s
        return round(math.ceil(slowest / step) * step, 6)

    def times(self, setting: Setting) -> float:
        """Line energy of one pass in times of what is expected to be needed."""
        watts = delivered_power_w(self.machine, setting.power_pct)
        return float(line_energy_j_mm(watts, setting.speed_mm_s)) / self.expected_j_mm

    def beyond(self, setting: Setting) -> str:
        """Say in what a setting goes beyond; empty when it doesn't."""
        name = f"{setting.power_pct:g} % at {setting.speed_mm_s:g} mm/s"
        if setting.speed_mm_s < self.slowest_mm_s * (1.0 - _NOISE):
            return say("limits.is_slower", name=name, slowest_mm_s=self.slowest_mm_s)
        times, most = self.times(setting), self.most_j_mm / self.expected_j_mm
        if times > most * (1.0 + _NOISE):
            return say(
                "limits.gives_times_energy_that_is_expected", name=name, times=times, most=most
            )
        return ""


def limits_of(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    line_pitch_mm: float | None = None,
    *,
    slowest_mm_s: float | None = None,
    fastest_mm_s: float = math.inf,
) -> Limits:
    """Limits of one pass: the usual ones, or down to the slowest speed that the maker asked for.

    For marks ``fastest_mm_s`` is the fastest that the board at hand has room for.
    """
    response = expected_response(sheet.material, machine.source)
    if operation == "cut":
        lowest = max(ABOVE_START * machine.beam_starts_pct, machine.power_step_pct)
        expected, fastest = cut_energy_j_mm(response, sheet), fastest_cut_mm_s(machine)
    else:
        lowest = max(ABOVE_START * machine.beam_starts_pct, LOWEST_MARK_PCT)
        expected, fastest = response.line_mark_j_mm, min(fastest_mark_mm_s(machine), fastest_mm_s)
        if KINDS[operation].shape == "area" and line_pitch_mm is not None:
            expected = response.area_dose_j_mm2 * line_pitch_mm
    usual_mm_s = SLOWEST_MM_S[machine.source]
    if slowest_mm_s is not None:
        return Limits(
            machine=machine,
            slowest_mm_s=min(slowest_mm_s, usual_mm_s),
            most_j_mm=math.inf,
            expected_j_mm=expected,
        )
    most = response.most_times * expected
    if KINDS[operation].shape == "line":
        most = max(most, _MARK_OF_A_CUT * cut_energy_j_mm(response, sheet))
    watts = delivered_power_w(machine, snap_power(machine, lowest))
    gentlest = float(line_energy_j_mm(watts, snap_speed(machine, fastest, "down")))
    return Limits(
        machine=machine,
        slowest_mm_s=usual_mm_s,
        most_j_mm=max(most, min(gentlest, _GENTLEST_TIMES * most)),
        expected_j_mm=expected,
    )


def beyond_limits(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Iterable[Setting],
    *,
    slowest_mm_s: float | None = None,
    fastest_mm_s: float = math.inf,
) -> tuple[str, ...]:
    """Say of each setting that goes beyond the limits in what, the slowest first."""
    limits: dict[float | None, Limits] = {}
    found = []
    for setting in sorted(set(settings), key=lambda s: (s.speed_mm_s, -s.power_pct, s.passes)):
        pitch = setting.line_pitch_mm
        if pitch not in limits:
            limits[pitch] = limits_of(
                machine,
                sheet,
                operation,
                pitch,
                slowest_mm_s=slowest_mm_s,
                fastest_mm_s=fastest_mm_s,
            )
        if words := limits[pitch].beyond(setting):
            found.append(words)
    return tuple(found)


def check_limits(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Iterable[Setting],
    *,
    slowest_mm_s: float | None = None,
    fastest_mm_s: float = math.inf,
) -> None:
    """Raise MachineLimit for settings under which a sheet may catch fire."""
    found = beyond_limits(
        machine,
        sheet,
        operation,
        settings,
        slowest_mm_s=slowest_mm_s,
        fastest_mm_s=fastest_mm_s,
    )
    if found:
        more = say("limits.and_more", count=len(found) - 1) if found[1:] else ""
        raise MachineLimit(
            say("limits.what_lies_so_long_under_beam", found=found, more=more, machine=machine)
        )


def beyond_note(words: tuple[str, ...]) -> str:
    """What a board says of cells that go beyond the usual limits at the maker's wish."""
    return say(
        "limits.they_stand_here_because_slower_cells",
        beyond=BEYOND,
        words="; ".join(words[:3]),
        more=say("limits.and_others") if words[3:] else "",
    )


def beyond_words(grid: Grid) -> str:
    """What the head of every file says of a board with cells beyond the usual limits, else ""."""
    slowest = min(cell.speed_mm_s for cell in grid.cells)
    slow = slowest < SLOWEST_MM_S[grid.machine.source] * (1.0 - _NOISE)
    if not slow and not any(note.startswith(BEYOND) for note in grid.notes):
        return ""
    return say("limits.down_to", beyond=BEYOND, slowest=slowest)
