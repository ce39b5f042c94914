"""Ready-made grids: a definition in TOML becomes a board, the same one every time."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from calib.errors import BadFile, CalibError, LogbookError, MachineLimit, shown
from calib.grid.full import full_factorial
from calib.hazards import check_hazard
from calib.logbook import Book
from calib.records import OPERATIONS, Grid, Machine, Setting, Sheet
from calib.results import read_results
from calib.tasks.finding import find_pair
from calib.tasks.folders import given_file
from calib.tasks.library import plan_grid
from calib.units import show_speed

# What the keys hold: a kind, or a list of that kind with the most that it may have.
_HEAD = {"title": str, "for_whom": str, "assumes": list, "keep_files": bool}
_BOARD: Mapping[str, type | tuple[type, int]] = {
    "operation": str,
    "burns": int,
    "offcut_mm": (float, 2),
    "passes": (int, 50),
    "powers_pct": (float, 50),
    "speeds_mm_s": (float, 50),
    "slowest_mm_s": float,
    "line_pitch_mm": float,
    "reliability": float,
    "char_at_most": int,
    "mark": int,
    "seed": int,
}
_WORDS = {
    str: "text", list: "a list", bool: "true or false", int: "a whole number", float: "a number",
}  # fmt: skip
# No number of a definition is larger; seeds of nine digits are enough.
_MOST = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """A ready-made grid as its file says it."""

    # title, for_whom: What it is, and who can use it
    title: str
    for_whom: str
    assumes: tuple[str, ...]  # What must be so for it to fit, in sentences
    keep_files: bool  # True when its files are kept beside it
    # machine, sheet: For whom it is planned
    machine: Machine
    sheet: Sheet
    board: Mapping[str, Any]  # What is planned: the fields of the table ``[board]``


def read_definition(text: str) -> Definition:
    """Read the definition of a ready-made grid.

    Raises BadFile when it isn't TOML, or a key is missing, unknown or holds what it may not hold.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadFile(f"The definition isn't TOML ({error}): correct that line.") from None
    _check_keys("the definition", data, {*_HEAD, "machine", "sheet", "board"}, set(_HEAD))
    for key, kind in _HEAD.items():
        if not isinstance(data[key], kind) or data[key] == "":
            raise BadFile(f"{key} is {shown(data[key])}: give {_WORDS[kind]}.")
    board = data.get("board", {})
    _check_keys("[board]", board, set(_BOARD), {"operation"})
    for key, value in board.items():
        _check_board(key, value, _BOARD[key])
    return Definition(
        title=data["title"],
        for_whom=data["for_whom"],
        assumes=tuple(str(sentence) for sentence in data["assumes"]),
        keep_files=data["keep_files"],
        machine=_record(Machine, "[machine]", data.get("machine", {})),
        sheet=_record(Sheet, "[sheet]", data.get("sheet", {})),
        board={key: _frozen(value) for key, value in board.items()},
    )


def given_text(file: Path) -> str:
    """Read the text of a definition's file; BadFile when that can't be."""
    try:
        return given_file(file, 2**20).decode("utf-8")
    except UnicodeDecodeError:
        raise BadFile(f"{shown(str(file))} isn't text in UTF-8: give a definition.") from None


def _check_keys(where: str, given: Mapping[str, Any], known: set[str], needed: set[str]) -> None:
    if not isinstance(given, dict):
        raise BadFile(f"{where} is {shown(given)}: write a table with that name.")
    for key in given:
        if key not in known:
            raise BadFile(f"{where} has a key {shown(key)}: give {', '.join(sorted(known))}.")
    for key in sorted(needed):
        if key not in given:
            raise BadFile(f"{where} has no key {key!r}: add it.")


def _check_board(key: str, value: Any, kind: type | tuple[type, int]) -> None:
    if isinstance(kind, tuple):
        good = isinstance(value, list) and len(value) <= kind[1]
        good = good and all(_is(kind[0], part) for part in value)
        allowed = f"a list of at most {kind[1]}, each {_WORDS[kind[0]]}"
    else:
        good, allowed = _is(kind, value), _WORDS[kind]
    if not good:
        raise BadFile(f"[board] has {key} = {shown(value)}: give {allowed}.")
    if key == "operation" and value not in OPERATIONS:
        raise BadFile(f"[board] has operation {shown(value)}: give {', '.join(OPERATIONS)}.")


def _is(kind: type, value: Any) -> bool:
    if kind is str:
        return isinstance(value, str)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return abs(value) <= _MOST and (kind is float or isinstance(value, int))


def _frozen(value: Any) -> Any:
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


def _record(kind: type[Any], where: str, given: Mapping[str, Any]) -> Any:
    needed = {f.name for f in fields(kind) if f.default is MISSING}
    _check_keys(where, given, {field.name for field in fields(kind)}, needed)
    try:
        return kind(**{key: _frozen(value) for key, value in given.items()})
    except CalibError as wrong:
        raise BadFile(f"{where}: {wrong}") from None


def ready_made_grid(definition: Definition) -> Grid:
    """Plan the board of a definition.

    Raises RefusedMaterial, DeclarationNeeded, BoardDoesNotFit, MachineLimit, InvalidRecord as for
    ``plan_grid``.
    """
    wish = dict(definition.board)
    powers, speeds = wish.pop("powers_pct", ()), wish.pop("speeds_mm_s", ())
    settings: tuple[Setting, ...] = ()
    if powers or speeds:
        settings = full_factorial(
            definition.machine,
            powers,
            speeds,
            passes=wish.get("passes", (1,)),
            line_pitches_mm=(wish.get("line_pitch_mm"),),
        )
        wish["burns"] = len(settings)
    return plan_grid(definition.machine, definition.sheet, settings=settings, **wish)


def take_in_ready_made(
    book: Book,
    board_id: str,
    definition: Definition,
    content: bytes,
    machine: str | None,
    sheet: str | None,
    *,
    when: datetime,
) -> Grid:
    """Put a ready-made board into the book, for the machine and sheet that it was burnt on.

    Its code and cells are those of its files; nothing is forecast, for it is burnt already.
    LogbookError when its code is another one, MachineLimit when the machine can't have burnt it,
    BadFile when its results (content) can't be read: nothing is stored then.
    """
    grid = ready_made_grid(definition)
    if grid.board_id != board_id.strip().upper():
        raise LogbookError(
            f"The ready-made grid {definition.title!r} is board {grid.board_id}, not"
            f" {shown(board_id)}: give the definition whose files you burnt."
        )
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, grid.operation)
    fastest = max(cell.speed_mm_s for cell in grid.cells)
    if fastest > of_machine.max_speed_mm_s:
        raise MachineLimit(
            f"Board {grid.board_id} has a cell at {show_speed(fastest)}, {of_machine.name} goes up"
            f" to {show_speed(of_machine.max_speed_mm_s)}: it can't have burnt it so. Name the"
            " machine that did, or plan a board of its own."
        )
    note = (
        f"Ready-made, planned for {definition.machine.name} and {definition.sheet.name}; burnt on"
        f" {of_machine.name} and {of_sheet.name}."
    )
    read_results(content, grid)
    made = replace(grid, machine=of_machine, sheet=of_sheet, notes=(*grid.notes, note))
    book.add_board(made, when=when)
    return made
