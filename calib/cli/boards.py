"""Commands for boards: plan, draw, go on after a stop, focus."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib.cli.options import BoardCode, Into, IntoHere, Said, argument, command, flag
from calib.cli.terminal import confirmed, now, tell
from calib.errors import CalibError, NeedsYes

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.tasks.wishes import BoardWish, FileWish, FocusWish, Named, Pair

PANEL = "Boards"


@command(
    PANEL,
    "calib plan 'birch 3' --burns 6 --offcut 200x150 --into board-1",
    leave_out=("address",),
)
def plan(
    book: Book,
    pair: Pair,
    wish: BoardWish,
    files: FileWish,
    into: Into = None,
    yes: Annotated[bool, flag("--yes", "Plan on although something else must be wrong.")] = False,
) -> Said:
    """Plan the next board of a sheet: the first brackets the edge, later ones close in on it."""
    from calib.report.boards import files_text, planned_data, planned_round_text
    from calib.tasks.boards import plan_boards
    from calib.tasks.folders import check_folder, write_folder

    check_folder(into)
    try:
        planned = plan_boards(book, *pair.pair, wish, when=now(), files=files, sure=yes)
    except NeedsYes as doubtful:
        tell(" ".join(doubtful.doubts))
        if not confirmed("Is all of that as it should be, and the next board to be planned?"):
            raise CalibError(
                "Nothing was planned: answer y, or give --yes, when all of that is as it should be."
            ) from None
        planned = plan_boards(book, *pair.pair, wish, when=now(), files=files, sure=True)
    for one in planned:
        if one.again:
            tell(f"Board {one.grid.board_id} was planned before, and isn't taken down: it stays.")
    for board in planned[0].unread:
        tell(f"Nothing was taken down yet of the earlier board {board}.")
    data = []
    for one in planned:
        written = write_folder(one.files, into)
        if into is not None:
            tell(files_text(one.files, written, into))
        data.append(planned_data(one, written))
    return {"boards": data} if wish.split else data[0], planned_round_text(planned)


@command(PANEL, "calib files last --into board-1", leave_out=("address",))
def files(book: Book, board: BoardCode, wish: FileWish, into: IntoHere = Path()) -> Said:
    """Write the files of a planned board: drawing, programs, record sheet, plan, empty results."""
    from calib.report.boards import files_text
    from calib.tasks.files import board_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder

    grid = find_board(book, board)
    made = board_files(grid, wish)
    written = write_folder(made, into)
    return {"board_id": grid.board_id, "files": written}, files_text(made, written, into)


@command(PANEL, "calib resume last C1 --into board-1")
def resume(
    book: Book,
    board: BoardCode,
    cell: Annotated[str, argument("CELL", "Code of the cell to go on with.")],
    into: IntoHere = Path(),
) -> Said:
    """Write the program that goes on with a stopped board from a cell."""
    from calib.report.boards import files_text
    from calib.tasks.files import resume_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder

    grid = find_board(book, board)
    made = resume_files(grid, cell)
    written = write_folder(made, into)
    return {"board_id": grid.board_id, "files": written}, files_text(made, written, into)


@command(PANEL, "calib focus 'birch 3' --into focus")
def focus(book: Book, pair: Named, wish: FocusWish, into: IntoHere = Path()) -> Said:
    """Draw a focus board: one line for each height; the thinnest, darkest one is in focus."""
    from calib.report.boards import files_text, focus_data, focus_text
    from calib.tasks.boards import plan_focus_board
    from calib.tasks.files import focus_files
    from calib.tasks.folders import write_folder

    planned = plan_focus_board(book, *pair.names, wish)
    made = focus_files(planned)
    written = write_folder(made, into)
    text = f"{focus_text(planned)}\n\n{files_text(made, written, into)}"
    return {**focus_data(planned), "files": written}, text


@command(PANEL, "calib show-board last")
def show_board(book: Book, board: BoardCode) -> Said:
    """Show a board: its cells, what was taken down of each, and its notes."""
    from calib.report.boards import board_text
    from calib.tasks.finding import find_board

    grid = find_board(book, board)
    readings, looks = book.readings(grid.board_id), book.looks(grid.board_id)
    return {"grid": grid, "readings": readings}, board_text(grid, readings, looks)
