"""The record sheet: one printed page to burn a board by and to take down what came out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product

from calib.boards.colours import colours_by_cell
from calib.boards.record_board import CAPTION_MM, BoardDrawing, board_drawing
from calib.boards.record_head import Head, fill_in, head_of
from calib.boards.record_marks import grade_swatches, signs_of
from calib.boards.record_table import Table
from calib.errors import BoardDoesNotFit, InvalidRecord
from calib.hazards import sheet_cautions
from calib.print_style import MARGIN_MM, PAPERS_MM, PrintPage, text_width_mm, wrap
from calib.records import Grid

# Scales at which a board may be drawn, 1 : n.
_SCALES = (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100)
# Sizes of type for facts, notes and cautions [pt], best first.
_TYPE_PT = (7.0, 6.5, 6.0, 5.5, 5.0, 4.5, 4.0)
# Heights of the table's rows [mm]: the highest, and the lowest in which a tick can be placed.
_ROOMY_ROW_MM, _LEAST_ROW_MM = 5.2, 2.8
# So many cells stand in one table; more in two, side by side.
_IN_ONE_PART = 18
# Below these a pencil tick is hard to place and type is hard to read in a workshop (own
# judgement, no source).
_EASY_ROW_MM, _EASY_CODE_PT, _EASY_TYPE_PT = 4.0, 6.0, 5.5
_SURE_CELLS = 60
_GAP_MM = 2.6  # between the parts of the page
_SIDE_MM = 58.0  # column right of the board: grades and notes
_LONGEST_ADDRESS = 300  # keeps the squares of the QR code above 0.3 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class _Content:
    """What stands on the page, before its places are known."""

    grid: Grid
    head: Head
    board: BoardDrawing
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """How the page is divided."""

    type_pt: float
    side: bool  # Grades and notes stand beside the board, not below it
    row_mm: float
    scale: float
    code_pt: float  # of the smallest code on the board

    @property
    def ease(self) -> float:
        """How type, rows and codes compare with sizes that are easy to use; 3 is good."""
        return (
            min(1.0, self.type_pt / _EASY_TYPE_PT)
            + min(1.0, self.row_mm / _EASY_ROW_MM)
            + min(1.0, self.code_pt / _EASY_CODE_PT)
        )

    def table(self, content: _Content) -> Table:
        """Return the table as it is set with these places."""
        parts = 1 if len(content.grid.cells) <= _IN_ONE_PART else 2
        return Table(grid=content.grid, signs=content.board.signs, parts=parts, row_mm=self.row_mm)


def grid_record_sheet(
    grid: Grid,
    *,
    paper: str = "a4",
    address: str = "",
    advice: Sequence[str] = (),
) -> bytes:
    """Set the record sheet of a board on one page.

    Raises InvalidRecord when the paper isn't known or the address is too long; BoardDoesNotFit when
    there are more cells than one page can hold.
    """
    if paper not in PAPERS_MM:
        raise InvalidRecord(f"paper is {paper!r}: give one of {', '.join(PAPERS_MM)}.")
    if len(address) > _LONGEST_ADDRESS:
        raise InvalidRecord(
            f"address has {len(address)} characters: give at most {_LONGEST_ADDRESS}, so that the"
            " code on the sheet can be read."
        )
    content = _Content(
        grid=grid,
        head=head_of(grid, address),
        board=board_drawing(grid, signs_of(grid.cells, colours_by_cell(grid))),
        cautions=sheet_cautions(grid.machine, advice),
    )
    content, places = _divide(content, paper)
    page = PrintPage(paper, f"Record sheet {grid.board_id}")
    _draw(page, content, places)
    return page.finish()


def _draw(page: PrintPage, content: _Content, places: _Places) -> None:
    """Draw the parts from top to bottom; the cautions stand at the foot."""
    top = content.head.draw(page, MARGIN_MM, places.type_pt) + _GAP_MM
    top = fill_in(page, top) + _GAP_MM
    top = _board_zone(page, top, content, places) + _GAP_MM
    wide = page.width_mm - 2.0 * MARGIN_MM
    bottom = places.table(content).draw(page, (MARGIN_MM, top), wide)
    height = _cautions(PrintPage(page.paper, ""), 0.0, content, places.type_pt)
    foot = page.height_mm - MARGIN_MM - height
    _ruled_room(page, bottom + 2.0 * _GAP_MM, foot - _GAP_MM)
    _cautions(page, foot, content, places.type_pt)


def _ruled_room(page: PrintPage, top: float, foot: float) -> None:
    """Rule what is left of the page for words of one's own."""
    if foot - top < 14.0:
        return
    page.text((MARGIN_MM, top + 2.6), "own notes", 7.5, bold=True)
    page.pen(0.12, grey=0.5)
    for number in range(1, int((foot - top) / 7.0)):
        y = top + 2.6 + 7.0 * number
        page.line((MARGIN_MM, y), (page.width_mm - MARGIN_MM, y))


