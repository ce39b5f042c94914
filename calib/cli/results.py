"""Commands that take down what came out, and take it back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.options import (
    BoardCode,
    MachineName,
    Note,
    Said,
    SessionLabel,
    Why,
    argument,
    command,
    flag,
    option,
)
from calib.cli.terminal import confirmed, now, tell
from calib.errors import CalibError

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.results import CellByCell
    from calib.tasks.wishes import JobCounts, Named

PANEL = "Results"
_HOW = "Type the word or its first letter; empty: not read; u: undo; q: stop for now."


@command(PANEL, "calib take-down last results.csv")
def take_down(
    book: Book,
    board: BoardCode,
    file: Annotated[
        Path, argument("FILE", "Filled in result file.", exists=True, dir_okay=False, readable=True)
    ],
    ready_made: Annotated[
        Path | None,
        option(
            "--ready-made",
            "FILE",
            "Definition (.toml) of a ready-made grid whose board isn't in the logbook yet.",
            show_default="beside the folder of the results",
        ),
    ] = None,
    machine: MachineName = None,
    sheet: Annotated[
        str | None, option("--sheet", "NAME", "Sheet that a ready-made grid was burnt on.")
    ] = None,
    session: SessionLabel = None,
    why: Why = "",
) -> Said:
    """Take down a result file: all of it, or nothing when anything in it is wrong."""
    from calib.report.boards import next_step_text, recorded_text
    from calib.tasks.finding import find_board
    from calib.tasks.folders import given_file
    from calib.tasks.results import next_step, take_down

    given = given_file(file)
    beside = file.resolve().parent.with_suffix(".toml")
    definition = ready_made or (beside if beside.is_file() else None)
    grid = None
    try:
        grid = find_board(book, board)
        if machine or sheet:
            from calib.tasks.definitions import check_burnt_for

            check_burnt_for(book, grid, machine, sheet)
    except CalibError:
        if definition is None:
            raise
        from calib.tasks.definitions import given_text, read_definition, take_in_ready_made

        read = read_definition(given_text(definition))
        grid = take_in_ready_made(
            book, board, read, given, machine, sheet, when=now(), again=grid is not None
        )
        code = board.strip().upper()
    else:
        code = grid.board_id
    done = take_down(book, grid, given, when=now(), session=session, why=why, code=code)
    readings = book.readings(grid.board_id)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    following = next_step_text(next_step(book, grid))
    return data, recorded_text(grid, done, readings), following


@command(PANEL, "calib read last")
def read(book: Book, board: BoardCode, session: SessionLabel = None) -> Said:
    """Take down a board cell by cell, asking; each answer is stored at once, u takes it back."""
    from calib.report.boards import board_text
    from calib.tasks.finding import find_board
    from calib.tasks.results import CellByCell, session_label

    grid = find_board(book, board)
    _ask(CellByCell(book, grid, session_label(now()) if session is None else session))
    readings, looks = book.readings(grid.board_id), book.looks(grid.board_id)
    data = {"board_id": grid.board_id, "readings": readings}
    return data, board_text(grid, readings, looks)


def _ask(cells: CellByCell) -> None:
    """Ask until every cell is read, or the user stops."""
    from calib.report.boards import question_text

    if sys.stdin is None:
        raise CalibError(
            "There is nowhere to answer at: the input is closed. Start read at a terminal, or fill"
            " in the result file and use take-down."
        )
    tell(_HOW)
    while question := cells.question:
        try:
            text = typer.prompt(question_text(question), default="", show_default=False, err=True)
        except typer.Abort:
            tell("\nStopped; what was answered is stored.")
            return
        if text.strip().casefold() == "q":
            return
        try:
            if text.strip().casefold() == "u":
                cells.undo(now())
            else:
                cells.answer(text, now())
        except CalibError as wrong:
            tell(str(wrong))


@command(PANEL, "calib strike-out last A1 --why 'the sheet had slipped'")
def strike_out(
    book: Book,
    board: BoardCode,
    cells: Annotated[list[str], argument("CELL...", "Codes of the cells.")],
    why: Why = "",
) -> Said:
    """Say that cells count as not burnt after all; what was read stays in the history."""
    from calib.report.boards import recorded_text
    from calib.tasks.finding import find_board

    labels = [cell.strip().upper() for cell in cells]
    grid = find_board(book, board)
    done = book.strike_out(grid.board_id, labels, when=now(), why=why)
    readings = book.readings(grid.board_id)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    return data, recorded_text(grid, done, readings)


_Board = Annotated[str | None, option("--board", "BOARD", "Its latest readings: a code, or: last.")]
_Sheet = Annotated[
    str | None, option("--sheet", "NAME", "Latest lot; with --machine: of the pair.")
]


@command(PANEL, "calib undo --board last")
def undo(
    book: Book,
    board: _Board = None,
    machine: MachineName = None,
    sheet: _Sheet = None,
    why: Why = "",
    yes: Annotated[
        bool, flag("--yes", "Don't ask, also where it is more than one result.")
    ] = False,
) -> Said:
    """Take back the latest change of a board, a machine, a sheet or a pair; asks if it is much."""
    from calib.tasks.finding import find_board

    code = None if board is None else find_board(book, board).board_id
    found = book.next_undo(board_id=code, machine=machine, sheet=sheet)
    if found.things > 1 and not yes:
        tell(f"This takes back {found.things} results at once: {found.words}.")
        if not confirmed("Take it all back?"):
            raise CalibError(
                "Nothing was taken back: answer y, or give --yes; single cells are corrected with"
                " take-down --why, or strike-out."
            )
    words = book.undo(
        when=now(), board_id=code, machine=machine, sheet=sheet, why=why, only=found.change_id
    )
    return {"taken_back": words}, f"Taken back: {words}"


@command(PANEL, "calib redo --board last")
def redo(
    book: Book,
    board: _Board = None,
    machine: MachineName = None,
    sheet: _Sheet = None,
    why: Why = "",
) -> Said:
    """Put again what the last undo took back, as long as nothing was stored since."""
    from calib.tasks.finding import find_board

    code = None if board is None else find_board(book, board).board_id
    words = book.redo(when=now(), board_id=code, machine=machine, sheet=sheet, why=why)
    return {"put_again": words}, f"Put again: {words}"


@command(
    PANEL,
    "calib take-down-job 'birch 3' --power 80 --speed 16 --through 38 --hanging 2",
    leave_out=("line_pitch_mm",),
)
def take_down_job(
    book: Book,
    pair: Named,
    setting: Setting,
    counts: JobCounts,
    session: SessionLabel = None,
    note: Note = "",
) -> Said:
    """Take down how a whole job at one setting came out: it tells what no small board can."""
    from calib.tasks.advice import take_down_job

    job = take_down_job(book, *pair.names, setting, counts, when=now(), session=session, note=note)
    text = f"Taken down: a job of {counts.parts} parts."
    return {"job_id": job, "parts": counts.parts}, text
