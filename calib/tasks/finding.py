"""Look up what a shell names: a machine, a sheet, a board, a promise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book, PromiseEntry
from calib.records import Grid, Machine, Sheet

# Names the newest board or promise.
LAST = "last"


def find_pair(book: Book, machine: str | None, sheet: str | None) -> tuple[Machine, Sheet]:
    """Look up a machine and a sheet; where there is only one, it needn't be named; raises
    LogbookError when there is none, or more than one to choose from."""
    of_machine = find_machine(book, machine)
    if sheet is None:
        sheet = _only([s.name for s in book.sheets()], "sheet", "calib sheet add")
    return of_machine, book.sheet(sheet)


def find_machine(book: Book, name: str | None = None) -> Machine:
    """Look a machine up; where there is only one, it needn't be named; raises LogbookError when
    there is none, or more than one to choose from."""
    if name is None:
        name = _only([m.name for m in book.machines()], "machine", "calib machine add")
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


def find_promise(book: Book, beginning: str) -> PromiseEntry:
    """Look a promise up by the beginning of its code; raises InvalidRecord when it isn't one."""
    every = book.promises()
    if beginning == LAST and every:
        return every[0]
    # A code is a time and its own letters; lists show the letters.
    found = [
        entry
        for entry in every
        if beginning
        and any(part.startswith(beginning) for part in (entry.id, entry.id.partition("-")[2]))
    ]
    if len(found) != 1:
        raise InvalidRecord(
            f"promise {beginning!r} is the beginning of {len(found)} promises in the logbook: list"
            " them, and give more of one's code."
        )
    return found[0]