# --- dividing the page ---------------------------------------------------------------------


def _divide(content: _Content, paper: str) -> tuple[_Content, _Places]:
    """Choose type, rows and scale with which all fits; at worst with fewer notes, which is said."""
    notes, kept = content.grid.notes, len(content.grid.notes)
    while True:
        more = (f"{len(notes) - kept} more notes stand in the plan of the board.",)
        shown = notes[:kept] + (more if kept < len(notes) else ())
        trial = replace(content, grid=replace(content.grid, notes=shown))
        found = [p for type_pt in _TYPE_PT if (p := _places_for(trial, paper, type_pt))]
        if found:
            return trial, max(found, key=lambda places: places.ease)
        if not kept:
            raise BoardDoesNotFit(
                f"{len(content.grid.cells)} cells don't fit one record sheet on {paper}: plan at"
                f" most {_SURE_CELLS} burns, or split the board over several offcuts.",
                cells_that_fit=_SURE_CELLS,
            )
        kept = 9 * kept // 10


def _places_for(content: _Content, paper: str, type_pt: float) -> _Places | None:
    """The largest board beside rows that are easy to tick, else the highest rows there are."""
    page = PrintPage(paper, "")
    room = page.height_mm - 2.0 * MARGIN_MM - 4.0 * _GAP_MM
    room -= fill_in(page, 0.0) + content.head.draw(page, 0.0, type_pt)
    room -= _cautions(page, 0.0, content, type_pt)
    wide = page.width_mm - 2.0 * MARGIN_MM
    beside = {side: _beside_mm(page, content, side, type_pt) for side in (True, False)}
    best: _Places | None = None
    for scale, side in product(_SCALES, (True, False)):
        width, height = (length / scale for length in content.grid.board_mm)
        if width > wide - (_SIDE_MM + 4.0 if side else 0.0):
            continue
        board = height + CAPTION_MM
        left = room - (max(board, beside[side]) if side else board + beside[side])
        places = _Places(
            type_pt=type_pt,
            side=side,
            row_mm=_LEAST_ROW_MM,
            scale=scale,
            code_pt=content.board.smallest_code_pt(scale),
        )
        table = places.table(content)
        row = min(_ROOMY_ROW_MM, _LEAST_ROW_MM + (left - table.height_mm) / table.rows)
        if row >= max(_LEAST_ROW_MM, best.row_mm + 1e-6 if best else 0.0):
            best = replace(places, row_mm=row)
        if best and best.row_mm >= _EASY_ROW_MM:
            break
    return best


# --- the board to scale, with the grades and the notes -------------------------------------


def _board_zone(page: PrintPage, top: float, content: _Content, places: _Places) -> float:
    board_bottom = content.board.draw(page, (MARGIN_MM, top), places.scale)
    if places.side:
        x = page.width_mm - MARGIN_MM - _SIDE_MM
        bottom = _grades_column(page, (x, top), content)
        bottom = _notes(page, (x, bottom), _SIDE_MM, content, places.type_pt)
        return max(board_bottom, bottom)
    wide = page.width_mm - 2.0 * MARGIN_MM
    bottom = _grades_strip(page, (MARGIN_MM, board_bottom), wide, content)
    return _notes(page, (MARGIN_MM, bottom), wide, content, places.type_pt)


