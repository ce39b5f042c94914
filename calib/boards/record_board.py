"""The board on its record sheet: the strokes to scale, as they lie on the bench."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calib.boards.board import Board
from calib.boards.layers import Layer
from calib.boards.places import LINE_DOWN_MM, MARK_INSET_MM
from calib.boards.record_marks import DASHES_MM
from calib.print_style import Drawing, letters, outline
from calib.records import KINDS, Cell, Grid
from calib.texts.say import say

CAPTION_MM = 6.0
# Height of a capital with the air around it, width of a bold letter [mm per pt].
_TYPE_ROOM, _LETTER_MM = 0.27, 0.25
_LARGEST_PT, _SMALLEST_PT = 12.0, 3.0


def code_pt(grid: Grid, scale: float) -> float:
    """Type size of the codes in their cells at a scale of 1 : ``scale`` [pt]."""
    cell = min(grid.cells, key=lambda cell: (cell.width_mm, cell.height_mm))
    letters_mm = _LETTER_MM * max(len(cell.label) for cell in grid.cells)
    top, bottom = _code_room(grid, cell)
    wide, high = 0.74 * cell.width_mm / letters_mm, 0.6 * (bottom - top) / _TYPE_ROOM
    return max(_SMALLEST_PT, min(_LARGEST_PT, wide / scale, high / scale))


def _code_room(grid: Grid, cell: Cell) -> tuple[float, float]:
    """Top and bottom of the room for a cell's code; below the line where there is one [mm]."""
    down = 0.0
    if KINDS[grid.operation].shape == "line" or grid.stair:
        down = cell.height_mm / 2.0
        down = down if grid.operation == "cut" else min(LINE_DOWN_MM, down)
    return cell.y_mm + down, cell.y_mm + cell.height_mm


def board_drawing(grid: Grid, board: Board, layers: Mapping[str, Layer], scale: float) -> Drawing:
    """Draw a board as it lies on the bench, its scale below it."""
    width, height = grid.board_mm

    def draw(canvas: Any) -> None:
        canvas.saveState()
        canvas.scale(1.0 / scale, 1.0 / scale)
        canvas.setLineWidth(0.25 * scale)
        canvas.rect(0.0, 0.0, width, height)
        canvas.setLineWidth((0.18 if scale < 2.5 else 0.12) * scale)
        tops = {cell.label: cell.y_mm for cell in grid.cells}
        ends = {cell.label: cell.ends_mm for cell in grid.cells}
        for stroke in board.labels:
            # A coupon's own code is typed.
            beside = stroke.cell == "" or min(y for _, y in stroke.points) < tops[stroke.cell]
            on_board = all(0.0 <= x <= width and 0.0 <= y <= height for x, y in stroke.points)
            if beside and on_board:
                outline(canvas, stroke.points)
        canvas.setLineWidth(0.4 * scale)
        for group in board.groups:
            layer = layers[group.label]
            dashes = DASHES_MM[layer.number % len(DASHES_MM)]
            canvas.setDash([part * min(scale, 1.3) for part in dashes])
            canvas.setStrokeColor(layer.colour)
            if KINDS[grid.operation].shape == "area":
                cell = next(cell for cell in grid.cells if cell.label == group.label)
                inset = MARK_INSET_MM
                size = cell.width_mm - 2.0 * inset, cell.height_mm - 2.0 * inset
                canvas.rect(cell.x_mm + inset, cell.y_mm + inset, *size)
            else:
                for stroke in group.strokes:
                    outline(canvas, stroke.points)
                canvas.setDash([])
                for across in ends[group.label]:
                    outline(canvas, across)
        canvas.restoreState()
        size_pt = code_pt(grid, scale)
        for cell in () if grid.cells[0].path_mm else grid.cells:
            x = (cell.x_mm + cell.width_mm / 2.0) / scale
            y = sum(_code_room(grid, cell)) / 2.0 / scale + 0.13 * size_pt
            letters(canvas, (x, y), cell.label, size_pt, align="middle", bold=True)
        # The scale, and a length of 10 mm of the board.
        y, length = height / scale + 2.6, 10.0 / scale
        canvas.setLineWidth(0.3)
        canvas.line(0.0, y, length, y)
        for end in (0.0, length):
            canvas.line(end, y - 0.7, end, y + 0.7)
        said = say("boards.scale_as_on_bench", scale=scale)
        letters(canvas, (length + 1.5, y + 0.9), said, 6.0)

    return Drawing((width / scale, height / scale + CAPTION_MM), draw)
