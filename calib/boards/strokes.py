"""Strokes: what is burnt in one unbroken line; letters and the head of a board as strokes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from calib.boards.lettering import Polyline, text_strokes
from calib.boards.places import (
    BELOW_CAPS,
    HEAD_CAP_MM,
    HEAD_LINE_MM,
    SIGN_MM,
)
from calib.records import Setting

Kind = Literal["label", "cut", "mark"]

# Chords per rounded corner: twelve are shorter than the arcs by 3 parts in 10,000, and lie within
# 0.007 mm of them.
_CORNER_CHORDS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One unbroken line to burn."""

    kind: Kind  # ``label``, ``cut`` or ``mark``
    setting: Setting  # At which it is burnt; its passes are those of the whole cell
    points: Polyline  # ((x, y), …) to a thousandth [mm], origin top left, y down
    cell: str = ""  # Code of the cell that it belongs to; empty for the board's head
    run_up_mm: float = 0.0  # Dark path before its first and after its last point, straight on [mm]
    closed: bool = False  # True when the last point is the first

    @property
    def length_mm(self) -> float:
        """Length that is burnt in one pass [mm]."""
        return sum(math.dist(a, b) for a, b in zip(self.points, self.points[1:], strict=False))

    @property
    def path(self) -> Polyline:
        """The points with the ends of the dark run-ups [mm]."""
        if not self.run_up_mm:
            return self.points
        start = _beyond(self.points[1], self.points[0], self.run_up_mm)
        end = _beyond(self.points[-2], self.points[-1], self.run_up_mm)
        return (start, *self.points, end)


def _beyond(
    inner: tuple[float, float], end: tuple[float, float], length_mm: float
) -> tuple[float, float]:
    share = length_mm / math.dist(inner, end)
    return (
        round(end[0] + share * (end[0] - inner[0]), 3),
        round(end[1] + share * (end[1] - inner[1]), 3),
    )


def rounded_corner(
    centre: tuple[float, float], radius: float, first_deg: float
) -> Iterator[tuple[float, float]]:
    """Points of a quarter of a circle from an angle on, clockwise as y grows down."""
    for chord in range(_CORNER_CHORDS + 1):
        angle = math.radians(first_deg + 90.0 * chord / _CORNER_CHORDS)
        yield centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle)


def label_strokes(setting: Setting, lines: Sequence[Polyline], cell: str = "") -> Iterator[Stroke]:
    """Turn lines of letters into strokes."""
    for line in lines:
        points = tuple((round(x, 3), round(y, 3)) for x, y in line)
        yield Stroke(
            kind="label",
            setting=setting,
            points=points,
            cell=cell,
            closed=points[0] == points[-1],
        )


def head_strokes(
    setting: Setting, lines: Sequence[str], left_mm: float, bottom_mm: float
) -> Iterator[Stroke]:
    """Draw the corner sign and the lines of a board's head."""
    last = bottom_mm - BELOW_CAPS * HEAD_CAP_MM
    baselines = [last - HEAD_LINE_MM * above for above in range(len(lines) - 1, -1, -1)]
    yield from label_strokes(setting, _corner_sign(left_mm, baselines[0]))
    for line, baseline in zip(lines, baselines, strict=True):
        letters = text_strokes(line, HEAD_CAP_MM, left_mm + SIGN_MM, baseline)
        yield from label_strokes(setting, letters)


def _corner_sign(left: float, baseline: float) -> tuple[Polyline, ...]:
    """Draw an arrow against a bar: the bar lies along the board's upper edge, at its left end."""
    top, middle, half = baseline - HEAD_CAP_MM, left + 1.7, 1.7
    return (
        ((left, top), (left + 2.0 * half, top)),
        ((middle, baseline), (middle, top + 0.6)),
        ((middle - 1.1, top + 1.7), (middle, top + 0.6), (middle + 1.1, top + 1.7)),
    )
