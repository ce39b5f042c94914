"""Results as CSV: the plan and an empty result file out, filled in results back.

Reading forgives what spreadsheets do to a file and never guesses an outcome.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from calib.errors import BadFile, InvalidQuantity, InvalidRecord
from calib.materials import scales_of
from calib.records import (
    GRADES,
    GRADES_SAID,
    READ_OFF,
    SCALES,
    THROUGH_GRADES,
    Grid,
    Reading,
    Setting,
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
from calib.texts.say import say
from calib.units import parse_length_mm, parse_percent, parse_speed_mm_s, parse_whole

RESULT_COLUMNS = ("cell", *READ_OFF, "note")
OPTIONAL_COLUMNS = ("board", "width_mm", "height_mm")
PLAN_COLUMNS = (
    "cell", "operation", "power_pct", "speed_mm_s", "passes", "line_pitch_mm", "x_mm", "y_mm",
    "burn_order",
)  # fmt: skip
_OWN_COLUMNS = Columns(
    needed=(),
    optional=(
        "power", "power_pct", "speed", "speed_mm_s", "passes", "line_pitch", "line_pitch_mm",
        *READ_OFF, "note",
    ),
)  # fmt: skip
_COLUMNS = Columns(needed=RESULT_COLUMNS, optional=OPTIONAL_COLUMNS)
_MOST_TOLD = 10  # more lines would push the first ones out of sight
_LONGEST_NOTE = 1000  # as the record of a reading allows
_NUMBER = re.compile(rf"({'|'.join(map(str, GRADES))})(?:[.,]0+)?")
_MILLIMETRES = re.compile(r"(\d+(?:[.,]\d+)?)(?: ?mm)?", re.ASCII)


def _graded(names: Sequence[str], also: Mapping[str, int]) -> tuple[dict[str, Any], str]:
    """A grade's number, its words, or the first of them, and how that is told."""
    known = {
        word: grade
        for grade, name in enumerate(names)
        for word in (str(grade), name, re.split("[, ]", name)[0])
    }
    known = {**also, **known}
    said = " · ".join(f"{grade} {name}" for grade, name in enumerate(names))
    return known, f"{GRADES_SAID} ({said})"


# Other words of a grade.
_ALSO = {"char": {"flared": 4, "burnt back": 4}}
_THROUGH: dict[str, Any] = {
    **{word: word for word in THROUGH_GRADES},
    "not through": "no", "hangs": "hanging", "cut through": "through",
}  # fmt: skip


def _written(material: str) -> Mapping[str, tuple[Mapping[str, Any], str]]:
    """What may be written for each outcome, and how that is told; the words of wood always do."""
    usual = {name: _graded(words, _ALSO.get(name, {})) for name, words in SCALES.items()}
    own = {
        name: _graded(words, usual[name][0])
        for name, words in scales_of(material).items()
        if words != SCALES[name]
    }
    return {"through": (_THROUGH, ", ".join(THROUGH_GRADES)), **usual, **own}


def blank_results_csv(grid: Grid) -> str:
    """Result file of a board with every cell in it and nothing filled in (RFC 4180)."""
    empty = [""] * (len(RESULT_COLUMNS) - 1)
    rows = [
        (safe_cell_text(cell.label), *empty, safe_cell_text(grid.board_id)) for cell in grid.cells
    ]
    return write_csv((*RESULT_COLUMNS, "board"), rows)


def plan_csv(grid: Grid) -> str:
    """Plan of a board: one row per cell, in the order of the labels (RFC 4180)."""
    rows = [
        (
            safe_cell_text(cell.label),
            grid.operation,
            number_text(cell.power_pct),
            number_text(cell.speed_mm_s),
            str(cell.passes),
            "" if cell.line_pitch_mm is None else number_text(cell.line_pitch_mm),
            number_text(cell.x_mm),
            number_text(cell.y_mm),
            str(cell.burn_order),
        )
        for cell in grid.cells
    ]
    return write_csv(PLAN_COLUMNS, rows)


def boards_named(text: str | bytes) -> tuple[str, ...]:
    """Codes of the boards that a result file is of, in the order of its rows; none where it has no
    such column. Raises BadFile when it can't be read up to the first of them."""
    found: dict[str, None] = {}
    try:
        for row in read_rows(text, _COLUMNS):
            if code := plain_text(row.fields.get("board", "")).strip().upper():
                found[code] = None
    except BadFile:
        if not found:
            raise
    return tuple(found)


# Fields of a setting as the header of such a table names them.
_OWN_NAMES = {"power_pct": "power", "speed_mm_s": "speed", "line_pitch_mm": "line pitch"}


