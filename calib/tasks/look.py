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
from calib.pictures.scale import Loop, outlines_above
from calib.records import Burn, Operation, Setting
from calib.tasks.pictures import Shower
from calib.tasks.wishes import RegionWish

Array = npt.NDArray[np.float64]
Point = tuple[float, float]

# Chances at which bands change: a mark of exactly one grade is seldom sure.
CUT_LEVELS = (0.5, 0.9, 0.99)
MARK_LEVELS = (0.25, 0.5, 0.75)


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
