"""Head of the record sheet: which board it is, for what, and the fields to fill by hand."""

from __future__ import annotations

from dataclasses import dataclass

from calib.boards.board_time import board_time, sheet_use
from calib.boards.colours import setting_colours
from calib.boards.record_table import figure
from calib.limits import beyond_words
from calib.print_style import MARGIN_MM, PrintPage, text_width_mm, wrap
from calib.records import Grid

Point = tuple[float, float]

OPERATION_WORDS = {
    "cut": "cut (go through)",
    "line_mark": "line mark (one visible line)",
    "area_mark": "area mark (a surface of close lines)",
}
_QR_MM = 25.0
_ID_PT = 18.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What the head says."""

    board_id: str  # Code of the board
    address: str  # Where the board is found; goes into the QR code
    # (name, value) of all that is known of the board before it is burnt
    facts: tuple[tuple[str, str], ...]

    def draw(self, page: PrintPage, top: float, type_pt: float) -> float:
        """Draw it from ``top`` with this type [pt] and return the y below it [mm]."""
        left, right = MARGIN_MM, page.width_mm - MARGIN_MM - _QR_MM
        page.text((left, top + 3.0), "RECORD SHEET OF A TEST BOARD", 7.0, grey=0.25)
        full = text_width_mm(self.board_id, _ID_PT, bold=True)
        id_pt = _ID_PT * min(1.0, 0.6 * (right - left) / full)
        page.text((left, top + 9.6), self.board_id, id_pt, bold=True)
        page.qr((right, top - 1.0), _QR_MM, self.address)
        below = top + 11.0
        if self.address != self.board_id:
            lines = wrap(self.address, right - left - 2.0, 6.0)
            below = page.lines((left, below), lines, 6.0)
        bottom = self._fact_columns(page, (left, below + 0.8), right - left - 2.0, type_pt)
        return max(bottom, top + _QR_MM - 1.0)

    def _fact_columns(self, page: PrintPage, at: Point, width: float, type_pt: float) -> float:
        """Set names and values in two columns of about equal height."""
        half, name_width = width / 2.0, 2.3 * type_pt
        wrapped = [
            (name, wrap(value, half - name_width - 3.0, type_pt)) for name, value in self.facts
        ]
        total = sum(len(lines) for _, lines in wrapped)
        column, used, y, lowest = 0, 0, at[1], at[1]
        for name, lines in wrapped:
            if column == 0 and used * 2 >= total:
                column, y = 1, at[1]
            x = at[0] + column * half
            page.lines((x, y), [name], type_pt, grey=0.35)
            y = page.lines((x + name_width, y), lines, type_pt)
            used, lowest = used + len(lines), max(lowest, y)
        return lowest


def head_of(grid: Grid, address: str) -> Head:
    """Collect what the head of a board's sheet says."""
    return Head(board_id=grid.board_id, address=address or grid.board_id, facts=_facts(grid))


def _facts(grid: Grid) -> tuple[tuple[str, str], ...]:
    machine, sheet = grid.machine, grid.sheet
    source = {"co2": "CO2", "diode": "diode"}[machine.source]
    measured = "measured ________ mm"
    if sheet.measured_mm is not None:
        measured = f"measured {figure(sheet.measured_mm)} mm"
    label = grid.label_setting
    colour = f", drawn {setting_colours(grid)[label]}"
    blocks = max(cell.block for cell in grid.cells)
    beyond = beyond_words(grid)
    return (
        *((("CAUTION", beyond),) if beyond else ()),
        ("machine", f"{machine.name}, {figure(machine.rated_w)} W {source}"),
        ("sheet", sheet.name),
        ("material", sheet.material),
        ("lot", sheet.lot or "________________"),
        ("thickness", f"nominal {figure(sheet.thickness_mm)} mm, {measured}"),
        ("operation", f"{OPERATION_WORDS[grid.operation]}, round {grid.round}"),
        ("board", f"{_size(grid)}, {_count(len(grid.cells), 'cell')}" + _in_blocks(blocks)),
        ("codes", f"marked first, at {_setting_words(label.power_pct, label.speed_mm_s)}" + colour),
        ("time", f"{board_time(grid).words} (predicted)"),
        ("sheet use", sheet_use(grid).words),
    )


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _in_blocks(blocks: int) -> str:
    return f" in {blocks} blocks" if blocks > 1 else ""


def _size(grid: Grid) -> str:
    return f"{figure(grid.board_mm[0])} × {figure(grid.board_mm[1])} mm"


def _setting_words(power_pct: float, speed_mm_s: float) -> str:
    speed = f"{figure(speed_mm_s)} mm/s ({figure(speed_mm_s * 60.0)} mm/min)"
    return f"{figure(power_pct)} %, {speed}"


# --- fields to fill by hand ----------------------------------------------------------------

# A text, and what follows it: a box to tick or a line of some length [mm].
_FIELDS: tuple[tuple[tuple[str, float], ...], ...] = (
    (("date", 26.0), ("sitting", 26.0), ("air assist:", -1.0), ("on", 0.0), ("off", 0.0),
     ("humidity:", -1.0), ("dry", 0.0), ("damp", 0.0)),
    (("in focus: assumed, unless ticked:", -1.0), ("focus board burnt, height", 0.0), ("", 14.0),
     ("lens cleaned", 0.0), ("on pins", 0.0), ("face masked", 0.0)),
)  # fmt: skip
_FIELD_PT = 7.5


def fill_in(page: PrintPage, top: float) -> float:
    """Draw the fields to fill by hand from ``top`` and return the y below them [mm]."""
    width, row = page.width_mm - 2.0 * MARGIN_MM, 6.4
    page.pen(0.3)
    page.box((MARGIN_MM, top), (width, row * len(_FIELDS) + 0.8), corner_mm=1.5)
    for number, fields in enumerate(_FIELDS):
        x, base = MARGIN_MM + 2.5, top + row * (number + 1) - 1.6
        for words, room in fields:
            x = _field(page, (x, base), words, room)
    return top + row * len(_FIELDS) + 0.8


def _field(page: PrintPage, at: Point, words: str, room: float) -> float:
    """Set a field; return the x after it. ``room`` > 0: a line, 0: a box first, < 0: words only."""
    x, y = at
    page.pen(0.25)
    if room == 0.0:
        page.box((x, y - 3.1), (3.4, 3.4), fill_grey=1.0)
        x += 4.5
    page.text((x, y), words, _FIELD_PT)
    x += text_width_mm(words, _FIELD_PT) + (1.5 if words else 0.0)
    if room > 0.0:
        page.line((x, y + 0.5), (x + room, y + 0.5))
        x += room
    return x + {True: 1.0, False: 4.0}[room < 0.0]
