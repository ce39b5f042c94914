"""Results as CSV: the plan and an empty result file out, filled in results back, and to burns.

Reading forgives what spreadsheets do to a file and never guesses an outcome.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NoReturn, TypeVar

from calib.errors import BadFile
from calib.records import (
    CHAR_WORDS,
    COUPON_CORNER_MM,
    COUPON_MM,
    MARK_WORDS,
    THROUGH_GRADES,
    Burn,
    Cell,
    Grid,
    Operation,
    Reading,
    Through,
)
from calib.spreadsheet import (
    Columns,
    Row,
    number_text,
    plain_text,
    read_rows,
    safe_cell_text,
    write_csv,
)

T = TypeVar("T")

RESULT_COLUMNS = ("cell", "through", "char", "mark", "note")
OPTIONAL_COLUMNS = ("board", "width_mm", "height_mm")
PLAN_COLUMNS = (
    "cell", "operation", "power_pct", "speed_mm_s", "passes", "line_pitch_mm", "x_mm", "y_mm",
    "burn_order",
)  # fmt: skip
_COLUMNS = Columns(needed=RESULT_COLUMNS, optional=OPTIONAL_COLUMNS)
_MOST_TOLD = 10  # more lines would push the first ones out of sight
_LONGEST_NOTE = 1000  # as the record of a reading allows
_GRADE = re.compile(r"([0-4])(?:[.,]0+)?")
_MILLIMETRES = re.compile(r"(\d+(?:[.,]\d+)?)(?: ?mm)?", re.ASCII)

_THROUGH_WORDS: Mapping[str, Through] = {
    "no": "no",
    "not through": "no",
    "hanging": "hanging",
    "hangs": "hanging",
    "through": "through",
    "cut through": "through",
}
_CHAR_GRADES = {
    "clean": 0, "tan": 1, "brown": 2, "black": 3, "flaking": 4, "flared": 4, "burnt back": 4,
} | {word: grade for grade, word in enumerate(CHAR_WORDS)}  # fmt: skip
_MARK_GRADES = {
    "nothing": 0, "faint": 1, "clear": 2, "heavy": 3, "scorched": 4,
} | {word: grade for grade, word in enumerate(MARK_WORDS)}  # fmt: skip
# Which readings belong to a board of this operation.
_READ_OF = {"cut": ("through", "char"), "line_mark": ("mark",), "area_mark": ("mark",)}


def blank_results_csv(grid: Grid) -> str:
    """Result file of a board with every cell in it and nothing filled in (RFC 4180)."""
    rows = [
        (safe_cell_text(cell.label), "", "", "", "", safe_cell_text(grid.board_id))
        for cell in grid.cells
    ]
    return write_csv((*RESULT_COLUMNS, "board"), rows)


def plan_csv(grid: Grid) -> str:
    """Plan of a board: one row per cell, in the order of the labels (RFC 4180)."""
    return write_csv(PLAN_COLUMNS, (_plan_row(grid, cell) for cell in grid.cells))


def _plan_row(grid: Grid, cell: Cell) -> tuple[str, ...]:
    pitch = "" if cell.line_pitch_mm is None else number_text(cell.line_pitch_mm)
    return (
        safe_cell_text(cell.label),
        grid.operation,
        number_text(cell.power_pct),
        number_text(cell.speed_mm_s),
        str(cell.passes),
        pitch,
        number_text(cell.x_mm),
        number_text(cell.y_mm),
        str(cell.burn_order),
    )


def _refuse(row: Row, column: str, allowed: str) -> NoReturn:
    raise BadFile(f"Row {row.number}: {column} is {row.fields[column][:60]!r}: {allowed}.")


def _cell_of(row: Row, labels: Mapping[str, str], seen: Mapping[str, int]) -> str:
    label = labels.get("".join(row.fields["cell"].split()).casefold())
    if label is None:
        names = list(labels.values())
        shown = ", ".join(names) if len(names) <= 20 else f"{names[0]} to {names[-1]}"
        _refuse(row, "cell", f"this board's cells are {shown}")
    if label in seen:
        _refuse(row, "cell", f"it stands in row {seen[label]} already; give each cell once")
    return label


def _through_of(row: Row) -> Through | None:
    word = " ".join(row.fields["through"].casefold().split())
    if word and word not in _THROUGH_WORDS:
        _refuse(row, "through", f"give {', '.join(THROUGH_GRADES)}, or leave it empty if not read")
    return _THROUGH_WORDS.get(word)


def _grade_of(row: Row, column: str, words: Mapping[str, int], names: Sequence[str]) -> int | None:
    word = " ".join(row.fields[column].casefold().split())
    number = _GRADE.fullmatch(word)
    if number:
        return int(number[1])
    if word and word not in words:
        scale = " · ".join(f"{grade} {name}" for grade, name in enumerate(names))
        _refuse(row, column, f"give 0 to 4 ({scale}), or leave it empty if not read")
    return words.get(word)


def _millimetres_of(row: Row, column: str) -> float | None:
    text = row.fields.get(column, "")
    if not text:
        return None
    number = _MILLIMETRES.fullmatch(text.casefold())
    value = float(number[1].replace(",", ".")) if number else 0.0
    if not 0.0 < value <= 1000.0:
        _refuse(row, column, "give millimetres above 0 and at most 1000, or leave it empty")
    return value


def _misplaced(reading: Reading, grid: Grid) -> str | None:
    """Column that was filled in although this operation isn't read that way."""
    for column in ("through", "char", "mark"):
        if getattr(reading, column) is not None and column not in _READ_OF[grid.operation]:
            return column
    return None


