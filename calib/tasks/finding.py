"""Look up what a shell names: a machine, a sheet, a board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calib.errors import LogbookError
from calib.logbook import Book
from calib.records import Grid, Machine, Sheet

# Names the newest board.
LAST = "last"


def find_pair(book: Book, machine: str | None, sheet: str | None) -> tuple[Machine, Sheet]:
    """Look up a machine and a sheet; where there is only one, it needn't be named; raises
    LogbookError when there is none, or more than one to choose from."""
    of_machine = find_machine(book, machine)
    if sheet is None:
        sheet = _only([s.name for s in book.sheets()], "sheet", "add-sheet")
    return of_machine, book.sheet(sheet)


def find_machine(book: Book, name: str | None = None) -> Machine:
    """Look a machine up; where there is only one, it needn't be named; raises LogbookError when
    there is none, or more than one to choose from."""
    if name is None:
        name = _only([m.name for m in book.machines()], "machine", "add-machine")
    return book.machine(name)


def _only(names: Sequence[str], what: str, command: str) -> str:
    if not names:
        raise LogbookError(f"There is no {what} in the logbook yet: describe one with {command}.")
    if len(names) > 1:
        raise LogbookError(f"Which {what} is meant? The logbook has {', '.join(names)}: name one.")
    return names[0]


def find_board(book: Book, board_id: str) -> Grid:
    """Look a board up by its code, whatever its case; ``last`` is the one planned last."""
    code = board_id.strip().upper()
    if board_id.casefold() == LAST:
        newest = book.boards(limit=1).entries
        if not newest:
            raise LogbookError("There is no board in the logbook yet: plan one first.")
        code = newest[0].id
    grid = book.board(code)
    if grid.machine.power_word_full is not None:
        return grid
    # The word changes nothing of the burns: it only says how programs write them.
    word = book.machine(grid.machine.name).power_word_full
    return replace(grid, machine=replace(grid.machine, power_word_full=word))
