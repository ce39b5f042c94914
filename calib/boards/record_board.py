"""The board on its record sheet: the strokes to scale, as they lie on the bench."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calib.boards.board import strokes_of
from calib.boards.record_marks import Sign, draw_mark, scaled_dash
from calib.boards.record_table import figure
from calib.boards.strokes import Stroke
from calib.print_style import PrintPage, text_width_mm
from calib.records import Cell, Grid

Point = tuple[float, float]

CAPTION_MM = 6.0
# Height of a capital with the air around it, width of a bold letter, size of a mark [mm per pt].
_TYPE_ROOM, _LETTER_MM, _MARK_MM = 0.27, 0.25, 0.19
_LARGEST_PT, _SMALLEST_PT = 12.0, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardDrawing:
    """A board before it is drawn."""

    grid: Grid  # The board
    signs: Mapping[str, Sign]  # Sign of each cell's setting by code
    labels: tuple[Stroke, ...]  # Strokes of head, corner sign and codes
    burnt: Mapping[str, tuple[Stroke, ...]]  # Strokes of each cell by code

    def smallest_code_pt(self, scale: float) -> float:
        """Type size of the smallest code at a scale of 1 : ``scale`` [pt]."""
        rooms = {cell.label: self._code_room(cell) for cell in self.grid.cells}
        return min(
            _code_type(cell, rooms[cell.label], self.signs[cell.label], scale)[0]
            for cell in self.grid.cells
        )

    def draw(self, page: PrintPage, at: Point, scale: float) -> float:
        """Draw it from its top left and return the y below its caption [mm]."""
        width, height = (length / scale for length in self.grid.board_mm)
        page.pen(0.25)
        page.box(at, (width, height), fill_grey=1.0)
        self._draw_labels(page, at, scale)
        for cell in self.grid.cells:
            sign = self.signs[cell.label]
            page.pen(0.4, dash_mm=scaled_dash(sign, 1.0 / max(1.0, scale / 1.3)))
            self._draw_burnt(page, at, self.burnt[cell.label], scale)
            _code(page, at, (cell, self._code_room(cell)), sign, scale)
        _caption(page, (at[0], at[1] + height), scale)
        return at[1] + height + CAPTION_MM

    def _code_room(self, cell: Cell) -> tuple[float, float]:
        """Top and bottom of the room for a cell's code [mm on the board]."""
        if self.grid.operation == "cut":
            return cell.y_mm, cell.y_mm + cell.height_mm
        ys = [stroke.points[0][1] for stroke in self.burnt[cell.label]]
        if self.grid.operation == "line_mark":
            return ys[0], cell.y_mm + cell.height_mm
        return min(ys), max(ys)

    def _draw_labels(self, page: PrintPage, at: Point, scale: float) -> None:
        """Draw head, corner sign and the codes beside the cells; a coupon's own is typed."""
        tops = {cell.label: cell.y_mm for cell in self.grid.cells}
        page.pen(0.18 if scale < 2.5 else 0.12)
        for stroke in self.labels:
            beside = stroke.cell == "" or min(y for _, y in stroke.points) < tops[stroke.cell]
            if beside and self._on_board(stroke):
                page.polyline([(at[0] + x / scale, at[1] + y / scale) for x, y in stroke.points])

    def _on_board(self, stroke: Stroke) -> bool:
        width, height = self.grid.board_mm
        return all(0.0 <= x <= width and 0.0 <= y <= height for x, y in stroke.points)

    def _draw_burnt(
        self, page: PrintPage, at: Point, strokes: Sequence[Stroke], scale: float
    ) -> None:
        """Draw what is burnt in a cell; the close lines of an area as their frame."""
        if self.grid.operation != "area_mark":
            for stroke in strokes:
                page.polyline([(at[0] + x / scale, at[1] + y / scale) for x, y in stroke.points])
            return
        xs = [x for stroke in strokes for x, _ in stroke.points]
        ys = [y for stroke in strokes for _, y in stroke.points]
        corner = (at[0] + min(xs) / scale, at[1] + min(ys) / scale)
        page.box(corner, ((max(xs) - min(xs)) / scale, (max(ys) - min(ys)) / scale))


def board_drawing(grid: Grid, signs: Mapping[str, Sign]) -> BoardDrawing:
    """Collect a board's strokes for its drawing."""
    burnt: dict[str, list[Stroke]] = {cell.label: [] for cell in grid.cells}
    labels: list[Stroke] = []
    for stroke in strokes_of(grid):
        (labels if stroke.kind == "label" else burnt[stroke.cell]).append(stroke)
    return BoardDrawing(
        grid=grid,
        signs=signs,
        labels=tuple(labels),
        burnt={label: tuple(strokes) for label, strokes in burnt.items()},
    )


def _caption(page: PrintPage, at: Point, scale: float) -> None:
    """State the scale and draw a length of 10 mm of the board."""
    page.pen(0.3)
    x, y, length = at[0], at[1] + 2.6, 10.0 / scale
    page.line((x, y), (x + length, y))
    for end in (x, x + length):
        page.line((end, y - 0.7), (end, y + 0.7))
    words = f"10 mm · scale 1:{figure(scale)} · as on the bench, arrow away from you"
    page.text((x + length + 1.5, y + 0.9), words, 6.0)


def _code_type(
    cell: Cell, room: tuple[float, float], sign: Sign, scale: float
) -> tuple[float, bool]:
    """Largest type [pt] of a code in its cell as drawn, and whether a mark fits beside it."""
    width, height = 0.74 * cell.width_mm / scale, (room[1] - room[0]) / scale
    wide = _LETTER_MM * max(2, len(cell.label))
    alone = min(width / wide, 0.6 * height / _TYPE_ROOM)
    below = min(width / wide, 0.42 * height / _TYPE_ROOM)
    beside = min(width / (wide + 3.0 * _MARK_MM), 0.6 * height / _TYPE_ROOM)
    fitting = (
        (beside if beside >= 0.85 * min(below, _LARGEST_PT) else below) if sign.mark else alone
    )
    return max(_SMALLEST_PT, min(_LARGEST_PT, fitting)), beside >= 0.85 * min(below, _LARGEST_PT)


def _code(
    page: PrintPage,
    origin: Point,
    placed: tuple[Cell, tuple[float, float]],
    sign: Sign,
    scale: float,
) -> None:
    """Write a cell's code, its setting's mark beside or, in narrow cells, below it."""
    cell, room = placed
    code_pt, beside = _code_type(cell, room, sign, scale)
    mark_mm = min(1.7, _MARK_MM * code_pt)
    x = origin[0] + (cell.x_mm + cell.width_mm / 2.0) / scale
    y = origin[1] + (room[0] + room[1]) / 2.0 / scale
    if sign.mark and beside:
        half = text_width_mm(cell.label, code_pt, bold=True) / 2.0
        x -= 0.8 * mark_mm
        draw_mark(page, sign.mark, (x + half + 1.2 * mark_mm, y), mark_mm)
    elif sign.mark:
        y -= 0.7 * mark_mm
        draw_mark(page, sign.mark, (x, y + 0.13 * code_pt + 1.1 * mark_mm), mark_mm)
    page.text((x, y + 0.13 * code_pt), cell.label, code_pt, align="middle", bold=True)