def _reads(grid: Grid) -> str:
    return f"a {grid.operation} board is read in {' and '.join(_READ_OF[grid.operation])} only"


def _check_board(row: Row, grid: Grid) -> None:
    board = row.fields.get("board", "")
    if board and plain_text(board).casefold() != grid.board_id.strip().casefold():
        _refuse(row, "board", f"these are to be the results of board {grid.board_id!r}")


def _note_of(row: Row) -> str:
    note = plain_text(row.fields["note"])
    if len(note) > _LONGEST_NOTE:
        _refuse(row, "note", f"give at most {_LONGEST_NOTE} characters")
    return note


class _Reader:
    """Reads rows and keeps what is wrong with each, so that all of it can be told at once."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        self.wrong: list[str] = []
        self._labels = {cell.label.casefold(): cell.label for cell in grid.cells}
        self._seen: dict[str, int] = {}
        self._other_boards: set[str] = set()

    def reading(self, row: Row) -> Reading | None:
        """What a row says; None when it isn't a row of this board's cells."""
        told = len(self.wrong)
        self._try(_check_board, row, self.grid)
        if len(self.wrong) > told:
            self._once(row)
            return None
        cell = self._try(_cell_of, row, self._labels, self._seen)
        if cell is not None:
            self._seen[cell] = row.number
        reading = Reading(
            cell=cell or "?",
            through=self._graded("through", _through_of, row),
            char=self._graded("char", _grade_of, row, "char", _CHAR_GRADES, CHAR_WORDS),
            mark=self._graded("mark", _grade_of, row, "mark", _MARK_GRADES, MARK_WORDS),
            note=self._try(_note_of, row) or "",
            width_mm=self._try(_millimetres_of, row, "width_mm"),
            height_mm=self._try(_millimetres_of, row, "height_mm"),
        )
        return None if cell is None else reading

    def _graded(
        self, column: str, read: Callable[..., T | None], row: Row, *given: object
    ) -> T | None:
        if column in _READ_OF[self.grid.operation]:
            return self._try(read, row, *given)
        self._try(_check_empty, row, column, self.grid)
        return None

    def _try(self, read: Callable[..., T | None], *given: object) -> T | None:
        try:
            return read(*given)
        except BadFile as wrong:
            self.wrong.append(str(wrong))
            return None

    def _once(self, row: Row) -> None:
        """Another board's file is told once, not in every row."""
        board = row.fields["board"]
        if board in self._other_boards:
            self.wrong.pop()
        self._other_boards.add(board)