def _beside_mm(page: PrintPage, content: _Content, side: bool, type_pt: float) -> float:
    """Measure grades and notes, set beside or below the board, on a page to throw away [mm]."""
    wide = _SIDE_MM if side else page.width_mm - 2.0 * MARGIN_MM
    if side:
        bottom = _grades_column(page, (0.0, 0.0), content)
    else:
        bottom = _grades_strip(page, (0.0, 0.0), wide, content)
    return _notes(page, (0.0, bottom), wide, content, type_pt)


def _grades_column(page: PrintPage, at: tuple[float, float], content: _Content) -> float:
    """Stack the grades, swatch left and words right; return the y below [mm]."""
    x, y = at
    for name, swatch, words in grade_swatches(content.grid.operation):
        page.text((x, y + 2.6), name, 7.5, bold=True)
        y += 4.0
        for grade, (key, meaning) in enumerate(words):
            swatch(page, grade, (x, y), (9.0, 4.6))
            page.text((x + 11.0, y + 3.3), key, 7.0, bold=True)
            indent = x + 11.0 + text_width_mm(key, 7.0, bold=True) + 1.5
            page.text((indent, y + 3.3), meaning, 7.0)
            y += 5.5
        y += 1.0
    return y


def _grades_strip(
    page: PrintPage, at: tuple[float, float], wide: float, content: _Content
) -> float:
    """Set the grades in a row, words under the swatches; return the y below [mm]."""
    groups = grade_swatches(content.grid.operation)
    step = wide / max(8, sum(len(words) for _, _, words in groups))
    x, lowest = at[0], at[1]
    for name, swatch, words in groups:
        page.text((x, at[1] + 2.6), name, 7.0, bold=True)
        for grade, (key, meaning) in enumerate(words):
            swatch(page, grade, (x, at[1] + 4.0), (9.0, 4.4))
            page.text((x + 10.2, at[1] + 7.2), key if key.isdigit() else "", 7.0, bold=True)
            named = meaning if key.isdigit() else f"{key}: {meaning}"
            lines = wrap(named, step - 1.5, 6.0)
            lowest = max(lowest, page.lines((x, at[1] + 8.8), lines, 6.0))
            x += step
    return lowest + 0.5


def _notes(
    page: PrintPage, at: tuple[float, float], wide: float, content: _Content, type_pt: float
) -> float:
    """Set the board's notes; return the y below [mm]."""
    if not content.grid.notes:
        return at[1]
    page.text((at[0], at[1] + 2.6), "to know", 7.5, bold=True)
    return _bullets(page, (at[0], at[1] + 3.6), wide, content.grid.notes, type_pt)


def _bullets(
    page: PrintPage, at: tuple[float, float], wide: float, texts: Iterable[str], type_pt: float
) -> float:
    y = at[1]
    for text in texts:
        page.lines((at[0], y), ["•"], type_pt)
        y = page.lines((at[0] + 2.2, y), wrap(text, wide - 2.2, type_pt), type_pt)
    return y


# --- cautions ------------------------------------------------------------------------------


def _cautions(page: PrintPage, top: float, content: _Content, type_pt: float) -> float:
    wide = page.width_mm - 2.0 * MARGIN_MM
    half = (wide - 8.0) / 2.0
    heights = [len(wrap(text, half - 2.2, type_pt)) for text in content.cautions]
    split = next(
        (n for n in range(len(heights)) if 2 * sum(heights[:n]) >= sum(heights)), len(heights)
    )
    inner = top + 4.4
    ends = [
        _bullets(page, (MARGIN_MM + 2.5 + part * (half + 3.0), inner), half, texts, type_pt)
        for part, texts in enumerate((content.cautions[:split], content.cautions[split:]))
    ]
    bottom = max(ends) + 1.2
    page.text((MARGIN_MM + 2.5, top + 3.6), "CAUTIONS, before and while you burn", 7.5, bold=True)
    page.pen(0.5)
    page.box((MARGIN_MM, top), (wide, bottom - top), corner_mm=1.5)
    return bottom
