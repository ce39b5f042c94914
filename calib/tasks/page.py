"""What a desk with a logbook on it shows: what is there, what waits, a board with its readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from calib.boards.board_time import board_time
from calib.boards.layers import drawings_of
from calib.errors import LogbookError
from calib.hazards import Hazard, check_hazard
from calib.logbook import Book, Filters, Line, Looked, Photograph
from calib.records import Grid, Machine, Operation, Reading, Sheet
from calib.tasks.current import KeptSetting, kept_settings
from calib.tasks.files import board_files
from calib.tasks.finding import burnt_words, find_board
from calib.tasks.wishes import FileWish
from calib.texts.say import say

# Boards and kept settings that a desk has room for.
_RECENT = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What is in the logbook, as one looks at it before beginning."""

    # machines, sheets: As they are now
    machines: tuple[Machine, ...]
    sheets: tuple[Sheet, ...]
    waiting: tuple[Line, ...]  # Boards of which cells are still unread, newest first
    newest: Line | None  # The board planned last; None when there is none
    kept: tuple[KeptSetting, ...]  # With why they aren't current
    burnt_on: Mapping[str, str]  # The machine on which each sheet was burnt last, by sheet

    def chosen(self, typed: Mapping[str, str]) -> tuple[str, str]:
        """Name the sheet and the machine that a form is to begin with."""
        newest = (self.newest.sheet, self.newest.machine) if self.newest else ("", "")
        sheet = typed.get("sheet") or newest[0] or (self.sheets[0].name if self.sheets else "")
        return sheet, typed.get("machine") or self.burnt_on.get(sheet) or newest[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardState:
    """A board, and what was read off it so far."""

    grid: Grid  # The board
    readings: tuple[Reading, ...]  # What counts of its cells
    looks: Mapping[str, Looked]  # The same by cell, with the looks that stand apart
    photographs: tuple[Photograph, ...]  # Of the board and its cells
    hazard: Hazard  # What to know of its material
    burnt: tuple[str, ...]  # Who burnt it and with which lens, in sentences
    minutes: float  # How long burning it takes [min]

    @property
    def read(self) -> int:
        """How many cells are read."""
        return sum(not reading.is_empty for reading in self.readings)

    @property
    def by_cell(self) -> dict[str, Reading]:
        """The readings by the code of their cell."""
        return {reading.cell: reading for reading in self.readings}


def standing(book: Book) -> Standing:
    """Look at a logbook before beginning."""
    boards = book.boards(Filters(), limit=_RECENT).entries
    return Standing(
        machines=tuple(book.machines()),
        sheets=tuple(book.sheets()),
        waiting=tuple(board for board in boards if board.read < board.cells),
        newest=boards[0] if boards else None,
        kept=kept_settings(book)[:_RECENT],
        burnt_on=book.burnt_on(),
    )


def board_state(book: Book, board_id: str) -> BoardState:
    """Look a board up with all that was read off it."""
    grid = find_board(book, board_id)
    return BoardState(
        grid=grid,
        readings=book.readings(grid.board_id),
        looks=book.looks(grid.board_id),
        photographs=book.photographs(grid.board_id),
        hazard=check_hazard(grid.sheet, grid.machine, grid.operation),
        burnt=burnt_words(book, grid),
        minutes=minutes_of(grid),
    )


def minutes_of(grid: Grid) -> float:
    """Predict how long burning a board takes [min]."""
    return board_time(grid).total_s / 60.0


def board_file(grid: Grid, name: str, address: str = "") -> bytes:
    """Make one file of a board; raises LogbookError when the board has no such file."""
    files = board_files(grid, FileWish(address=address))
    if name not in files:
        raise LogbookError(
            say("tasks.board_has_no_file", grid=grid, name=name, files=", ".join(files))
        )
    return files[name]


def hazard_of(book: Book, machine: str, sheet: str, operation: Operation) -> Hazard:
    """Look at the hazards of a pair in the logbook; raises what refuses it."""
    return check_hazard(book.sheet(sheet), book.machine(machine), operation)


def file_names(grid: Grid) -> tuple[str, ...]:
    """Name the files of a board without making them."""
    ends = [".svg", ".dxf", "-record.pdf", "-plan.csv", "-results.csv"]
    if grid.machine.power_word_full is not None:
        ends[2:2] = [".nc", "-outline.nc"]
    parts = drawings_of(grid)
    ends[1:1] = [f"-{n}of{parts}.svg" for n in range(1, parts + 1) if parts > 1]
    return tuple(f"{grid.board_id}{end}" for end in ends)
