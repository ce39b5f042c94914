"""Where the parts of a comb board lie, and their outlines.

Slots are notches in the long side of a bar, tongues stand on the long side of another, and the
gauge is a short bar with one notch, into which each tongue is pushed across.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from calib.boards.lettering import Polyline
from calib.boards.places import CODE_CAP_MM, CODE_CLEAR_MM, gap_mm
from calib.boards.strokes import CORNER_CHORDS
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """Measures that all parts of one comb share [mm]."""

    depth_mm: float  # Of notches and tongues
    wall_mm: float  # Between notches
    spacing_mm: float  # Between tongues
    gap_mm: float  # Between parts

    @property
    def height_mm(self) -> float:
        """Of every part [mm]."""
        return self.depth_mm + BAR_MM


def measures_for(sheet: Sheet, stock_mm: float) -> Measures:
    """Choose the measures for a sheet and the stock that is tried in it."""
    depth = float(math.ceil(max(DEPTH_MM, 2.0 * stock_mm, sheet.working_thickness_mm + 4.0)))
    wall = math.ceil(2.0 * _WALL_SHARE * depth) / 2.0
    return Measures(depth_mm=depth, wall_mm=wall, spacing_mm=wall + _SPARE_MM, gap_mm=gap_mm(sheet))


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part before it has a place."""

    name: str  # ``slots``, ``tongues`` or ``gauge``, with a number when there are several
    kind: StepKind  # Of its steps
    steps: tuple[tuple[str, float], ...]  # Code and drawn width [mm] of each

    def width_mm(self, measures: Measures) -> float:
        """Its length along the bar [mm]."""
        widths = sum(width for _, width in self.steps)
        between = len(self.steps) - 1
        if self.kind == "tongue":
            return 2.0 * _SHOULDER_MM + widths + between * measures.spacing_mm
        return widths + (between + 2) * measures.wall_mm

    def placed(self, measures: Measures, at: tuple[float, float]) -> Iterator[CombStep]:
        """Give each step its place; ``at`` is the part's top left [mm]."""
        tongues = self.kind == "tongue"
        x = at[0] + (_SHOULDER_MM if tongues else measures.wall_mm)
        for label, width in self.steps:
            yield CombStep(
                label=label,
                kind=self.kind,
                width_mm=width,
                x_mm=round(x, 3),
                y_mm=round(at[1], 3),
                depth_mm=measures.depth_mm,
                part=self.name,
            )
            x += width + (measures.spacing_mm if tongues else measures.wall_mm)


def parts_of(
    kind: StepKind,
    steps: Sequence[tuple[str, float]],
    measures: Measures,
    room_mm: float,
) -> list[Part]:
    """Share steps out over as few parts as the room needs."""
    names = {"slot": "slots", "tongue": "tongues", "gauge": "gauge"}
    for count in range(1, len(steps) + 1):
        size = math.ceil(len(steps) / count)
        shares = [tuple(steps[n : n + size]) for n in range(0, len(steps), size)]
        parts = [
            Part(
                name=names[kind] + (f"-{number}" if len(shares) > 1 else ""), kind=kind, steps=share
            )
            for number, share in enumerate(shares, 1)
        ]
        if all(part.width_mm(measures) <= room_mm + 1e-6 for part in parts):
            return parts
    return []


def shelves(
    parts: Sequence[Part], measures: Measures, room_mm: float
) -> list[tuple[Part, float, float]]:
    """Put parts side by side in rows."""
    ends: list[float] = []
    placed: list[tuple[Part, float, float]] = []
    for part in parts:
        width = part.width_mm(measures)
        row = next((n for n, end in enumerate(ends) if end + width <= room_mm + 1e-6), len(ends))
        if row == len(ends):
            ends.append(0.0)
        placed.append((part, ends[row], row * (measures.height_mm + measures.gap_mm)))
        ends[row] += width + measures.gap_mm
    return placed


def outline(
    steps: Sequence[CombStep], at: tuple[float, float], size_mm: tuple[float, float]
) -> Polyline:
    """Outline of a part, from the middle of its plain side clockwise round to the same point."""
    (left, top), (width, height) = at, size_mm
    right, bottom = left + width, top + height
    tongues = steps[0].kind == "tongue"
    # The upper corners lie below the tongues, at their feet.
    upper = top + (steps[0].depth_mm if tongues else 0.0)
    start = ((left + right) / 2.0, bottom)
    r = _CORNER_MM
    points = [start]
    points += _corner((left + r, bottom - r), 90.0)
    points += _corner((left + r, upper + r), 180.0)
    for step in steps:
        foot, end = (upper, top) if tongues else (top, top + step.depth_mm)
        far = round(step.x_mm + step.width_mm, 3)
        points += [(step.x_mm, foot), (step.x_mm, end), (far, end), (far, foot)]
    points += _corner((right - r, upper + r), 270.0)
    points += _corner((right - r, bottom - r), 0.0)
    return tuple((round(x, 3), round(y, 3)) for x, y in (*points, start))


def _corner(centre: tuple[float, float], first_deg: float) -> Iterator[tuple[float, float]]:
    for chord in range(CORNER_CHORDS + 1):
        angle = math.radians(first_deg + 90.0 * chord / CORNER_CHORDS)
        yield (
            centre[0] + _CORNER_MM * math.cos(angle),
            centre[1] + _CORNER_MM * math.sin(angle),
        )


def code_baseline_mm(step: CombStep) -> float:
    """Line on which a step's code stands, in the bar behind it [mm]."""
    return step.y_mm + step.depth_mm + 1.5 * CODE_CLEAR_MM + CODE_CAP_MM


def name_baseline_mm(step: CombStep) -> float:
    """Line on which the board's code stands, below those of the steps [mm]."""
    return code_baseline_mm(step) + _LINE_MM
