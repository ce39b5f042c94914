"""Ready-made grids: a definition in TOML becomes a board, the same one every time."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, cast

from pydantic import Field

from calib.boards.layout import board_id_of
from calib.errors import BadFile, InvalidRecord, LogbookError, MachineLimit, shown
from calib.records import Grid, Machine, Operation, Sheet
from calib.records.fields import Words, from_json, record, says
from calib.results import read_results
from calib.tasks.folders import given_file
from calib.tasks.library import plan_wished
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import BoardWish
from calib.texts.say import say
from calib.units import show_speed

Sentence = Annotated[Words, Field(min_length=1)]


@record
class DefinedBoard(BoardWish):
    """The board of a ready-made grid."""

    operation: Annotated[Operation, says("What is burnt.")]


@record
class Definition:
    """A ready-made grid as its file says it."""

    title: Annotated[Sentence, says("What it is.")]
    for_whom: Annotated[Sentence, says("Who can use it.")]
    assumes: Annotated[tuple[Sentence, ...], says("What must be so for it to fit, in sentences.")]
    keep_files: Annotated[bool, Field(strict=True), says("Whether its files are kept beside it.")]
    machine: Annotated[Machine, says("The machine it is planned for.")]
    sheet: Annotated[Sheet, says("The sheet it is planned for.")]
    board: Annotated[DefinedBoard, says("What is planned.")]


_TABLES: Mapping[str, type] = {"machine": Machine, "sheet": Sheet, "board": DefinedBoard}


def read_definition(text: str) -> Definition:
    """Read the definition of a ready-made grid; raises BadFile when it isn't TOML, or a key is
    missing, unknown or holds what it may not hold."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadFile(say("tasks.definition_isnt_toml", error=error)) from None
    tables = {name: _read(kind, f"[{name}] ", data.get(name, {})) for name, kind in _TABLES.items()}
    return cast(Definition, _read(Definition, "", data | tables))


def _read(kind: type, where: str, given: object) -> object:
    try:
        return from_json(kind, given)
    except InvalidRecord as wrong:
        said = " ".join(where + each.said(each.field) for each in wrong.misfits)
        raise BadFile(said or f"{where}{wrong}") from None


def given_text(file: Path) -> str:
    """Read the text of a definition's file; BadFile when that can't be."""
    try:
        return given_file(file, 2**20).decode("utf-8")
    except UnicodeDecodeError:
        raise BadFile(say("tasks.isnt_text_in_utf", file=shown(str(file)))) from None


def ready_made_grid(definition: Definition) -> Grid:
    """Plan the board of a definition."""
    wish = definition.board
    return plan_wished(definition.machine, definition.sheet, wish.operation, wish)[0]


def take_in_ready_made(
    pair: OpenPair,
    board_id: str,
    definition: Definition,
    content: bytes,
    *,
    when: datetime,
    again: bool = False,
) -> Grid:
    """Put a ready-made board into the book, for the machine and sheet that it was burnt on.

    Its code and cells are those of its files; nothing is forecast, for it is burnt already. Burnt
    ``again``, for another machine or sheet than before, it gets a code of its own there.
    LogbookError when its code is another one, MachineLimit when the machine can't have burnt it,
    BadFile when its results (content) can't be read: nothing is stored then.
    """
    grid, code = ready_made_grid(definition), shown(board_id)
    if grid.board_id != board_id.strip().upper():
        raise LogbookError(
            say("tasks.ready_made_grid_is_board", definition=definition, grid=grid, board_id=code)
        )
    pair.to(grid.operation).check()
    machine, sheet = pair.machine, pair.sheet
    fastest, most = max(cell.speed_mm_s for cell in grid.cells), machine.max_speed_mm_s
    if fastest > most:
        raise MachineLimit(
            say(
                "tasks.board_has_cell",
                grid=grid,
                fastest=show_speed(fastest),
                of_machine=machine,
                max_speed_mm_s=show_speed(most),
            )
        )
    read_results(content, grid)
    note = say(
        "tasks.ready_made_planned", definition=definition, of_machine=machine, of_sheet=sheet
    )
    made = replace(grid, machine=machine, sheet=sheet, notes=(*grid.notes, note))
    if again:
        note = say("tasks.is_written", grid=grid)
        made = replace(made, board_id=board_id_of(made), notes=(*made.notes, note))
    pair.book.add_board(made, when=when)
    return made
