"""Commands that take down what came out, and take it back."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.frame import (
    AsJson,
    BoardCode,
    BookPlace,
    MachineName,
    Note,
    SheetName,
    SittingLabel,
    Why,
    now,
    open_book,
    show,
    suggest,
    tell,
)
from calib.cli.options import command
from calib.errors import CalibError

if TYPE_CHECKING:
    from calib.records import Setting
    from calib.tasks.results import CellByCell
    from calib.tasks.wishes import JobCounts

PANEL = "Results"
_HOW = "Type the word or its first letter; empty: not read; u: undo; q: stop for now."


@command(PANEL, "calib take-down last results.csv")
def take_down(
    board: BoardCode,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            exists=True,
            dir_okay=False,
            readable=True,
            help="Filled in result file.",
        ),
    ],
    ready_made: Annotated[
        Path | None,
        typer.Option(
            "--ready-made",
            metavar="FILE",
            show_default="beside the folder of the results",
            help="Definition (.toml) of a ready-made grid whose board isn't in the logbook yet.",
        ),
    ] = None,
    machine: MachineName = None,
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", metavar="NAME", help="Sheet that a ready-made grid was burnt on."),
    ] = None,
    sitting: SittingLabel = None,
    why: Why = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down a result file: all of it, or nothing when anything in it is wrong."""
    from calib.report.boards import next_step_text, recorded_text
    from calib.tasks.finding import find_board
    from calib.tasks.folders import given_file
    from calib.tasks.next_steps import next_step
    from calib.tasks.results import take_down

    given = given_file(file)
    beside = file.resolve().parent.with_suffix(".toml")
    definition = ready_made or (beside if beside.is_file() else None)
    with open_book(book) as opened:
        try:
            grid = find_board(opened, board)
        except CalibError:
            if definition is None:
                raise
            from calib.tasks.definitions import given_text, read_definition, take_in_ready_made

            read = read_definition(given_text(definition))
            grid = take_in_ready_made(opened, board, read, given, machine, sheet, when=now())
        done = take_down(opened, grid, given, when=now(), sitting=sitting, why=why)
        readings = opened.readings(grid.board_id)
        step = next_step(opened, grid)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    show(data, recorded_text(grid, done, readings), as_json=as_json)
    suggest(next_step_text(step), as_json=as_json)


@command(PANEL, "calib read last")
def read(
    board: BoardCode,
    sitting: SittingLabel = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down a board cell by cell, asking; each answer is stored at once, u takes it back."""
    from calib.report.boards import board_text
    from calib.tasks.finding import find_board
    from calib.tasks.results import CellByCell, sitting_label

    with open_book(book) as opened:
        grid = find_board(opened, board)
        label = sitting_label(now()) if sitting is None else sitting
        _ask(CellByCell(opened, grid, label))
        readings, looks = opened.readings(grid.board_id), opened.looks(grid.board_id)
    data = {"board_id": grid.board_id, "readings": readings}
    show(data, board_text(grid, readings, looks), as_json=as_json)


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
    board: BoardCode,
    cells: Annotated[list[str], typer.Argument(metavar="CELL...", help="Codes of the cells.")],
    why: Why = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say that cells count as not burnt after all; what was read stays in the history."""
    from calib.report.boards import recorded_text
    from calib.tasks.finding import find_board

    labels = [cell.strip().upper() for cell in cells]
    with open_book(book) as opened:
        grid = find_board(opened, board)
        done = opened.strike_out(grid.board_id, labels, when=now(), why=why)
        readings = opened.readings(grid.board_id)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    show(data, recorded_text(grid, done, readings), as_json=as_json)


@command(PANEL, "calib undo --board last")
def undo(
    board: Annotated[
        str | None,
        typer.Option("--board", metavar="BOARD", help="Its latest readings: a code, or: last."),
    ] = None,
    machine: MachineName = None,
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", metavar="NAME", help="Latest lot; with --machine: of the pair."),
    ] = None,
    why: Why = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="Don't ask, also where it is more than one result.")
    ] = False,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take back the latest change of a board, a machine, a sheet or a pair; asks if it is much."""
    from calib.tasks.finding import find_board

    with open_book(book) as opened:
        code = None if board is None else find_board(opened, board).board_id
        found = opened.next_undo(board_id=code, machine=machine, sheet=sheet)
        if found.things > 1 and not yes:
            _agree(f"This takes back {found.things} results at once: {found.words}.")
        words = opened.undo(
            when=now(), board_id=code, machine=machine, sheet=sheet, why=why, only=found.change_id
        )
    show({"taken_back": words}, f"Taken back: {words}", as_json=as_json)


@command(PANEL, "calib redo --board last")
def redo(
    board: Annotated[
        str | None,
        typer.Option("--board", metavar="BOARD", help="Its readings: a code, or: last."),
    ] = None,
    machine: MachineName = None,
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", metavar="NAME", help="Its lot; with --machine: of the pair."),
    ] = None,
    why: Why = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Put again what the last undo took back, as long as nothing was stored since."""
    from calib.tasks.finding import find_board

    with open_book(book) as opened:
        code = None if board is None else find_board(opened, board).board_id
        words = opened.redo(when=now(), board_id=code, machine=machine, sheet=sheet, why=why)
    show({"put_again": words}, f"Put again: {words}", as_json=as_json)


def _agree(what: str) -> None:
    """Ask before more than one thing is done; where nobody can answer, nothing is."""
    tell(what)
    agreed = False
    if sys.stdin is not None:
        with suppress(typer.Abort):
            agreed = typer.confirm("Take it all back?", err=True)
    if not agreed:
        raise CalibError(
            "Nothing was taken back: answer y, or give --yes; single cells are corrected with"
            " take-down --why, or strike-out."
        )


@command(
    PANEL,
    "calib take-down-job 'birch 3' --power 80 --speed 16 --through 38 --hanging 2",
    leave_out=("line_pitch_mm",),
)
def take_down_job(
    setting: Setting,
    counts: JobCounts,
    sheet: SheetName = None,
    machine: MachineName = None,
    sitting: SittingLabel = None,
    note: Note = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down how a whole job at one setting came out: it tells what no small board can."""
    from calib.tasks.advice import take_down_job

    with open_book(book) as opened:
        job = take_down_job(
            opened, machine, sheet, setting, counts, when=now(), sitting=sitting, note=note
        )
    text = f"Taken down: a job of {counts.parts} parts."
    show({"job_id": job, "parts": counts.parts}, text, as_json=as_json)
