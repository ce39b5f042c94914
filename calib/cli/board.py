"""Commands for boards that were planned: list, show, files, go on after a stop, photographs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib.cli.options import (
    BoardCode,
    Into,
    IntoHere,
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
    from calib.tasks.wishes import FileWish


@command("calib board list --sheet 'birch 3'")
def board_list(
    book: Book,
    machine: OfMachine = None,
    sheet: OfSheet = None,
    limit: Annotated[int, option("--limit", "N", "At most so many.")] = 20,
) -> Said:
    """List boards, newest first, with how much of each is recorded."""
    from calib.logbook import Filters
    from calib.texts.book import page_text

    filters = Filters(kinds=("board",), machine=machine, sheet=sheet)
    page = book.search(filters, limit=limit, offset=0)
    return page, page_text(page)


@command("calib board show last")
def board_show(book: Book, board: BoardCode) -> Said:
    """Show a board: its cells, what came out of each, and its notes."""
    from calib.tasks.finding import burnt_words, find_board
    from calib.texts.boards import board_text

    grid = find_board(book, board)
    readings, looks = book.readings(grid.board_id), book.looks(grid.board_id)
    burnt = burnt_words(book, grid)
    data = {"grid": grid, "readings": readings, "burnt": burnt}
    return data, board_text(grid, readings, looks, burnt)


@command("calib board files last --into board-1", leave_out=("address",))
def board_files(book: Book, board: BoardCode, wish: FileWish, into: IntoHere = Path()) -> Said:
    """Write the files of a planned board: drawing, programs, record sheet, plan, empty results."""
    from calib.tasks.files import board_files as files_of
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder
    from calib.texts.boards import files_text

    grid = find_board(book, board)
    made = files_of(grid, wish)
    written = write_folder(made, into)
    return {"board_id": grid.board_id, "files": written}, files_text(made, written, into)


@command("calib board resume last C1 --into board-1")
def board_resume(
    book: Book,
    board: BoardCode,
    cell: Annotated[str, argument("CELL", "Code of the cell to go on with.")],
    into: IntoHere = Path(),
) -> Said:
    """Write the program that goes on with a stopped board from a cell."""
    from calib.tasks.files import resume_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder
    from calib.texts.boards import files_text

    grid = find_board(book, board)
    made = resume_files(grid, cell)
    written = write_folder(made, into)
    return {"board_id": grid.board_id, "files": written}, files_text(made, written, into)


@command("calib board photo last photo.jpg --cell A1")
def board_photo(
    book: Book,
    board: BoardCode,
    file: Annotated[
        Path | None,
        argument(
            "[FILE]",
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
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder
    from calib.tasks.keeping import attach, photograph_files
    from calib.texts.book import photographs_text

    grid = find_board(book, board)
    if file is not None:
        kept = attach(book, grid, file, cell=cell, when=now())
        return kept, say("cli.is_kept_with_board", kept=kept)
    found = book.photographs(grid.board_id)
    written = write_folder({} if into is None else photograph_files(book, grid), into)
    return {"photographs": found, "files": written}, photographs_text(grid.board_id, found)


@command("calib board void last --why 'the offcut was lost'")
def board_void(book: Book, board: BoardCode, why: Why = "", yes: Sure = False) -> Said:
    """Say that a board is abandoned: neither it nor what was read of it counts any more."""
    from calib.tasks.finding import board_entry

    return withdrawn(book, [board_entry(book, board)], why, yes)
