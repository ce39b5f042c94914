"""One board for every purpose: what is burnt where and in what order, for all that is made of it.

Drawing, program and predicted time are made of this one list of strokes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from calib.boards.lettering import Polyline, text_strokes, text_width_mm
from calib.boards.places import (
    CODE_CAP_MM,
    CODE_CLEAR_MM,
    COUPON_CODE_CAP_MM,
    HEAD_BELOW_MM,
    LINE_DOWN_MM,
    MARK_INSET_MM,
    head_lines,
    row_gap_mm,
    title_of,
)
from calib.boards.strokes import Stroke, head_strokes, label_strokes, rounded_corner
from calib.errors import InvalidRecord
from calib.limits import beyond_words, gentle_first
from calib.physics import run_up_mm
from calib.records import (
    COUPON_CORNER_MM,
    KINDS,
    Air,
    Cell,
    Grid,
    Machine,
    Operation,
    Setting,
    Sheet,
)
from calib.texts.say import say

Purpose = Literal["test", "comb", "focus"]
_NAMES: dict[Purpose, str] = {
    "test": "Board",
    "comb": say("boards.comb_board"),
    "focus": say("boards.focus_board"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What is burnt in one go, all its passes before the next: a cell, or a part of a comb."""

    label: str  # Its code, used once on a board
    name: str  # What it is, in words, such as ``cell C1``
    setting: Setting
    strokes: tuple[Stroke, ...]
    by_hand: str = ""  # What is to be set before it is burnt: the program stops there


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Everything that is burnt on one board."""

    board_id: str  # Short code that names it; the same plan has the same code
    purpose: Purpose = "test"
    # machine, sheet: For whom it is
    machine: Machine
    sheet: Sheet
    operation: Operation
    round: int = 1  # Which test grid of this pair
    board_mm: tuple[float, float]  # Width and height [mm]
    label_setting: Setting  # Of head and codes
    labels: tuple[Stroke, ...]  # Head and codes, which are burnt first
    groups: tuple[Group, ...]  # In the order in which they are burnt
    how: tuple[str, ...] = ()  # What is done with it, in sentences
    notes: tuple[str, ...] = ()  # What the user must know, in sentences
    caution: str = ""  # Stands in the head of every file
    air: Air | None = None  # Air assist of its cells; None: as is usual for each stroke

    @property
    def strokes(self) -> tuple[Stroke, ...]:
        """All strokes in the order in which they are burnt."""
        return (*self.labels, *(stroke for group in self.groups for stroke in group.strokes))

    @property
    def settings(self) -> tuple[Setting, ...]:
        """The settings of the board, that of the codes included, gentle first."""
        return gentle_first(self.machine, {self.label_setting, *(g.setting for g in self.groups)})

    @property
    def title(self) -> str:
        """Say in one line which board this is."""
        round_ = say("boards.round", round=self.round) if self.purpose == "test" else ""
        return (
            f"{_NAMES[self.purpose]} {self.board_id}{round_}: {self.operation.replace('_', ' ')}"
            f" of {self.sheet.name} ({self.sheet.material}, {self.sheet.thickness_mm:g} mm) on"
            f" {self.machine.name}, {self.board_mm[0]:g} x {self.board_mm[1]:g} mm"
            + (f". {self.caution}" if self.caution else "")
        )


def board_of(planned: Grid | Board) -> Board:
    """Draw a test grid: its head, its codes, and its cells; other boards are drawn already."""
    if isinstance(planned, Board):
        return planned
    grid = planned
    # The head stands on the codes of the first row.
    left = min(cell.x_mm for cell in grid.cells)
    first_row = min(cell.y_mm for cell in grid.cells)
    bottom = first_row - row_gap_mm(grid.sheet) - HEAD_BELOW_MM
    title = title_of(grid.board_id, grid.round, grid.operation, grid.sheet)
    lines = head_lines(title, grid.board_mm[0] - 2.0 * left)
    labels = [*head_strokes(grid.label_setting, lines, left, bottom)]
    for cell in sorted(grid.cells, key=lambda cell: (cell.y_mm, cell.x_mm)):
        labels += _codes(grid, cell)
    groups = tuple(
        Group(
            label=cell.label,
            name=say("boards.step" if grid.stair else "boards.cell", cell=cell),
            setting=cell.setting,
            strokes=tuple(_burn(grid, cell)),
        )
        for cell in sorted(grid.cells, key=lambda cell: cell.burn_order)
    )
    return Board(
        board_id=grid.board_id,
        machine=grid.machine,
        sheet=grid.sheet,
        operation=grid.operation,
        round=grid.round,
        board_mm=grid.board_mm,
        label_setting=grid.label_setting,
        labels=tuple(labels),
        groups=groups,
        notes=grid.notes,
        caution=beyond_words(grid),
        air=grid.air,
    )


def _codes(grid: Grid, cell: Cell) -> Iterator[Stroke]:
    """Code above the cell and, if something drops out, on the coupon too."""
    left = cell.x_mm if grid.operation == "cut" else cell.x_mm + MARK_INSET_MM
    beside = text_strokes(cell.label, CODE_CAP_MM, left, cell.y_mm - CODE_CLEAR_MM)
    yield from label_strokes(grid.label_setting, beside, cell.label)
    if grid.operation == "cut" and not grid.stair and not cell.path_mm:
        cap = COUPON_CODE_CAP_MM
        left = cell.x_mm + (cell.width_mm - text_width_mm(cell.label, cap)) / 2.0
        on_coupon = text_strokes(cell.label, cap, left, cell.y_mm + (cell.height_mm + cap) / 2.0)
        yield from label_strokes(grid.label_setting, on_coupon, cell.label)


def _burn(grid: Grid, cell: Cell) -> Iterator[Stroke]:
    setting = cell.setting  # made once: an area has a hundred lines
    if grid.stair and grid.operation == "cut":
        y = round(cell.y_mm + cell.height_mm / 2.0, 3)
        ends = (round(cell.x_mm + cell.width_mm, 3), y), (round(cell.x_mm, 3), y)
        yield Stroke(kind="cut", setting=setting, points=ends, cell=cell.label)
        return
    if grid.operation == "cut":
        path = cell.path_mm or _coupon_outline(cell)
        closed = path[0] == path[-1]
        yield Stroke(kind="cut", setting=setting, points=path, cell=cell.label, closed=closed)
        return
    run_up = run_up_mm(cell.speed_mm_s, grid.machine.working_acceleration_mm_s2)
    left = round(cell.x_mm + MARK_INSET_MM, 3)
    right = round(cell.x_mm + cell.width_mm - MARK_INSET_MM, 3)
    for number, y in enumerate(_lines_mm(grid, cell)):
        ends = (left, y), (right, y)
        back = grid.machine.area_both_ways and number % 2 == 1
        yield Stroke(
            kind="mark",
            setting=setting,
            points=ends[::-1] if back else ends,
            cell=cell.label,
            run_up_mm=round(run_up, 3),
        )


def _lines_mm(grid: Grid, cell: Cell) -> list[float]:
    """The y of a line mark, or of an area's lines at its pitch in the middle of the cell."""
    if KINDS[grid.operation].shape == "line":
        return [round(cell.y_mm + min(LINE_DOWN_MM, cell.height_mm / 2.0), 3)]
    pitch = cell.line_pitch_mm
    if pitch is None:
        raise InvalidRecord(say("boards.cell_has_no_line_pitch", cell=cell))
    steps = math.floor((cell.height_mm - 2.0 * MARK_INSET_MM) / pitch + 1e-9)
    top = cell.y_mm + (cell.height_mm - steps * pitch) / 2.0
    return [round(top + step * pitch, 3) for step in range(steps + 1)]


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
        for point in rounded_corner((x, y), radius, first):
            rounded = (round(point[0], 3), round(point[1], 3))
            if rounded != points[-1]:
                points.append(rounded)
    return (*points, start)
