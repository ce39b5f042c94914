"""Commands for boards that were planned: list, show, files, go on after a stop, photographs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib import tasks, texts
from calib.cli.options import (
    BoardCode,
    CaliperLimit,
    Into,
    IntoHere,
    Limit,
    OfMachine,
    OfSheet,
    Said,
    Sure,
    Why,
    argument,
    command,
    option,
)
from calib.cli.terminal import now, withdrawn
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Grid
    from calib.tasks.files import Files
    from calib.tasks.wishes import FileWish, Named

JointCode = Annotated[str, argument("BOARD", "Code of the joint board, or: last.")]


@command("calib board list --sheet 'birch 3'")
def board_list(
    book: Book, machine: OfMachine = None, sheet: OfSheet = None, limit: Limit = 20
) -> Said:
    """List boards, newest first, with how much of each is recorded."""
    from calib.logbook import Filters

    page = book.search(Filters(kinds=("board",), machine=machine, sheet=sheet), limit=limit)
    return page, texts.book.page_text(page)


@command("calib board show last")
def board_show(book: Book, board: BoardCode) -> Said:
    """Show a board: its cells, what came out of each, and its notes."""
    grid = tasks.pairs.find_board(book, board)
    readings, looks = book.readings(grid.board_id), book.looks(grid.board_id)
    burnt = tasks.pairs.burnt_words(book, grid)
    data = {"grid": grid, "readings": readings, "burnt": burnt}
    return data, texts.boards.board_text(grid, readings, looks, burnt)


@command("calib board files last --into board-1", leave_out=("address",))
def board_files(book: Book, board: BoardCode, wish: FileWish, into: IntoHere = Path()) -> Said:
    """Write the files of a planned board: drawing, programs, record sheet, plan, empty results."""
    grid = tasks.pairs.find_board(book, board)
    return _written(grid, tasks.files.board_files(grid, wish), into)


@command("calib board resume last C1 --into board-1")
def board_resume(
    book: Book,
    board: BoardCode,
    cell: Annotated[str, argument("CELL", "Code of the cell to go on with.")],
    into: IntoHere = Path(),
) -> Said:
    """Write the program that goes on with a stopped board from a cell."""
    grid = tasks.pairs.find_board(book, board)
    return _written(grid, tasks.files.resume_files(grid, cell), into)


def _written(grid: Grid, files: Files, into: Path) -> Said:
    written = tasks.files.write_folder(files, into)
    data = {"board_id": grid.board_id, "files": written}
    return data, texts.boards.files_text(files, written, into)


@command("calib board photo last photo.jpg --cell A1")
def board_photo(
    book: Book,
    board: BoardCode,
    file: Annotated[
        Path | None,
        argument(
            "FILE",
            "A photograph to keep: PNG, JPEG or WebP; those kept are listed without it.",
            exists=True,
            dir_okay=False,
            readable=True,
        ),
    ] = None,
    cell: Annotated[str, option("--cell", "CELL", "Cell that it shows; else the board.")] = "",
    into: Into = None,
) -> Said:
    """Keep a photograph of a board or of a cell, or list those kept and write them to a folder."""
    grid = tasks.pairs.find_board(book, board)
    if file is not None:
        kept = tasks.keeping.attach(book, grid, file, cell=cell, when=now())
        return kept, say("cli.is_kept_with_board", kept=kept)
    found = book.photographs(grid.board_id)
    files = {} if into is None else tasks.keeping.photograph_files(book, grid)
    data = {"photographs": found, "files": tasks.files.write_folder(files, into)}
    return data, texts.book.photographs_text(grid.board_id, found)


@command("calib board void last --why 'the offcut was lost'")
def board_void(book: Book, board: BoardCode, why: Why = "", yes: Sure = False) -> Said:
    """Say that a board is abandoned: neither it nor what was read of it counts any more."""
    return withdrawn(book, [tasks.pairs.board_entry(book, board)], why, yes)


@command("calib joint show last")
def joint_show(book: Book, board: JointCode) -> Said:
    """Say what to draw for a press fit, a glue fit and an inlay, from a joint board."""
    comb, found = tasks.joints.joint_of_comb(book, board)
    data = {"board_id": comb.board_id, "setting": comb.setting, "joint": found}
    return data, texts.joints.joint_text(comb, found)


@command("calib joint kerf 'birch 3'")
def joint_kerf(book: Book, pair: Named, caliper_limit: CaliperLimit = None) -> Said:
    """Work out the kerf from measured coupons, and how it grows with the line energy."""
    caliper = tasks.joints.caliper_of(caliper_limit)
    law, points = tasks.joints.learn_kerf(pair.of(book), when=now(), caliper=caliper)
    return {"law": law, "points": points}, texts.joints.kerf_text(law, points)
