"""A region in a few lines: at some powers, the speeds at which it works with stated chances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.fit.region import Region
from calib.fit.second_opinion import second_opinion
from calib.fit.thinning import thinned_region
from calib.limits import snap_power
from calib.plan.next_marks import mark_pitch
from calib.records import Operation, outcome_order
from calib.tasks.wishes import RegionWish

Array = npt.NDArray[np.float64]

# Chances of a cut at which the speed is told.
LEVELS = (0.5, 0.9, 0.99)
# Chance of going deeper than wanted that a mark's slowest speed keeps to.
DEEPER = 0.01
_SPEEDS, _THINNED = 240, 800
_POWERS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionRow:
    """What holds at one power."""

    power_pct: float  # Power [% of full]
    # For cuts, the fastest speed at each chance of ``LEVELS``; for marks, the slowest that goes no
    # deeper than wanted, then the likeliest to be as wanted [mm/s]. None: not on this machine.
    speeds_mm_s: tuple[float | None, ...]
    tested: tuple[bool, ...]  # For each speed, whether it lies inside what was burnt
    # Expected char grade at the last of the speeds; None for marks
    expected_char: float | None = None
    # For marks, the chance of exactly the wanted grade at the likeliest speed; None for cuts
    chance: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A region in short."""

    # machine, sheet, operation, passes, line_pitch_mm: For what
    machine: str
    sheet: str
    operation: Operation
    passes: int
    line_pitch_mm: float | None
    wish: RegionWish  # What was asked
    edge: str  # ``unburnt``, ``all_through``, ``none_through`` or ``bracketed``
    outcomes: dict[str, int]  # How many burns came out how
    rows: tuple[RegionRow, ...]  # From high to low power
    defects_per_m: float  # Places where no power helps [1/m]
    learned: dict[str, dict[str, float]]  # Posterior sd / prior sd of each parameter of each model
    notes: tuple[str, ...]  # What the user must know


def summarise(region: Region, wish: RegionWish, *, passes: int | None = None) -> Summary:
    """Sum a region up."""
    shown = passes or min(region.hulls, default=1)
    pitch = mark_pitch(region)
    quick = thinned_region(region, _THINNED)
    opinion = second_opinion(region)
    row = _cut_row if region.operation == "cut" else _mark_row
    return Summary(
        machine=region.machine.name,
        sheet=region.sheet.name,
        operation=region.operation,
        passes=shown,
        line_pitch_mm=pitch,
        wish=wish,
        edge=region.edge,
        outcomes=_outcomes(region),
        rows=tuple(row(quick, wish, power, shown) for power in _powers(region, shown)),
        defects_per_m=region.defects_per_m,
        learned=region.learned,
        notes=(*region.notes, opinion) if opinion else region.notes,
    )


def _outcomes(region: Region) -> dict[str, int]:
    counts: dict[str, int] = {}
    for burn in region.burns:
        name = str(burn.through) if region.operation == "cut" else f"mark {burn.mark}"
        counts[name] = counts.get(name, 0) + burn.count
    return {name: counts[name] for name in sorted(counts, key=outcome_order)}


def _powers(region: Region, passes: int) -> list[float]:
    """Powers on the machine's steps, from the greatest burnt to the least."""
    machine = region.machine
    burnt = [b.power_pct for b in region.burns if b.passes == passes]
    # Before any burn: cuts need the upper half, marks all powers from where a beam is sure.
    least = 0.5 * machine.ceiling_pct if region.operation == "cut" else 1.0
    low = min(burnt, default=max(least, 1.2 * machine.beam_starts_pct))
    high = max(burnt, default=machine.ceiling_pct)
    steps = {snap_power(machine, power) for power in np.geomspace(low, high, _POWERS)}
    return sorted(steps, reverse=True)


def _speeds(region: Region) -> Array:
    machine = region.machine
    return np.geomspace(machine.speed_step_mm_s, machine.max_speed_mm_s, _SPEEDS)


def _cut_row(region: Region, wish: RegionWish, power: float, passes: int) -> RegionRow:
    speeds = _speeds(region)
    chance = np.asarray(
        region.chance_through(power, speeds, passes, wish.cut_length_mm, wish.next_sheet)
    )
    found = tuple(_fastest(region, speeds, chance, level) for level in LEVELS)
    last = found[-1]
    char = None if last is None else float(region.expected_char(power, last, passes))
    return RegionRow(
        power_pct=power,
        speeds_mm_s=found,
        tested=tuple(v is not None and region.tested(power, v, passes) for v in found),
        expected_char=char,
    )


def _mark_row(region: Region, wish: RegionWish, power: float, passes: int) -> RegionRow:
    speeds, pitch = _speeds(region), mark_pitch(region)
    fine = np.asarray(region.chance_mark_at_most(wish.mark, power, speeds, passes, pitch))
    exactly = np.asarray(region.chance_mark(wish.mark, power, speeds, passes, pitch))
    keeps = speeds[fine >= 1.0 - DEEPER]
    slowest = _on_step(region, float(keeps.min())) if len(keeps) else None
    best = int(np.argmax(exactly))
    found = (slowest, _on_step(region, float(speeds[best])))
    return RegionRow(
        power_pct=power,
        speeds_mm_s=found,
        tested=tuple(v is not None and region.tested(power, v, passes) for v in found),
        chance=float(exactly[best]),
    )


def _fastest(region: Region, speeds: Array, chance: Array, level: float) -> float | None:
    """Fastest speed up to which the chance is met, interpolated and on the machine's steps."""
    below = np.flatnonzero(chance < level)
    if not len(below):
        return _on_step(region, float(speeds[-1]))
    first = int(below[0])
    if first == 0:
        return None
    share = (chance[first - 1] - level) / (chance[first - 1] - chance[first])
    ln_speed = np.log(speeds[first - 1]) + share * np.log(speeds[first] / speeds[first - 1])
    return _on_step(region, float(np.exp(ln_speed)))


def _on_step(region: Region, speed_mm_s: float) -> float:
    """The machine's next slower step [mm/s]."""
    from calib.limits import snap_speed

    return snap_speed(region.machine, speed_mm_s, "down")
