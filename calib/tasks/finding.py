"""Look up what a shell names: a machine, a sheet, a board."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from calib.errors import LogbookError, NearMiss
from calib.logbook import Book, Filters, Line
from calib.logbook.coding import known_names
from calib.records import Grid, Machine, Operation, Sheet
from calib.texts.say import say

# Names the newest board.
LAST = "last"
# What says that a pair was used.
_USED = ("board", "job", "check_strip")
# Of one pair: far more than anybody burns.
_MOST_BOARDS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The names of a machine and a sheet, as the logbook writes them."""

    machine: str
    sheet: str
    how: str = ""  # What was taken where one of several wasn't named; else empty


def chosen_pair(book: Book, machine: str | None = None, sheet: str | None = None) -> Chosen:
    """Choose what isn't named: the only one, else what was used last; case doesn't matter.

    Raises LogbookError when there is none, or none of several was used yet; NearMiss when a name
    isn't there and another is like it.
    """
    machines = [each.name for each in book.machines()]
    sheets = [each.name for each in book.sheets()]
    if not machines:
        _taken(machines, "machine", "")
    of_machine = None if machine is None else name_like(machine, machines, "machine")
    of_sheet = None if sheet is None else name_like(sheet, sheets, "sheet")
    last = None
    if of_machine is None and len(machines) > 1 or of_sheet is None and len(sheets) > 1:
        named = Filters(kinds=_USED, machine=of_machine, sheet=of_sheet)
        # A sheet that was never burnt is for the machine that was used last.
        found = (
            book.search(named, limit=1).entries
            or book.search(Filters(kinds=_USED), limit=1).entries
        )
        last = found[0] if found else None
    taken = Chosen(
        machine=of_machine or _taken(machines, "machine", last.machine if last else ""),
        sheet=of_sheet or _taken(sheets, "sheet", last.sheet if last else ""),
    )
    if last is None:
        return taken
    return replace(taken, how=say("tasks.taken_as_used_last", taken=taken))


def find_pair(book: Book, machine: str | None, sheet: str | None) -> tuple[Machine, Sheet]:
    """Look up a machine and a sheet; what isn't named is chosen, as `chosen_pair`."""
    chosen = chosen_pair(book, machine, sheet)
    return book.machine(chosen.machine), book.sheet(chosen.sheet)


def find_machine(book: Book, name: str | None = None) -> Machine:
    """Look a machine up; the only one, else the one used last, needn't be named."""
    names = [each.name for each in book.machines()]
    if name is not None:
        return book.machine(name_like(name, names, "machine"))
    used = book.search(Filters(kinds=_USED), limit=1).entries if len(names) > 1 else ()
    return book.machine(_taken(names, "machine", used[0].machine if used else ""))


def find_sheet(book: Book, name: str) -> Sheet:
    """Look a sheet up by its name; case doesn't matter."""
    return book.sheet(name_like(name, [each.name for each in book.sheets()], "sheet"))


def name_like(given: str, names: Sequence[str], what: str) -> str:
    """The name as the logbook writes it; NearMiss where only a similar one is there."""
    wanted = given.strip().casefold()
    found = [name for name in names if name == given] or [
        name for name in names if name.casefold() == wanted
    ]
    if len(found) == 1:
        return found[0]
    near = difflib.get_close_matches(wanted, [name.casefold() for name in names], n=1, cutoff=0.75)
    if near and not found:
        like = next(name for name in names if name.casefold() == near[0])
        raise NearMiss(what, given, like)
    raise LogbookError(known_names(what, given, names))


def _taken(names: Sequence[str], what: str, last: str) -> str:
    if not names:
        raise LogbookError(say("tasks.there_is_no_in_logbook_yet", what=what))
    if len(names) > 1 and last not in names:
        raise LogbookError(say("tasks.which_is_meant", what=what, names=", ".join(names)))
    return names[0] if len(names) == 1 else last


def find_board(book: Book, board_id: str) -> Grid:
    """Look a board up by its code, whatever its case; ``last`` is the one planned last."""
    code = board_id.strip().upper()
    if board_id.casefold() == LAST:
        newest = book.boards(limit=1).entries
        if not newest:
            raise LogbookError(say("tasks.there_is_no_board_in_logbook"))
        code = newest[0].id
    grid = book.board(code)
    if grid.machine.power_word_full is not None:
        return grid
    # The word changes nothing of the burns: it only says how programs write them.
    word = book.machine(grid.machine.name).power_word_full
    return replace(grid, machine=replace(grid.machine, power_word_full=word))


def burnt_words(book: Book, grid: Grid) -> tuple[str, ...]:
    """Who burnt a board and with which lens, a sentence a session, as far as either is known."""
    sessions = {one.label: one.who for one in book.sessions(grid.machine.name)}
    lenses = {one.id: one.machine.lens_mm for one in book.setups(grid.machine.name)}
    found = []
    for label, setup in book.burnt_in(grid.board_id):
        who, lens = sessions.get(label, ""), lenses.get(setup)
        if who and lens:
            found.append(say("tasks.burnt_by_with_lens", label=label, who=who, lens=lens))
        elif who:
            found.append(say("tasks.burnt_by", label=label, who=who))
        elif lens:
            found.append(say("tasks.burnt_with_lens", label=label, lens=lens))
    return tuple(dict.fromkeys(found))


def boards_of(
    book: Book, machine: str, sheet: str, operation: Operation | None = None
) -> tuple[Line, ...]:
    """The boards of a pair, newest first."""
    pair = Filters(machine=machine, sheet=sheet, operation=operation)
    return book.boards(pair, limit=_MOST_BOARDS).entries


def board_entry(book: Book, code: str) -> str:
    """Id of the entry that planned a board, for it to be withdrawn."""
    grid = find_board(book, code)
    lines = book.history(grid.machine.name, grid.sheet.name)
    planned = (line.id for line in lines if (line.kind, line.board) == ("board", grid.board_id))
    return next(planned)