def _check_empty(row: Row, column: str, grid: Grid) -> None:
    if row.fields[column]:
        _refuse(row, column, f"leave it empty; {_reads(grid)}")


def _all_wrong(wrong: Sequence[str]) -> str:
    """One line for each thing that is wrong; of many the first ones."""
    if len(wrong) == 1:
        return wrong[0]
    more = len(wrong) - _MOST_TOLD
    rest = [f"And {more} more."] if more > 0 else []
    return "\n".join([f"{len(wrong)} things are wrong:", *wrong[:_MOST_TOLD], *rest])


def read_results(text: str | bytes, grid: Grid) -> tuple[Reading, ...]:
    """Read a result file as a spreadsheet saves it; all of it, or nothing.

    Raises BadFile when anything is wrong; each thing on a line of its own, with its row (the header
    is row 1), the value and what is allowed; of more than ten the first ten.

    Notes
    -----
    Accepted beside the numbers are the grades' own words (``brown``, ``faint``), ``hangs``,
    ``not through`` and ``cut through``; capitals and spaces don't matter. A row must have all
    its fields, so that a file that was cut off is noticed.
    """
    reader = _Reader(grid)
    readings = []
    try:
        for row in read_rows(text, _COLUMNS):
            if any(field for column, field in row.fields.items() if column != "board"):
                readings.append(reader.reading(row))
    except BadFile as end:
        # The file can't be read further; what was wrong before is told with it.
        reader.wrong.append(str(end))
    if reader.wrong:
        raise BadFile(_all_wrong(reader.wrong))
    return tuple(reading for reading in readings if reading is not None)


def coupon_cut_mm(operation: Operation, width_mm: float, height_mm: float) -> float | None:
    """Cut path of a cell's coupon, as a burn records it.

    Examples
    --------
    >>> round(coupon_cut_mm("cut", 20.0, 16.0), 3)
    66.85
    """
    if operation != "cut" or (width_mm, height_mm) == (COUPON_MM, COUPON_MM):
        return None
    corner = min(COUPON_CORNER_MM, width_mm / 2.0, height_mm / 2.0)
    return 2.0 * (width_mm + height_mm) - (8.0 - 2.0 * math.pi) * corner


def burns_of(grid: Grid, readings: Iterable[Reading], sitting: str = "") -> tuple[Burn, ...]:
    """Join what was read off a board to the settings of its cells.

    Raises BadFile when a reading names a cell that isn't on the board, or a grade that its
    operation doesn't have.
    """
    cells = {cell.label: cell for cell in grid.cells}
    burns = []
    for reading in readings:
        cell = cells.get(reading.cell)
        if cell is None:
            raise BadFile(
                f"Cell {reading.cell!r} isn't on board {grid.board_id!r}, whose cells are"
                f" {', '.join(cells)}."
            )
        misplaced = _misplaced(reading, grid)
        if misplaced:
            raise BadFile(
                f"Cell {reading.cell!r}: {misplaced} is {getattr(reading, misplaced)!r}:"
                f" leave it empty; {_reads(grid)}."
            )
        if not reading.is_empty:
            burns.append(_burn_of(grid, cell, reading, sitting))
    return tuple(burns)


def _burn_of(grid: Grid, cell: Cell, reading: Reading, sitting: str) -> Burn:
    return Burn(
        operation=grid.operation,
        power_pct=cell.power_pct,
        speed_mm_s=cell.speed_mm_s,
        passes=cell.passes,
        line_pitch_mm=cell.line_pitch_mm,
        through=reading.through,
        char=reading.char,
        mark=reading.mark,
        cut_length_mm=coupon_cut_mm(grid.operation, cell.width_mm, cell.height_mm),
        sitting=sitting,
        x_mm=cell.x_mm + cell.width_mm / 2.0,
        y_mm=cell.y_mm + cell.height_mm / 2.0,
        burn_order=cell.burn_order,
    )
