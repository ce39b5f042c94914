"""The record sheet's table: what is typed at the machine, in burn order, and boxes to tick."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from calib.boards.layers import Layer, colour_words
from calib.boards.record_marks import DASHES_MM, KEYS
from calib.print_style import (
    BOLD_FONT,
    MM,
    PLAIN_FONT,
    TICK,
    Drawing,
    letters,
    table,
    text_width_mm,
)
from calib.records import KINDS, Cell, Grid

# Heights of the table's two rows of heads [mm]; the second is higher where words stand upright.
_HEAD_MM, _UPRIGHT_MM = (3.2, 6.2), 9.8
_APART_MM = 4.0  # between parts of the table side by side
# So many cells stand in one table; more in two, side by side.
_IN_ONE_PART = 18
# Names and least widths [mm] of the columns of values.
_VALUES = (
    ("typed", 6.8),
    ("burn\norder", 6.6),
    ("code", 6.8),
    ("colour", 13.0),
    ("power\n%", 8.2),
    ("speed\nmm/s", 9.4),
    ("speed\nmm/min", 11.0),
    ("passes", 8.4),
)
_LEAST_PT = 3.8  # of a colour's words
_BOX_MM, _WIDEST = 3.7, 1.45  # columns grow when there is room; the rest goes to the notes


def figure(value: float) -> str:
    """Write a number with up to three decimals and never an exponent.

    Examples
    --------
    >>> figure(1200000.0), figure(12.50)
    ('1200000', '12.5')
    """
    return f"{value:.3f}".rstrip("0").rstrip(".")


def cell_table(grid: Grid, layers: Mapping[str, Layer], row_mm: float, width_mm: float) -> Any:
    """List the codes and the cells in burn order, in one part or in two side by side.

    A setting is ticked as typed where it is burnt first.
    """
    lines: list[tuple[Layer, Cell | None, bool]] = [(layers[""], None, True)]
    typed = {layers[""].number}
    for cell in sorted(grid.cells, key=lambda cell: cell.burn_order):
        layer = layers[cell.label]
        lines.append((layer, cell, layer.number not in typed))
        typed.add(layer.number)
    split = len(typed) > len(layers[""].palette)
    parts = 1 if len(grid.cells) <= _IN_ONE_PART else 2
    size = math.ceil(len(lines) / parts)
    part_mm = (width_mm - (parts - 1) * _APART_MM) / parts
    tables = [
        _part(grid, lines[n : n + size], row_mm, part_mm, split) for n in range(0, len(lines), size)
    ]
    return table([tables], [part_mm + _APART_MM] * (parts - 1) + [part_mm])


def _part(
    grid: Grid,
    lines: Sequence[tuple[Layer, Cell | None, bool]],
    row_mm: float,
    width_mm: float,
    split: bool,
) -> Any:
    columns = [*_VALUES, *([("pitch\nmm", 8.0)] if KINDS[grid.operation].shape == "area" else [])]
    values, group_row, spans = len(columns), [""] * len(columns), []
    for name in () if grid.stair else grid.read:
        spans.append((len(columns) + 1, len(columns) + len(KEYS[name])))
        columns += [("", 1.4), *((key, _BOX_MM) for key in KEYS[name])]
        group_row += ["", name, *[""] * (len(KEYS[name]) - 1)]
    grow = min(_WIDEST, width_mm / sum(width for _, width in columns))
    widths = [width * grow for _, width in columns]
    widths.append(width_mm - sum(widths))
    heads = [name if name.isdigit() or n < values else _upright(name, widths[n])
             for n, (name, _) in enumerate(columns)]  # fmt: skip
    second = _UPRIGHT_MM if spans else _HEAD_MM[1]
    size_pt = min(8.0, 1.75 * row_mm)
    tick_pt = 3.2 * row_mm / 1.2
    boxes = [box for a, b in spans for box in ["", *[TICK] * (b - a + 1)]]
    rows = []
    for layer, cell, first in lines:
        setting = layer.setting
        pitch = setting.line_pitch_mm
        rows.append([
            TICK if first else "",
            "codes" if cell is None else str(cell.burn_order),
            "" if cell is None else cell.label,
            _line_sample(layer, widths[3] - 1.2, row_mm, part=split),
            figure(setting.power_pct),
            figure(setting.speed_mm_s),
            figure(setting.speed_mm_s * 60.0),
            str(setting.passes),
            *(["" if pitch is None else figure(pitch)] if values > len(_VALUES) else []),
            *(boxes if cell else [""] * len(boxes)),
            f"  {cell.part}" if cell else "",
        ])  # fmt: skip
    ticks = [("FONT", (a, 2), (b, -1), PLAIN_FONT, tick_pt) for a, b in [(0, 0), *spans]]
    return table(
        [
            [*group_row, ""],
            [*heads, "  note" if widths[-1] > 12.0 else ""],
            *rows,
        ],
        widths,
        ("VALIGN", (0, 0), (-1, 1), "BOTTOM"),
        ("VALIGN", (0, 2), (-1, -1), "MIDDLE"),
        ("BOTTOMPADDING", (0, 1), (-1, 1), 0.8 * MM),
        ("LEADING", (0, 0), (-1, 1), 7.2),
        ("FONT", (0, 0), (-1, 0), BOLD_FONT, 6.5),
        ("FONT", (0, 1), (-1, 1), PLAIN_FONT, 6.0, 7.0),
        ("FONT", (0, 2), (-1, -1), PLAIN_FONT, size_pt),
        ("FONT", (2, 2), (2, -1), BOLD_FONT, size_pt),
        ("ALIGN", (1, 1), (1, -1), "RIGHT"),
        ("ALIGN", (2, 1), (2, -1), "CENTER"),
        ("ALIGN", (4, 1), (values - 1, -1), "RIGHT"),
        ("ALIGN", (values, 1), (-2, -1), "CENTER"),
        ("LINEBELOW", (0, 1), (-1, 1), 1.1, "black"),
        ("LINEBELOW", (0, 2), (-1, -1), 0.35, (0.5, 0.5, 0.5)),
        *ticks,
        heights_mm=[_HEAD_MM[0], second, *([row_mm] * len(lines))],
    )


def _upright(name: str, width_mm: float) -> Drawing:
    def draw(canvas: Any) -> None:
        letters(canvas, (width_mm / 2.0 + 0.8, 8.6), name, 6.0, upright=True)

    return Drawing((width_mm, 8.6), draw)


def _line_sample(layer: Layer, width: float, height: float, *, part: bool) -> Drawing:
    """Draw a setting's dashes in its colour; above, its part of the drawing, hex, and word."""
    colour = layer.colour_in_part if part else layer.colour
    said = f"{layer.part}: {colour}" if part else colour
    size_pt = min(4.8, height)
    named = f"{said} {colour_words(colour)}"
    shrink = min(1.0, width / text_width_mm(named, size_pt))
    if shrink * size_pt >= _LEAST_PT:
        said, size_pt = named, shrink * size_pt

    def draw(canvas: Any) -> None:
        letters(canvas, (0.0, 0.46 * height), said, size_pt)
        canvas.setLineWidth(min(0.9, 0.2 * height))
        canvas.setStrokeColor(layer.colour)
        canvas.setDash(list(DASHES_MM[layer.number % len(DASHES_MM)]))
        canvas.line(0.0, 0.75 * height, width, 0.75 * height)

    return Drawing((width, height), draw)
