"""Commands for boards: plan, draw, go on after a stop, focus."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.frame import (
    AsJson,
    BoardCode,
    BookPlace,
    MachineName,
    OperationName,
    SheetName,
    checked_operation,
    now,
    open_book,
    show,
    tell,
)
from calib.cli.options import command

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calib.tasks.wishes import BoardWish, FileWish, FocusWish

PANEL = "Boards"

Into = Annotated[
    Path | None,
    typer.Option("--into", metavar="FOLDER", help="Write the files there; made if missing."),
]
IntoHere = Annotated[
    Path, typer.Option("--into", metavar="FOLDER", help="Where to; made if missing.")
]


def _write(files: Mapping[str, bytes], folder: Path | None) -> tuple[Path, ...]:
    """Write files, and say so; nothing without a folder."""
    from calib.report.boards import files_text
    from calib.tasks.folders import write_folder

    if folder is None:
        return ()
    written = write_folder(files, folder)
    tell(files_text(files, written, folder))
    return written


@command(
    PANEL,
    "calib plan 'birch 3' --burns 6 --offcut 200x150 --into board-1",
    leave_out=("address",),
)
def plan(
    wish: BoardWish,
    files: FileWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    into: Into = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan the next board of a sheet: the first brackets the edge, later ones close in on it."""
    from calib.report.boards import planned_round_data, planned_round_text
    from calib.tasks.boards import plan_boards
    from calib.tasks.folders import check_folder

    word = checked_operation(operation)
    check_folder(into)
    with open_book(book) as opened:
        planned = plan_boards(opened, machine, sheet, word, wish, when=now(), files=files)
    for one in planned:
        if one.again:
            tell(f"Board {one.grid.board_id} was planned before, and isn't taken down: it stays.")
    for board in planned[0].unread:
        tell(f"Nothing was taken down yet of the earlier board {board}.")
    written = [_write(one.files, into) for one in planned]
    data = planned_round_data(planned, written, split=wish.split)
    show(data, planned_round_text(planned), as_json=as_json)


@command(PANEL, "calib files last --into board-1", leave_out=("address",))
def files(
    board: BoardCode,
    wish: FileWish,
    into: IntoHere = Path(),
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Write the files of a planned board: drawing, programs, record sheet, plan, empty results."""
    from calib.report.boards import files_text
    from calib.tasks.files import board_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        grid = find_board(opened, board)
    made = board_files(grid, wish)
    written = write_folder(made, into)
    text = files_text(made, written, into)
    show({"board_id": grid.board_id, "files": written}, text, as_json=as_json)


@command(PANEL, "calib resume last C1 --into board-1")
def resume(
    board: BoardCode,
    cell: Annotated[str, typer.Argument(metavar="CELL", help="Code of the cell to go on with.")],
    into: IntoHere = Path(),
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Write the program that goes on with a stopped board from a cell."""
    from calib.report.boards import files_text
    from calib.tasks.files import resume_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        grid = find_board(opened, board)
    made = resume_files(grid, cell)
    written = write_folder(made, into)
    text = files_text(made, written, into)
    show({"board_id": grid.board_id, "files": written}, text, as_json=as_json)


@command(PANEL, "calib focus 'birch 3' --into focus")
def focus(
    wish: FocusWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    into: IntoHere = Path(),
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Draw a focus board: one line for each height; the thinnest, darkest one is in focus."""
    from calib.report.boards import files_text, focus_data, focus_text
    from calib.tasks.boards import plan_focus_board
    from calib.tasks.files import focus_files
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        planned = plan_focus_board(opened, machine, sheet, wish.heights_mm or None, wish.offcut_mm)
    made = focus_files(planned)
    written = write_folder(made, into)
    text = f"{focus_text(planned)}\n\n{files_text(made, written, into)}"
    show({**focus_data(planned), "files": written}, text, as_json=as_json)


@command(PANEL, "calib show-board last")
def show_board(board: BoardCode, book: BookPlace = None, as_json: AsJson = False) -> None:
    """Show a board: its cells, what was taken down of each, and its notes."""
    from calib.report.boards import board_text
    from calib.tasks.finding import find_board

    with open_book(book) as opened:
        grid = find_board(opened, board)
        readings, looks = opened.readings(grid.board_id), opened.looks(grid.board_id)
    show(
        {"grid": grid, "readings": readings},
        board_text(grid, readings, looks),
        as_json=as_json,
    )
