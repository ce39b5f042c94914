"""Where things stand: each sheet and the one thing to do next, what waits, a board as read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

from calib.hazards import board_cautions
from calib.logbook import Book, Filters, Line, Looked, Photograph
from calib.records import Grid, Machine, Operation, Reading, Sheet, burns_to_advise_from
from calib.tasks.pairs import KeptSetting, burnt_words, find_board, kept_settings
from calib.tasks.results import will_do

# Boards that are looked at for where a sheet stands, the newest first: more than a workshop has
# open; and those, as kept settings, that a page has room for.
_OPEN, _RECENT = 200, 50
# record: a board waits; plan: burn more; recommend: the burns will do; try: what was kept is out of
# date; none: it is kept.
Step = Literal["record", "plan", "recommend", "try", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairState:
    """Where one operation of a sheet stands on a machine."""

    machine: str
    sheet: str
    operation: Operation
    step: Step
    boards: tuple[Line, ...] = ()  # its boards, oldest first
    burnt: str = ""  # How many burns there are, in words; empty without any
    kept: KeptSetting | None = None
    new_lot: bool = False  # the current lot was not burnt yet, others were

    @property
    def open(self) -> tuple[Line, ...]:
        """The boards that are still to be read, newest first."""
        return tuple(one for one in reversed(self.boards) if one.read < one.cells)

    @property
    def waiting(self) -> Line | None:
        """The newest board that is still to be read; None when none waits."""
        return self.open[0] if self.open else None


def pair_states(book: Book, sheet: str | None = None) -> tuple[PairState, ...]:
    """Where everything stands that was begun, what was touched last first; a sheet of which
    nothing was burnt yet stands with the machine that was used last."""
    every = kept_settings(book, sheet=sheet)
    kept = {(one.machine, one.sheet, one.operation): one for one in every}
    boards: dict[tuple[str, str, Operation], list[Line]] = {}
    for line in book.boards(Filters(sheet=sheet), limit=_OPEN).entries:
        key = (line.machine, line.sheet, cast(Operation, line.operation))
        boards.setdefault(key, []).insert(0, line)
    touched = {key: max(line.at for line in lines) for key, lines in boards.items()}
    touched |= {key: max(one.at, touched.get(key, one.at)) for key, one in kept.items()}
    keys = sorted(touched, key=lambda key: touched[key], reverse=True)
    found = []
    for key in keys:
        lines, in_use = tuple(boards.get(key, ())), kept.get(key)
        burns = book.burns(*key)
        step: Step
        if lines and lines[-1].read < lines[-1].cells:
            step = "record"
        elif in_use is not None and in_use.failed_proof:
            step = "recommend"
        elif in_use is not None:
            step = "try" if in_use.not_current else "none"
        else:
            step = "recommend" if will_do(burns) else "plan"
        lot = book.sheet(key[1]).lot
        found.append(
            PairState(
                machine=key[0],
                sheet=key[1],
                operation=key[2],
                step=step,
                boards=lines,
                burnt=burns_to_advise_from(burns, key[2]) if burns else "",
                kept=in_use,
                new_lot=key[2] == "cut" and bool(burns) and not book.burns(*key, lot=lot),
            )
        )
    machines = [one.name for one in book.machines()]
    last = next((one.machine for one in found), machines[0] if machines else "")
    begun = {one.sheet for one in found}
    found += [
        PairState(machine=last, sheet=one.name, operation="cut", step="plan")
        for one in book.sheets()
        if last and one.name not in begun and sheet in (None, one.name)
    ]
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """What is open."""

    has_machine: bool
    pairs: tuple[PairState, ...]
    questions: int  # How much was said in two ways


def overview(book: Book) -> Overview:
    """Look at all that was begun in a logbook."""
    return Overview(
        has_machine=bool(book.machines()), pairs=pair_states(book), questions=len(book.questions())
    )


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
    cautions: tuple[str, ...]  # All that hold of it
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
        cautions=board_cautions(grid.machine, grid.sheet, grid.operation, grid.air),
        burnt=burnt_words(book, grid),
        minutes=minutes_of(grid),
    )


def minutes_of(grid: Grid) -> float:
    """Predict how long burning a board takes [min]."""
    from calib.boards.board_time import board_time  # loads numpy

    return board_time(grid).total_s / 60.0
