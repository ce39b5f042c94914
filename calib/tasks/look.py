"""A region to look at and to ask: outlines of its chances, and what holds at any setting."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from calib.errors import unfit
from calib.fit.region import Region
from calib.limits import power_limits_pct, speed_limits_mm_s
from calib.records import Burn, Operation, Setting
from calib.tasks.pictures import Shower
from calib.tasks.wishes import RegionWish

Array = npt.NDArray[np.float64]
Point = tuple[float, float]
Loop = tuple[Point, ...]

# Chances at which bands change: a mark of exactly one grade is seldom sure.
CUT_LEVELS = (0.5, 0.9, 0.99)
MARK_LEVELS = (0.25, 0.5, 0.75)
_BELOW = -1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Where the chance is at least so high."""

    level: float  # The chance [1]
    # Closed outlines (power [%], speed [mm/s]); one inside another is a hole
    loops: tuple[Loop, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionLook:
    """A region as it is drawn for a screen."""

    # machine, sheet, operation, passes, line_pitch_mm: For what
    machine: str
    sheet: str
    operation: Operation
    passes: int
    line_pitch_mm: float | None
    edge: str  # ``unburnt``, ``all_through``, ``none_through`` or ``bracketed``
    # power_pct, speed_mm_s: Ends of the axes [%], [mm/s]; the speed's is logarithmic
    power_pct: Point
    speed_mm_s: Point
    # power_step_pct, speed_step_mm_s: The machine's steps [%], [mm/s]
    power_step_pct: float
    speed_step_mm_s: float
    words: str  # What the chance is the chance of
    bands: tuple[Band, ...]  # From the lowest level to the highest
    hull: Loop  # Corners of what was burnt; empty when nothing was
    burns: tuple[Burn, ...]  # What was burnt with as many passes
    wanted_mark: int  # The mark grade that is wanted
    start: Setting  # A setting to begin looking at
    notes: tuple[str, ...]  # What the user must know


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOut:
    """What holds at one setting."""

    # power_pct, speed_mm_s, passes, line_pitch_mm: The setting
    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None
    chance: float  # The chance that ``chance_words`` tells [1]
    chance_words: str  # What it is the chance of
    chance_not_deeper: float | None  # For marks, that it goes no deeper than wanted; None for cuts
    expected_char: float | None  # Expected char grade, 0…4; None for marks
    # Spare energy, negative on the far side of the edge [%]; None for marks
    energy_margin_pct: float | None
    # Time of the cut path alone, without corners and travel [s]; None without a length
    job_time_s: float | None
    tested: bool  # True inside what was burnt
    allowed: bool  # True when the machine's limits and ceiling allow it


def region_look(
    region: Region, wish: RegionWish, *, passes: int | None = None, start: Setting | None = None
) -> RegionLook:
    """Work out what a screen shows of a region."""
    shown = passes or (start.passes if start else min(region.hulls, default=1))
    shower = Shower(region, wish, shown, None)
    powers, speeds = shower.axes()
    chance, _ = shower.layers(powers[:, None], speeds[None, :])
    hull = region.hulls.get(shown)
    return RegionLook(
        machine=region.machine.name,
        sheet=region.sheet.name,
        operation=region.operation,
        passes=shown,
        line_pitch_mm=shower.pitch,
        edge=region.edge,
        power_pct=(float(powers[0]), float(powers[-1])),
        speed_mm_s=(float(speeds[0]), float(speeds[-1])),
        power_step_pct=region.machine.power_step_pct,
        speed_step_mm_s=region.machine.speed_step_mm_s,
        words=shower.words,
        bands=tuple(
            Band(level=level, loops=outlines_above(powers, speeds, chance, level))
            for level in (CUT_LEVELS if region.operation == "cut" else MARK_LEVELS)
        ),
        hull=() if hull is None else tuple((float(p), float(v)) for p, v in np.exp(hull)),
        burns=tuple(burn for burn in region.burns if burn.passes == shown),
        wanted_mark=wish.mark,
        start=start or _middle(powers, speeds, shown, shower.pitch),
        notes=region.notes,
    )


def read_out(region: Region, wish: RegionWish, setting: Setting) -> ReadOut:
    """Say what holds at one setting, wherever it lies.

    Raises InvalidRecord when an area mark's pitch is missing.
    """
    if region.operation == "area_mark" and setting.line_pitch_mm is None:
        raise unfit("line_pitch_mm", None, "an area mark needs its line pitch in mm")
    shower = Shower(region, wish, setting.passes, None, exact=True)
    power, speed = np.array([setting.power_pct]), np.array([setting.speed_mm_s])
    if setting.line_pitch_mm is not None:
        shower.pitch = setting.line_pitch_mm
    length = wish.cut_length_mm
    return ReadOut(
        power_pct=setting.power_pct,
        speed_mm_s=setting.speed_mm_s,
        passes=setting.passes,
        line_pitch_mm=setting.line_pitch_mm,
        chance=min(max(float(shower.chance(power, speed)[0]), 0.0), 1.0),
        chance_words=shower.words,
        job_time_s=None if length is None else length * setting.passes / setting.speed_mm_s,
        tested=region.tested(setting.power_pct, setting.speed_mm_s, setting.passes),
        allowed=_allowed(region, setting),
        **_of_operation(region, wish, setting),
    )


def _of_operation(region: Region, wish: RegionWish, at: Setting) -> dict[str, Any]:
    if region.operation == "cut":
        reach = float(region.median_reach(at.power_pct, at.speed_mm_s, at.passes))
        char = float(region.expected_char(at.power_pct, at.speed_mm_s, at.passes))
        return {
            "chance_not_deeper": None,
            "expected_char": char,
            # The exponent of a setting far beyond the edge has no use as a number.
            "energy_margin_pct": 100.0 * math.expm1(min(reach, math.log(100.0))),
        }
    chance = region.chance_mark_at_most(
        wish.mark, at.power_pct, at.speed_mm_s, at.passes, at.line_pitch_mm
    )
    return {
        "chance_not_deeper": float(chance),
        "expected_char": None,
        "energy_margin_pct": None,
    }


def _allowed(region: Region, setting: Setting) -> bool:
    lowest, highest = power_limits_pct(region.machine)
    _, fastest = speed_limits_mm_s(region.machine)
    return lowest <= setting.power_pct <= highest and setting.speed_mm_s <= fastest


def _middle(powers: Array, speeds: Array, passes: int, pitch: float | None) -> Setting:
    return Setting(
        power_pct=round(float(powers[len(powers) // 2])),
        speed_mm_s=float(f"{speeds[len(speeds) // 2]:.3g}"),
        passes=passes,
        line_pitch_mm=pitch,
    )


def outlines_above(powers: Array, speeds: Array, chance: Array, level: float) -> tuple[Loop, ...]:
    """Outline where a chance is at least so high, the frame counting as an edge.

    Examples
    --------
    >>> axis = np.array([1.0, 2.0])
    >>> loops = outlines_above(axis, axis, np.ones((2, 2)), 0.5)
    >>> [sorted(set(loop)) for loop in loops]
    [[(1.0, 1.0), (1.0, 2.0), (2.0, 1.0), (2.0, 2.0)]]
    """
    padded = np.pad(np.nan_to_num(chance, nan=_BELOW), 1, constant_values=_BELOW)
    following: dict[Edge, Edge] = {}
    for i, j in zip(*_mixed(padded >= level), strict=True):
        following.update(_segments(padded, level, int(i), int(j)))
    at = {edge: _crossing(padded, level, edge) for edge in following}
    logs = np.log(speeds)
    loops = []
    while following:
        edge = first = next(iter(following))
        loop = []
        while edge in following:
            loop.append(_place(at[edge], powers, logs))
            edge = following.pop(edge)
        assert edge == first  # every outline closes
        loops.append(tuple(loop))
    return tuple(loops)


# An edge of the grid: its lower end, and whether it goes along the first axis.
Edge = tuple[int, int, bool]
_CORNERS = ((0, 0), (1, 0), (1, 1), (0, 1))


def _mixed(above: npt.NDArray[np.bool_]) -> tuple[Any, Any]:
    """Squares of which some corners lie above and some below."""
    rows, columns = above.shape
    corners = np.stack([
        above[i : rows - 1 + i, j : columns - 1 + j] for i, j in _CORNERS
    ])  # fmt: skip
    first, second = np.nonzero(corners.any(axis=0) & ~corners.all(axis=0))
    return first, second


def _segments(values: Array, level: float, i: int, j: int) -> list[tuple[Edge, Edge]]:
    """Pieces of the outline in one square, each from where its border enters to where it leaves."""
    inside = [values[i + a, j + b] >= level for a, b in _CORNERS]
    entries: list[int] = []
    leaves: list[int] = []
    for n in range(4):
        if inside[n] != inside[n - 3]:
            (leaves if inside[n] else entries).append(n)
    if len(entries) == 2:
        # A saddle: joined through the middle when that lies above.
        joined = values[i : i + 2, j : j + 2].mean() >= level
        leaves = [_next_leave(entry, leaves, joined) for entry in entries]
    return [
        (_edge(i, j, entry), _edge(i, j, leave))
        for entry, leave in zip(entries, leaves, strict=True)
    ]


def _next_leave(entry: int, leaves: list[int], joined: bool) -> int:
    """The crossing after an entry going round, or the one before it."""
    step = -1 if joined else 1
    return next(n for n in ((entry + step * k) % 4 for k in range(1, 4)) if n in leaves)


def _edge(i: int, j: int, side: int) -> Edge:
    """The side of a square, from corner ``side`` to the next one."""
    return ((i, j, True), (i + 1, j, False), (i, j + 1, True), (i, j, False))[side]


def _crossing(values: Array, level: float, edge: Edge) -> Point:
    """Where the level is met on an edge, in places of the unpadded grid."""
    i, j, along = edge
    low = values[i, j]
    high = values[i + 1, j] if along else values[i, j + 1]
    share = float((level - low) / (high - low))
    return (i - 1 + share, j - 1.0) if along else (i - 1.0, j - 1 + share)


def _place(at: Point, powers: Array, logs: Array) -> Point:
    power = np.interp(at[0], np.arange(len(powers)), powers)
    speed = np.exp(np.interp(at[1], np.arange(len(logs)), logs))
    return float(power), float(speed)
