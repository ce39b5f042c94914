"""The record sheet's table: what is typed at the machine, and boxes to tick, cell by cell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from calib.boards.record_marks import GRADES, Sign, asked_of, draw_mark
from calib.print_style import BOLD_FONT, MM, PLAIN_FONT, TICK, Drawing, letters, table
from calib.records import Cell, Grid

# Heights of the table's two rows of heads [mm]; the second is higher where words stand upright.
_HEAD_MM, _UPRIGHT_MM = (3.2, 6.2), 9.8
_APART_MM = 4.0  # between parts of the table side by side
# So many cells stand in one table; more in two, side by side.
_IN_ONE_PART = 18
# Names and least widths [mm] of the columns of values.
_VALUES = (
    ("code", 6.8),
    ("line", 10.0),
    ("burn\norder", 6.6),
    ("power\n%", 8.2),
    ("speed\nmm/s", 9.4),
    ("speed\nmm/min", 11.0),
    ("passes", 8.4),
)
_BOX_MM, _WIDEST = 3.7, 1.45  # columns grow when there is room; the rest goes to the notes


def figure(value: float) -> str:
    """Write a number with up to three decimals and never an exponent.

    Examples
    --------
    >>> figure(1200000.0), figure(12.50)
    ('1200000', '12.5')
    """
    return f"{value:.3f}".rstrip("0").rstrip(".")


def cell_table(grid: Grid, signs: Mapping[str, Sign], row_mm: float, width_mm: float) -> Any:
    """List the cells in the grid's order, in one part or in two side by side."""
    parts = 1 if len(grid.cells) <= _IN_ONE_PART else 2
    size = math.ceil(len(grid.cells) / parts)
    part_mm = (width_mm - (parts - 1) * _APART_MM) / parts
    tables = [
        _part(grid, grid.cells[n : n + size], signs, row_mm, part_mm)
        for n in range(0, len(grid.cells), size)
    ]
    return table([tables], [part_mm + _APART_MM] * (parts - 1) + [part_mm])


def _part(
    grid: Grid, cells: Sequence[Cell], signs: Mapping[str, Sign], row_mm: float, width_mm: float
) -> Any:
    columns = [*_VALUES, *([("pitch\nmm", 8.0)] if grid.operation == "area_mark" else [])]
    values, group_row, spans = len(columns), [""] * len(columns), []
    for name in asked_of(grid.operation):
        spans.append((len(columns) + 1, len(columns) + len(GRADES[name])))
        columns += [("", 1.4), *((key, _BOX_MM) for key, _ in GRADES[name])]
        group_row += ["", name, *[""] * (len(GRADES[name]) - 1)]
    grow = min(_WIDEST, width_mm / sum(width for _, width in columns))
    widths = [width * grow for _, width in columns]
    widths.append(width_mm - sum(widths))
    heads = [name if name.isdigit() or n < values else _upright(name, widths[n])
             for n, (name, _) in enumerate(columns)]  # fmt: skip
    second = _UPRIGHT_MM if grid.operation == "cut" else _HEAD_MM[1]
    size_pt = min(8.0, 1.75 * row_mm)
    rows = [_row(grid, cell, signs[cell.label], row_mm, widths[1]) for cell in cells]
    ticks = [("FONT", (a, 2), (b, -1), PLAIN_FONT, 3.2 * row_mm / 1.2) for a, b in spans]
    return table(
        [
            [*group_row, ""],
            [*heads, "  note" if widths[-1] > 12.0 else ""],
            *([*row, ""] for row in rows),
        ],
        widths,
        ("VALIGN", (0, 0), (-1, 1), "BOTTOM"),
        ("VALIGN", (0, 2), (-1, -1), "MIDDLE"),
        ("BOTTOMPADDING", (0, 1), (-1, 1), 0.8 * MM),
        ("LEADING", (0, 0), (-1, 1), 7.2),
        ("FONT", (0, 0), (-1, 0), BOLD_FONT, 6.5),
        ("FONT", (0, 1), (-1, 1), PLAIN_FONT, 6.0, 7.0),
        ("FONT", (0, 2), (-1, -1), PLAIN_FONT, size_pt),
        ("FONT", (0, 2), (0, -1), BOLD_FONT, size_pt),
        ("ALIGN", (2, 1), (values - 1, -1), "RIGHT"),
        ("ALIGN", (values, 1), (-2, -1), "CENTER"),
        ("LINEBELOW", (0, 1), (-1, 1), 1.1, "black"),
        ("LINEBELOW", (0, 2), (-1, -1), 0.35, (0.5, 0.5, 0.5)),
        *ticks,
        heights_mm=[_HEAD_MM[0], second, *([row_mm] * len(cells))],
    )


def _upright(name: str, width_mm: float) -> Drawing:
    def draw(canvas: Any) -> None:
        letters(canvas, (width_mm / 2.0 + 0.8, 8.6), name, 6.0, upright=True)

    return Drawing((width_mm, 8.6), draw)


def _row(grid: Grid, cell: Cell, sign: Sign, row_mm: float, line_mm: float) -> list[Any]:
    pitch = [] if cell.line_pitch_mm is None else [figure(cell.line_pitch_mm)]
    boxes = [["", *[TICK] * len(GRADES[name])] for name in asked_of(grid.operation)]
    return [
        cell.label,
        _line_sample(sign, line_mm - 1.2, row_mm),
        str(cell.burn_order),
        figure(cell.power_pct),
        figure(cell.speed_mm_s),
        figure(cell.speed_mm_s * 60.0),
        str(cell.passes),
        *pitch,
        *(box for group in boxes for box in group),
    ]


def _line_sample(sign: Sign, width: float, height: float) -> Drawing:
    """Draw a setting's dashes and mark in black, its colour below and its number above."""

    def draw(canvas: Any) -> None:
        end = width - (2.2 if sign.mark else 0.0)
        letters(canvas, (0.0, 0.43 * height), sign.colour, min(4.8, height))
        canvas.setLineWidth(min(0.6, 0.14 * height))
        canvas.setStrokeColor(sign.colour)
        canvas.line(0.0, 0.86 * height, end, 0.86 * height)
        canvas.setStrokeGray(0.0)
        canvas.setLineWidth(0.4)
        canvas.setDash(list(sign.dash_mm))
        canvas.line(0.0, 0.66 * height, end, 0.66 * height)
        draw_mark(canvas, sign.mark, (width - 1.0, 0.66 * height), min(1.4, 0.32 * height))

    return Drawing((width, height), draw)
