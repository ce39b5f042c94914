"""The one list of strokes from which drawing, program and predicted time are made."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from calib.errors import InvalidRecord
from calib.grid.lettering import Polyline, text_strokes, text_width_mm
from calib.grid.places import (
    BELOW_CAPS,
    CODE_CAP_MM,
    CODE_CLEAR_MM,
    COUPON_CODE_CAP_MM,
    HEAD_BELOW_MM,
    HEAD_CAP_MM,
    HEAD_LINE_MM,
    LINE_DOWN_MM,
    MARK_INSET_MM,
    SIGN_MM,
    head_lines,
    row_gap_mm,
    title_of,
)
from calib.physics import run_up_mm
from calib.records import COUPON_CORNER_MM, Cell, Grid, Setting

Kind = Literal["label", "cut", "mark"]

# Chords per rounded corner: twelve are shorter than the arcs by 3 parts in 10,000, and lie within
# 0.007 mm of them.
CORNER_CHORDS = 12


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


def strokes_of(grid: Grid) -> tuple[Stroke, ...]:
    """List all strokes of a board in the order in which they are burnt."""
    strokes = [*_head(grid)]
    for cell in sorted(grid.cells, key=lambda cell: (cell.y_mm, cell.x_mm)):
        strokes += _codes(grid, cell)
    for cell in sorted(grid.cells, key=lambda cell: cell.burn_order):
        strokes += _burn(grid, cell)
    return tuple(strokes)


def strokes_of_cells(strokes: tuple[Stroke, ...]) -> Iterator[tuple[Stroke, ...]]:
    """Group strokes: the labels one by one, the strokes of a cell together."""
    group: list[Stroke] = []
    for stroke in strokes:
        if group and (group[0].kind == "label" or stroke.cell != group[0].cell):
            yield tuple(group)
            group = []
        group.append(stroke)
    if group:
        yield tuple(group)


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


def _head(grid: Grid) -> Iterator[Stroke]:
    """Head of the board, standing on the codes of the first row."""
    left = min(cell.x_mm for cell in grid.cells)
    first_row = min(cell.y_mm for cell in grid.cells)
    bottom = first_row - row_gap_mm(grid.sheet) - HEAD_BELOW_MM
    title = title_of(grid.board_id, grid.round, grid.operation, grid.sheet)
    lines = head_lines(title, grid.board_mm[0] - 2.0 * left)
    yield from head_strokes(grid.label_setting, lines, left, bottom)


def _corner_sign(left: float, baseline: float) -> tuple[Polyline, ...]:
    """Draw an arrow against a bar: the bar lies along the board's upper edge, at its left end."""
    top, middle, half = baseline - HEAD_CAP_MM, left + 1.7, 1.7
    return (
        ((left, top), (left + 2.0 * half, top)),
        ((middle, baseline), (middle, top + 0.6)),
        ((middle - 1.1, top + 1.7), (middle, top + 0.6), (middle + 1.1, top + 1.7)),
    )


def _codes(grid: Grid, cell: Cell) -> Iterator[Stroke]:
    """Code above the cell and, if something drops out, on the coupon too."""
    left = cell.x_mm if grid.operation == "cut" else cell.x_mm + MARK_INSET_MM
    beside = text_strokes(cell.label, CODE_CAP_MM, left, cell.y_mm - CODE_CLEAR_MM)
    yield from label_strokes(grid.label_setting, beside, cell.label)
    if grid.operation == "cut":
        cap = COUPON_CODE_CAP_MM
        left = cell.x_mm + (cell.width_mm - text_width_mm(cell.label, cap)) / 2.0
        on_coupon = text_strokes(cell.label, cap, left, cell.y_mm + (cell.height_mm + cap) / 2.0)
        yield from label_strokes(grid.label_setting, on_coupon, cell.label)


def _burn(grid: Grid, cell: Cell) -> Iterator[Stroke]:
    setting = cell.setting  # made once: an area has a hundred lines
    if grid.operation == "cut":
        yield Stroke(
            kind="cut",
            setting=setting,
            points=_coupon_outline(cell),
            cell=cell.label,
            closed=True,
        )
        return
    run_up = run_up_mm(cell.speed_mm_s, grid.machine.working_acceleration_mm_s2)
    for line in _line(cell) if grid.operation == "line_mark" else _surface(grid, cell):
        yield Stroke(
            kind="mark",
            setting=setting,
            points=line,
            cell=cell.label,
            run_up_mm=round(run_up, 3),
        )


def _coupon_outline(cell: Cell) -> Polyline:
    """Outline from the middle of the upper side clockwise round to the same point."""
    left, top = cell.x_mm, cell.y_mm
    right, bottom = left + cell.width_mm, top + cell.height_mm
    radius = min(COUPON_CORNER_MM, cell.width_mm / 2.0, cell.height_mm / 2.0)
    # Centres of the corners and the angle at which each begins, y down.
    corners = (
        (right - radius, top + radius, -90.0),
        (right - radius, bottom - radius, 0.0),
        (left + radius, bottom - radius, 90.0),
        (left + radius, top + radius, 180.0),
    )
    start = (round((left + right) / 2.0, 3), round(top, 3))
    points = [start]
    for x, y, first in corners:
        for chord in range(CORNER_CHORDS + 1):
            angle = math.radians(first + 90.0 * chord / CORNER_CHORDS)
            point = (round(x + radius * math.cos(angle), 3), round(y + radius * math.sin(angle), 3))
            if point != points[-1]:
                points.append(point)
    return (*points, start)


def _line(cell: Cell) -> Iterator[Polyline]:
    y = round(cell.y_mm + min(LINE_DOWN_MM, cell.height_mm / 2.0), 3)
    left, right = cell.x_mm + MARK_INSET_MM, cell.x_mm + cell.width_mm - MARK_INSET_MM
    yield ((round(left, 3), y), (round(right, 3), y))


def _surface(grid: Grid, cell: Cell) -> Iterator[Polyline]:
    """Lines at the cell's pitch from top to bottom, in the middle of the cell."""
    pitch = cell.line_pitch_mm
    if pitch is None:
        raise InvalidRecord(
            f"Cell {cell.label} has no line pitch: an area mark needs the distance of its lines."
        )
    height = cell.height_mm - 2.0 * MARK_INSET_MM
    steps = math.floor(height / pitch + 1e-9)
    top = cell.y_mm + (cell.height_mm - steps * pitch) / 2.0
    left = round(cell.x_mm + MARK_INSET_MM, 3)
    right = round(cell.x_mm + cell.width_mm - MARK_INSET_MM, 3)
    for step in range(steps + 1):
        y = round(top + step * pitch, 3)
        back = grid.machine.area_both_ways and step % 2 == 1
        yield ((right, y), (left, y)) if back else ((left, y), (right, y))
