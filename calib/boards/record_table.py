"""The record sheet's table: what is typed at the machine, and boxes to tick, cell by cell."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from calib.boards.record_marks import Sign, draw_mark, grade_swatches
from calib.print_style import PrintPage, text_width_mm
from calib.records import Cell, Grid

Point = tuple[float, float]

HEAD_MM = 12.5
PARTS_GAP_MM = 4.0
_BOX_MM = 3.7
_WIDEST = 1.45  # how far columns grow when there is room; the rest goes to the notes
_NOTE_MM = 12.0  # below this width there is no column for notes


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of the table."""

    kind: Literal["code", "line", "value", "box", "gap", "note"]  # What stands in it
    heading: str = ""  # Its name, a line break between the name and the unit
    least_mm: float = 0.0  # Least width [mm]
    group: str = ""  # Name above several columns


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table before it is drawn."""

    grid: Grid  # Whose cells it lists, in the grid's order
    signs: Mapping[str, Sign]  # Sign of each cell's setting by code
    parts: int  # In how many parts, side by side, it is set
    row_mm: float  # Height of a row [mm]

    @property
    def rows(self) -> int:
        """Rows of the longest part."""
        return math.ceil(len(self.grid.cells) / self.parts)

    @property
    def height_mm(self) -> float:
        """Height with the head [mm]."""
        return HEAD_MM + self.rows * self.row_mm

    def draw(self, page: PrintPage, at: Point, width_mm: float) -> float:
        """Draw it from its top left and return the y below it [mm]."""
        part_mm = (width_mm - (self.parts - 1) * PARTS_GAP_MM) / self.parts
        columns = _spread(_columns(self.grid), part_mm)
        for part in range(self.parts):
            x = at[0] + part * (part_mm + PARTS_GAP_MM)
            _draw_head(page, (x, at[1]), columns)
            for number, cell in enumerate(
                self.grid.cells[part * self.rows : (part + 1) * self.rows]
            ):
                y = at[1] + HEAD_MM + number * self.row_mm
                _Row(cell=cell, sign=self.signs[cell.label], height_mm=self.row_mm).draw(
                    page, (x, y), columns
                )
        return at[1] + self.height_mm


def figure(value: float) -> str:
    """Write a number with up to three decimals and never an exponent.

    Examples
    --------
    >>> figure(1200000.0), figure(12.50)
    ('1200000', '12.5')
    """
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _columns(grid: Grid) -> tuple[Column, ...]:
    longest = max(len(cell.label) for cell in grid.cells)
    columns = [
        Column(kind="code", heading="code", least_mm=3.0 + 1.9 * longest),
        Column(kind="line", heading="line", least_mm=9.5),
        Column(kind="value", heading="burn\norder", least_mm=7.0),
        Column(kind="value", heading="power\n%", least_mm=8.5),
        Column(kind="value", heading="speed\nmm/s", least_mm=9.6),
        Column(kind="value", heading="speed\nmm/min", least_mm=11.5),
        Column(kind="value", heading="passes", least_mm=8.4),
    ]
    if grid.operation == "area_mark":
        columns.append(Column(kind="value", heading="pitch\nmm", least_mm=8.0))
    for name, _, words in grade_swatches(grid.operation):
        columns.append(Column(kind="gap", least_mm=1.4))
        columns += [
            Column(kind="box", heading=key, least_mm=_BOX_MM, group=name) for key, _ in words
        ]
    return (*columns, Column(kind="note", heading="note"))


def _spread(columns: tuple[Column, ...], width_mm: float) -> tuple[tuple[Column, float], ...]:
    """Give each column its width; boxes and settings grow a little, notes take the rest."""
    factor = min(_WIDEST, width_mm / sum(column.least_mm for column in columns))
    widths = [column.least_mm * factor for column in columns]
    widths[-1] = width_mm - sum(widths[:-1])
    return tuple(zip(columns, widths, strict=True))


def _draw_head(page: PrintPage, at: Point, columns: tuple[tuple[Column, float], ...]) -> None:
    x, base = at[0], at[1] + HEAD_MM - 1.1
    upright = any(column.kind == "box" and not column.heading.isdigit() for column, _ in columns)
    group, group_y = "", at[1] + (2.4 if upright else HEAD_MM - 5.2)
    for column, width in columns:
        if column.group and column.group != group:
            page.text((x + 0.4, group_y), column.group, 6.5, bold=True)
        group = column.group or group
        _heading(page, (x, base), column, width)
        x += width
    page.pen(0.4)
    page.line((at[0], at[1] + HEAD_MM), (x, at[1] + HEAD_MM))


def _heading(page: PrintPage, at: Point, column: Column, width: float) -> None:
    x, base = at
    if column.kind == "value":
        for number, line in enumerate(reversed(column.heading.split("\n"))):
            page.text((x + width - 1.2, base - 2.5 * number), line, 6.0, align="right")
    elif column.kind == "box" and column.heading.isdigit():
        page.text((x + width / 2.0, base), column.heading, 7.0, align="middle", bold=True)
    elif column.kind == "box":
        page.upright_text((x + width / 2.0 + 0.8, base + 0.3), column.heading, 6.0)
    elif column.kind == "note" and width >= _NOTE_MM:
        page.text((x + 2.0, base), column.heading, 6.0)
    elif column.kind in {"code", "line"}:
        page.text((x, base), column.heading, 6.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    cell: Cell
    sign: Sign
    height_mm: float

    @property
    def size_pt(self) -> float:
        return min(8.0, 1.75 * self.height_mm)

    def draw(self, page: PrintPage, at: Point, columns: tuple[tuple[Column, float], ...]) -> None:
        x, y = at
        base = y + self.height_mm / 2.0 + 0.13 * self.size_pt
        values = iter(self._values())
        for column, width in columns:
            if column.kind == "code":
                page.text((x, base), self.cell.label, self.size_pt, bold=True)
            elif column.kind == "line":
                self._line_sample(page, (x, y), width - 1.2)
            elif column.kind == "value":
                self._value(page, (x + width - 1.2, base), next(values), width - 1.6)
            elif column.kind == "box":
                self._box(page, (x, y), width)
            x += width
        page.pen(0.12, grey=0.5)
        page.line((at[0], y + self.height_mm), (x, y + self.height_mm))

    def _values(self) -> tuple[str, ...]:
        cell = self.cell
        speeds = (figure(cell.speed_mm_s), figure(cell.speed_mm_s * 60.0))
        pitch = () if cell.line_pitch_mm is None else (figure(cell.line_pitch_mm),)
        return (
            str(cell.burn_order),
            figure(cell.power_pct),
            *speeds,
            str(cell.passes),
            *pitch,
        )

    def _value(self, page: PrintPage, right: Point, value: str, width: float) -> None:
        shrink = min(1.0, width / text_width_mm(value, self.size_pt))
        page.text(right, value, self.size_pt * shrink, align="right")

    def _box(self, page: PrintPage, at: Point, width: float) -> None:
        side = min(self.height_mm - 0.8, width - 0.7, 4.2)
        left = at[0] + (width - side) / 2.0
        page.pen(0.25)
        page.box((left, at[1] + (self.height_mm - side) / 2.0), (side, side))

    def _line_sample(self, page: PrintPage, at: Point, width: float) -> None:
        """Draw a setting's dashes and mark in black, its colour below and its number above."""
        (x, y), row, sign = at, self.height_mm, self.sign
        line_y, mark_mm = y + 0.66 * row, min(1.4, 0.32 * row)
        end = x + width - (2.2 if sign.mark else 0.0)
        page.text((x, y + 0.43 * row), sign.colour, min(4.8, 1.0 * row))
        page.pen(0.4, dash_mm=sign.dash_mm)
        page.line((x, line_y), (end, line_y))
        page.pen(min(0.6, 0.14 * row), colour=sign.colour)
        page.line((x, y + 0.86 * row), (end, y + 0.86 * row))
        draw_mark(page, sign.mark, (x + width - 1.0, line_y), mark_mm)