def settings_table(text: str | bytes) -> tuple[tuple[Setting, Mapping[str, str]], ...]:
    """The rows of a table of one's own, each with its setting and what came out of it.

    Empty where it is no such table: its first row names ``power`` and ``speed``, and may name
    ``passes``, ``line_pitch_mm`` and the columns of a result file. Raises BadFile with the first
    row that can't be read.
    """
    first = (text if isinstance(text, str) else text.decode("utf-8", "replace")).lstrip("\ufeff")
    header = {word.strip(' "').casefold() for word in re.split("[,;\t]", first.partition("\n")[0])}
    if not ({"power", "power_pct"} & header and {"speed", "speed_mm_s"} & header):
        return ()
    found = []
    for row in read_rows(text, _OWN_COLUMNS):
        given = dict(row.fields)
        typed = {
            name: given.pop(name, "") or given.pop(f"{name}_{unit}", "")
            for name, unit in (("power", "pct"), ("speed", "mm_s"), ("line_pitch", "mm"))
        }
        pitch = typed["line_pitch"].replace(",", ".")
        try:
            setting = Setting(
                power_pct=parse_percent(typed["power"].replace(",", ".")),
                speed_mm_s=parse_speed_mm_s(typed["speed"].replace(",", ".")),
                passes=parse_whole(given.pop("passes", "") or "1"),
                line_pitch_mm=parse_length_mm(pitch) if pitch else None,
            )
        except InvalidQuantity as wrong:
            raise BadFile(f"Row {row.number}: {wrong}") from None
        except InvalidRecord as wrong:
            named = ((one, _OWN_NAMES.get(one.field, one.field)) for one in wrong.misfits)
            said = " ".join(one.said(f"the {name}") for one, name in named)
            raise BadFile(f"Row {row.number}: {said}") from None
        found.append((setting, given))
    return tuple(found)


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
    wrong: list[str] = []
    labels = {cell.label.casefold(): cell.label for cell in grid.cells}
    seen: dict[str, int] = {}
    other_boards: set[str] = set()
    readings = []
    written = _written(grid.sheet.material)
    try:
        for row in read_rows(text, _COLUMNS):
            if not any(field for column, field in row.fields.items() if column != "board"):
                continue
            board = row.fields.get("board", "")
            if board and plain_text(board).casefold() != grid.board_id.strip().casefold():
                if board not in other_boards:  # told once, not in every row
                    of = say("results.these_are_to_be_results", grid=grid)
                    wrong.append(_refusal(row, "board", of))
                other_boards.add(board)
                continue
            reading, refused = _reading_of(row, grid, labels, seen, written)
            wrong += refused
            readings.append(reading)
    except BadFile as end:
        # The file can't be read further; what was wrong before is told with it.
        wrong.append(str(end))
    if len(wrong) > 1:
        more = len(wrong) - _MOST_TOLD
        rest = [say("results.and_more", more=more)] if more > 0 else []
        wrong = [say("results.things_are_wrong", count=len(wrong)), *wrong[:_MOST_TOLD], *rest]
    if wrong:
        raise BadFile("\n".join(wrong))
    return tuple(readings)


def _refusal(row: Row, column: str, allowed: str) -> str:
    return f"Row {row.number}: {column} is {row.fields[column][:60]!r}: {allowed}."


def _reading_of(
    row: Row,
    grid: Grid,
    labels: Mapping[str, str],
    seen: dict[str, int],
    written: Mapping[str, tuple[Mapping[str, Any], str]],
) -> tuple[Reading, list[str]]:
    """What a row says, and all that is wrong with it; its cell is added to those that were seen."""
    wrong: list[str] = []
    read: dict[str, Any] = {}

    def refuse(column: str, allowed: str) -> None:
        wrong.append(_refusal(row, column, allowed))

    cell = labels.get("".join(row.fields["cell"].split()).casefold(), "?")
    if cell == "?":
        names = list(labels.values())
        shown = ", ".join(names) if len(names) <= 20 else f"{names[0]} to {names[-1]}"
        refuse("cell", say("results.this_boards_cells", shown=shown))
    elif cell in seen:
        refuse("cell", say("results.it_stands_in_row_already", seen=seen[cell]))
    seen.setdefault(cell, row.number)
    for column, (words, allowed) in written.items():
        word = " ".join(row.fields[column].casefold().split())
        number = _NUMBER.fullmatch(word)
        word = number[1] if number else word
        if word and column not in grid.read:
            read_in = " and ".join(grid.read)
            refuse(column, say("results.leave_it_empty", grid=grid, read=read_in))
        elif word and word not in words:
            refuse(column, say("results.give_or_leave_it_empty_if", allowed=allowed))
        else:
            read[column] = words.get(word)
    note = plain_text(row.fields["note"])
    if len(note) > _LONGEST_NOTE:
        refuse("note", say("results.give_at_most_characters", longest_note=_LONGEST_NOTE))
        note = ""
    for column in ("width_mm", "height_mm"):
        if text := row.fields.get(column, ""):
            size = _MILLIMETRES.fullmatch(text.casefold())
            read[column] = float(size[1].replace(",", ".")) if size else 0.0
            if not 0.0 < read[column] <= 1000.0:
                refuse(column, say("results.give_millimetres_above_and_at_most"))
    return (Reading(cell=cell, note=note, **read) if not wrong else Reading(cell=cell)), wrong
