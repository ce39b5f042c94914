"""Where the parts of a comb board lie, and their outlines.

Slots are notches in the long side of a bar, tongues stand on the long side of another, and the
gauge is a short bar with one notch, into which each tongue is pushed across.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from calib.boards.lettering import Polyline
from calib.boards.places import CODE_CAP_MM, CODE_CLEAR_MM, gap_mm
from calib.boards.strokes import rounded_corner
from calib.records import Sheet

StepKind = Literal["slot", "tongue", "gauge"]

# Notches and tongues are so long, at least, and the bar behind them so high that it doesn't bend
# [mm] (own judgement, no source).
DEPTH_MM, BAR_MM = 10.0, 14.0
# Between notches, as a share of their depth: stubby, so that they don't give way when stock is
# pushed in (own judgement, no source).
_WALL_SHARE = 0.8
# A gauge's wall passes between two tongues with this to spare [mm].
_SPARE_MM = 1.0
_SHOULDER_MM = 6.0
_CORNER_MM = 2.0
# Second line of text below the codes [mm].
_LINE_MM = 4.5


@dataclass(frozen=True, slots=True, kw_only=True)
class CombStep:
    """One slot or tongue."""

    label: str  # Its code
    # ``slot``, ``tongue``, or ``gauge`` for the slot into which the tongues are tried
    kind: StepKind
    width_mm: float  # Drawn [mm]
    # x_mm, y_mm, depth_mm: Its box on the board [mm], origin top left, y down: left, top and height
    x_mm: float
    y_mm: float
    depth_mm: float
    part: str  # Name of the part that it belongs to

    @property
    def code_baseline_mm(self) -> float:
        """Line on which its code stands, in the bar behind it [mm]."""
        return self.y_mm + self.depth_mm + 1.5 * CODE_CLEAR_MM + CODE_CAP_MM

    @property
    def name_baseline_mm(self) -> float:
        """Line on which the board's code stands, below those of the steps [mm]."""
        return self.code_baseline_mm + _LINE_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """Measures that all parts of one comb share [mm]."""

    depth_mm: float  # Of notches and tongues
    wall_mm: float  # Between notches
    gap_mm: float  # Between parts

    @property
    def height_mm(self) -> float:
        """Of every part [mm]."""
        return self.depth_mm + BAR_MM

    def ends_and_between_mm(self, kind: StepKind) -> tuple[float, float]:
        """What is left beside the first and the last step of a part, and between two [mm]."""
        if kind == "tongue":
            return _SHOULDER_MM, self.wall_mm + _SPARE_MM
        return self.wall_mm, self.wall_mm


def measures_for(sheet: Sheet, stock_mm: float) -> Measures:
    """Choose the measures for a sheet and the stock that is tried in it."""
    depth = float(math.ceil(max(DEPTH_MM, 2.0 * stock_mm, sheet.working_thickness_mm + 4.0)))
    wall = math.ceil(2.0 * _WALL_SHARE * depth) / 2.0
    return Measures(depth_mm=depth, wall_mm=wall, gap_mm=gap_mm(sheet))


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part before it has a place."""

    name: str  # ``slots``, ``tongues`` or ``gauge``, with a number when there are several
    kind: StepKind  # Of its steps
    steps: tuple[tuple[str, float], ...]  # Code and drawn width [mm] of each
    measures: Measures

    @property
    def width_mm(self) -> float:
        """Its length along the bar [mm]."""
        ends, between = self.measures.ends_and_between_mm(self.kind)
        return 2.0 * ends + sum(w for _, w in self.steps) + (len(self.steps) - 1) * between

    def placed(self, at: tuple[float, float]) -> list[CombStep]:
        """Give each step its place; ``at`` is the part's top left [mm]."""
        ends, between = self.measures.ends_and_between_mm(self.kind)
        x, found = at[0] + ends, []
        for label, width in self.steps:
            found.append(
                CombStep(
                    label=label,
                    kind=self.kind,
                    width_mm=width,
                    x_mm=round(x, 3),
                    y_mm=round(at[1], 3),
                    depth_mm=self.measures.depth_mm,
                    part=self.name,
                )
            )
            x += width + between
        return found

    def outline(self, at: tuple[float, float]) -> Polyline:
        """From the middle of its plain side clockwise round to the same point."""
        (left, top), right = at, at[0] + self.width_mm
        bottom, tongues, r = top + self.measures.height_mm, self.kind == "tongue", _CORNER_MM
        # The upper corners lie below the tongues, at their feet.
        upper = top + (self.measures.depth_mm if tongues else 0.0)
        start = ((left + right) / 2.0, bottom)
        points = [start]
        points += rounded_corner((left + r, bottom - r), r, 90.0)
        points += rounded_corner((left + r, upper + r), r, 180.0)
        for step in self.placed(at):
            foot, end = (upper, top) if tongues else (top, top + step.depth_mm)
            far = round(step.x_mm + step.width_mm, 3)
            points += [(step.x_mm, foot), (step.x_mm, end), (far, end), (far, foot)]
        points += rounded_corner((right - r, upper + r), r, 270.0)
        points += rounded_corner((right - r, bottom - r), r, 0.0)
        return tuple((round(x, 3), round(y, 3)) for x, y in (*points, start))


def parts_of(
    kind: StepKind,
    steps: Sequence[tuple[str, float]],
    measures: Measures,
    room_mm: float,
) -> list[Part]:
    """Share steps out over as few parts as the room needs; none when it holds not one step."""
    name = "gauge" if kind == "gauge" else f"{kind}s"
    for count in range(1, len(steps) + 1):
        size = math.ceil(len(steps) / count)
        shares = [tuple(steps[n : n + size]) for n in range(0, len(steps), size)]
        numbers = [f"-{number}" if len(shares) > 1 else "" for number in range(1, len(shares) + 1)]
        parts = [
            Part(name=name + number, kind=kind, steps=share, measures=measures)
            for number, share in zip(numbers, shares, strict=True)
        ]
        if all(part.width_mm <= room_mm + 1e-6 for part in parts):
            return parts
    return []


def shelves(parts: Sequence[Part], room_mm: float) -> list[tuple[Part, float, float]]:
    """Put parts side by side in rows: each with its left and top [mm]."""
    ends: list[float] = []
    placed: list[tuple[Part, float, float]] = []
    for part in parts:
        width, measures = part.width_mm, part.measures
        row = next((n for n, end in enumerate(ends) if end + width <= room_mm + 1e-6), len(ends))
        if row == len(ends):
            ends.append(0.0)
        placed.append((part, ends[row], row * (measures.height_mm + measures.gap_mm)))
        ends[row] += width + measures.gap_mm
    return placed
