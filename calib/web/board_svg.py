"""A board as it lies, drawn for the page: true positions, codes, what was read of each cell."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from html import escape

from calib.logbook import Looked
from calib.materials import scales_of
from calib.records import READ_OFF, Cell, Grid, Reading
from calib.texts.say import say
from calib.texts.words import setting_words

# Smallest side of what a finger has to hit, and how far a cell's reach goes beyond its edge.
TARGET_PX = 88
_REACH_MM = 4.0
# Width that a wide screen has for a board beside what is tapped.
_WHOLE_PX = 760
_RIM_MM = 2.0
_CORNER_MM = 2.0
# From this height on [mm] the signs stand under the code, else beside it.
_TALL_MM = 12.0
# Narrower cells have room for their code alone.
_WIDE_MM = 16.0
_THROUGH = {"through": say("web.falls_free"), "hanging": "hangs", "no": say("web.not_cut")}


def board_svg(
    grid: Grid,
    readings: Sequence[Reading],
    *,
    looks: Mapping[str, Looked] | None = None,
    tappable: bool = False,
    settings: bool = False,
) -> str:
    """Draw a board; with the settings written into cells of which nothing is read."""
    width, height = grid.board_mm
    read = {reading.cell: reading for reading in readings}
    box = f"{-_RIM_MM:g} {-_RIM_MM:g} {width + 2 * _RIM_MM:g} {height + 2 * _RIM_MM:g}"
    cells = "".join(
        _cell(grid, cell, read, (looks or {}).get(cell.label), tappable, settings)
        for cell in as_they_lie(grid)
    )
    wide = _pixels(grid) if tappable else 0.0
    # Half as large is still large enough for a mouse: on a wide screen it is shown whole.
    fits = " fits" if 0 < wide <= 2 * _WHOLE_PX else ""
    size = f' width="{wide:.0f}"' if tappable else f' width="{width + 2 * _RIM_MM:g}mm"'
    role = "group" if tappable else "img"
    return (
        f'<svg class="board{fits}"{size} viewBox="{box}" role="{role}"'
        f' aria-label="Board {escape(grid.board_id)} as it lies, {width:g} by {height:g} mm">'
        f'<rect class="sheet" x="0" y="0" width="{width:g}" height="{height:g}" rx="1"/>'
        f"{_ruler(width, height)}{cells}</svg>"
    )


def as_they_lie(grid: Grid) -> list[Cell]:
    """Order cells as one reads a page: the order in which a board is gone through by hand."""
    return sorted(grid.cells, key=lambda cell: (round(cell.y_mm), cell.x_mm))


def looked_words(grid: Grid, looked: Looked | None) -> str:
    """Say what was read of a cell, or the looks that stand apart."""
    if looked is None or not looked.apart:
        return state_words(grid, looked.reading if looked else None)
    said = " / ".join(state_words(grid, one.reading) for one in looked.apart)
    return say("web.read_twice_and_differently", said=said)


def state_words(grid: Grid, reading: Reading | None) -> str:
    """Say what was read of a cell."""
    if reading is None or reading.is_empty:
        return say("web.not_read_yet")
    words = [] if reading.through is None else [_THROUGH[reading.through]]
    for name, scale in scales_of(grid.sheet.material).items():
        if (grade := getattr(reading, name)) is not None:
            words.append(f"{name} {grade}, {re.split(', | [(]', scale[grade])[0]}")
    return ", ".join(words)


def _cell(
    grid: Grid,
    cell: Cell,
    read: Mapping[str, Reading],
    looked: Looked | None,
    tappable: bool,
    settings: bool,
) -> str:
    reading = read.get(cell.label) or Reading(cell=cell.label)
    apart = looked.apart if looked else ()
    read_so = looked_words(grid, looked) if looked else state_words(grid, reading)
    words = f"{cell.named}, {setting_words(cell.setting)}, {read_so}"
    words = escape(words, quote=True)
    button = ""
    if tappable:
        button = f' role="button" tabindex="-1" aria-label="{words}"'
    data = "".join(
        f' data-{name}="{escape(str(value), quote=True)}"'
        for name, value in (
            ("cell", cell.label),
            ("setting", cell.part or setting_words(cell.setting)),
            ("order", cell.burn_order),
            *((name, _empty_if_none(getattr(reading, name))) for name in READ_OFF),
            ("note", reading.note),
            ("id", looked.id if looked else ""),
            ("apart", json.dumps([_as_data(one) for one in apart]) if apart else ""),
        )
    )
    return (
        f'<g class="cell {grid.operation}{" apart" if apart else ""}"{button}{data}>'
        f"{_hit(grid, cell) if tappable else ''}{_shape(cell)}"
        f"{_signs(cell, reading, '?' if apart else '')}"
        f"{_setting(cell) if settings and not apart and reading.is_empty else ''}</g>"
    )


def _shape(cell: Cell) -> str:
    if cell.path_mm:
        lines = (cell.path_mm, *cell.ends_mm)
        path = " ".join("M" + " L".join(f"{x:g} {y:g}" for x, y in line) for line in lines)
        return f'<path class="place" d="{path}"/>'
    return (
        f'<rect class="place" x="{cell.x_mm:g}" y="{cell.y_mm:g}" width="{cell.width_mm:g}"'
        f' height="{cell.height_mm:g}" rx="{min(_CORNER_MM, cell.height_mm / 3):g}"/>'
    )


def _as_data(look: Looked) -> dict[str, str]:
    grades = {name: getattr(look.reading, name) for name in (*READ_OFF, "note")}
    return {"id": look.id, **{name: _empty_if_none(value) for name, value in grades.items()}}


def _signs(cell: Cell, reading: Reading, asks: str) -> str:
    """Code, sign of what fell, and grade; the sign that fits is shown by its class."""
    middle, below = cell.x_mm + cell.width_mm / 2, cell.y_mm + cell.height_mm / 2
    if cell.path_mm:  # a part of a piece, in which other parts lie
        aside = 5.0 if cell.width_mm < 2 * _CORNER_MM else 0.0  # beside what is too small
        code = (middle - aside, below + 1.7) if aside else (middle, cell.y_mm + 6.0)
        sign = (middle - 3.0, cell.y_mm + 10.0)
        grade = (middle + 3.0, cell.y_mm + 11.7)
    elif cell.height_mm >= _TALL_MM:
        code, sign = (middle, below - 1.4), (middle - 3.0, below + 4.0)
        grade = (middle + 3.0, below + 5.7)
    elif cell.width_mm < _WIDE_MM and reading.is_empty and not asks:
        code, sign = (middle, below + 1.7), (middle, below + 1.7)
        grade = sign
    else:
        code = (cell.x_mm + 0.3 * cell.width_mm, below + 1.7)
        sign = grade = (cell.x_mm + 0.72 * cell.width_mm, below + 1.7)
    x, y = sign
    # Three characters have no room for their usual size.
    style = "code small" if len(cell.label) > 2 and cell.width_mm < 12.0 else "code"
    digit = asks or _empty_if_none(reading.char if reading.mark is None else reading.mark)
    return (
        f'<text class="{style}" x="{code[0]:g}" y="{code[1]:g}">{escape(cell.label)}</text>'
        f'<circle class="s-through" cx="{x:g}" cy="{y:g}" r="2.2"/>'
        f'<g class="s-hanging"><circle class="ring" cx="{x:g}" cy="{y:g}" r="2.2"/>'
        f'<path d="M{x - 2.2:g} {y:g}a2.2 2.2 0 0 0 4.4 0z"/></g>'
        f'<path class="s-no" d="M{x - 1.9:g} {y - 1.9:g}l3.8 3.8m0 -3.8l-3.8 3.8"/>'
        f'<text class="grade" x="{grade[0]:g}" y="{grade[1]:g}">{digit}</text>'
    )


def _setting(cell: Cell) -> str:
    """Power and speed, in a line or beside the code, as there is room."""
    if cell.part or (cell.height_mm < _TALL_MM and cell.width_mm < _WIDE_MM):
        return ""
    middle, below = cell.x_mm + cell.width_mm / 2, cell.y_mm + cell.height_mm / 2
    power, speed = f"{cell.power_pct:g} %", f"{cell.speed_mm_s:g}"
    if cell.height_mm < _TALL_MM:
        at = cell.x_mm + 0.72 * cell.width_mm
        return f'<text class="set" x="{at:g}" y="{below + 1.2:g}">{power} {speed}</text>'
    speed += f" ×{cell.passes}" * (cell.passes > 1)
    return (
        f'<text class="set" x="{middle:g}" y="{below + 2.6:g}">{power}</text>'
        f'<text class="set" x="{middle:g}" y="{below + 6:g}">{speed}</text>'
    )


def _hit(grid: Grid, cell: Cell) -> str:
    reach = _reach_mm(grid, cell)
    return (
        f'<rect class="hit" x="{cell.x_mm - reach:g}" y="{cell.y_mm - reach:g}"'
        f' width="{cell.width_mm + 2 * reach:g}" height="{cell.height_mm + 2 * reach:g}"/>'
    )


def _reach_mm(grid: Grid, cell: Cell) -> float:
    """How far a tap may miss a cell: to half way to its nearest neighbour."""
    gaps = [_gap_mm(cell, other) for other in grid.cells if other.label != cell.label]
    return min([_REACH_MM, *(gap / 2 for gap in gaps)])


def _gap_mm(one: Cell, other: Cell) -> float:
    across = max(other.x_mm - one.x_mm - one.width_mm, one.x_mm - other.x_mm - other.width_mm)
    along = max(other.y_mm - one.y_mm - one.height_mm, one.y_mm - other.y_mm - other.height_mm)
    return max(across, along, 0.0)


def _pixels(grid: Grid) -> float:
    """Width of a drawing on which a finger hits every cell [px]."""
    least = min(
        min(cell.width_mm, cell.height_mm) + 2 * _reach_mm(grid, cell) for cell in grid.cells
    )
    return TARGET_PX / least * (grid.board_mm[0] + 2 * _RIM_MM)


def _ruler(width: float, height: float) -> str:
    """Ticks every 10 mm along the lower edge, so that the scale can be seen."""
    ticks = "".join(
        f"M{x} {height:g}v{-2.0 if x % 50 == 0 else -1.2:g}" for x in range(10, int(width), 10)
    )
    return f'<path class="ruler" d="{ticks}"/>'


def _empty_if_none(value: object) -> str:
    return "" if value is None else str(value)
