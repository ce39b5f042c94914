"""Readings that are tapped in one at a time by several people, over connections that may fail.

Each tap carries a key that its sender made. The change that stores it is named after the key, so a
tap that is sent again is known again and never stored twice. Each also carries what its sender saw
of the cell: when somebody else has read the cell otherwise since, nothing is stored and the sender
is asked.
"""

from __future__ import annotations

import dataclasses
import re
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.coding import check_text, stable_id, write_time
from calib.logbook.entries import Sitting
from calib.logbook.machines import note_sitting
from calib.logbook.readings import (
    FIELDS,
    Step,
    add_readings,
    check_cells,
    current_rows,
    is_blank,
    reading_from,
    step_of,
)
from calib.logbook.room import Room, Row, find_board, find_machine, one_row
from calib.logbook.tables import changes, readings
from calib.logbook.undoing import counts_now, undo_readings
from calib.records import Reading

_KEY = re.compile(r"[0-9A-Za-z-]{8,64}")
_ANEW = "tapped anew"
_BACK = "taken back"
_CLEARED = "not read after all"


class CellChanged(LogbookError):
    """Raised when a cell was read otherwise since the sender of a tap looked at it.

    Attributes
    ----------
    reading
        What counts of the cell now.
    """

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        super().__init__(
            f"Cell {reading.cell} was read by somebody else meanwhile. Nothing was stored: look at"
            " what stands there now, then tap again if it is wrong."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """What became of a tap.

    Parameters
    ----------
    reading
        What counts of the cell now.
    stored
        True when this call changed the cell.
    again
        True when the tap had been stored before.
    read, cells
        How many cells of the board are read, of how many.
    """

    reading: Reading
    stored: bool
    again: bool = False
    read: int
    cells: int


class Taps(Room):
    """Tapping readings in."""

    def tap(
        self,
        board_id: str,
        key: str,
        reading: Reading,
        *,
        seen: Reading,
        when: datetime,
        sitting: str = "",
    ) -> Tapped:
        """Take down what was tapped of one cell; the same key again stores nothing.

        What the reading leaves open keeps its earlier value; an empty one says that the cell
        wasn't read after all.

        Parameters
        ----------
        board_id
            Code of the board.
        key
            What the sender calls this tap: 8 to 64 letters, digits and hyphens.
        reading
            What was tapped.
        seen
            What the sender saw of the cell when it was tapped.
        when
            When it is stored.
        sitting
            Label of the sitting in which it was burnt.

        Returns
        -------
        Tapped
            What counts of the cell now.

        Raises
        ------
        CellChanged
            When what would be replaced isn't what the sender saw.
        LogbookError, InvalidRecord
            When there is no such board or cell, or the key can't be one.
        """
        at, change_id = write_time(when), _change_id(board_id, key)
        check_text("sitting", sitting, longest=200)
        with self.change() as connection:
            board = find_board(connection, board_id, to_write=True)
            state = _State(connection, board, reading)
            if _is_stored(connection, change_id):
                return state.tapped(stored=False, again=True)
            step, why = _next_step(state.row, state.known, reading, seen)
            if step is None:
                return state.tapped(stored=False)
            if sitting:
                machine = find_machine(connection, board["machine_name"])
                note_sitting(connection, machine, at, Sitting(label=sitting))
            add_readings(connection, board, [step], (at, sitting, why), change_id=change_id)
        return state.tapped(step.reading, stored=True)

    def take_back_tap(
        self, board_id: str, key: str, target: str, *, when: datetime
    ) -> tuple[Tapped, ...]:
        """Take one tap back: the cell is as it was before; the same key again changes nothing.

        Parameters
        ----------
        board_id
            Code of the board.
        key
            What the sender calls this taking back.
        target
            Key of the tap.
        when
            When it is taken back.

        Returns
        -------
        tuple of Tapped
            The cell as it is now; empty when the tap had stored nothing.

        Raises
        ------
        CellChanged
            When the cell was read otherwise since.
        LogbookError
            When there is no such board.
        """
        at, change_id, taken = write_time(when), _change_id(board_id, key), None
        with self.change() as connection:
            board = find_board(connection, board_id, to_write=True)
            find = sa.select(changes).where(changes.c.id == _change_id(board_id, target))
            taken = one_row(connection, find)
            if taken is None:
                return ()
            row = one_row(
                connection, sa.select(readings).where(readings.c.change_id == taken["id"])
            )
            assert row is not None  # a tap's change holds one reading
            again = _is_taken_back(connection, taken["id"])
            if not again:
                if not counts_now(connection, taken):
                    raise CellChanged(_State(connection, board, reading_from(row)).known)
                undo_readings(connection, taken, at, _BACK, change_id)
            state = _State(connection, board, reading_from(row))
        return (state.tapped(stored=not again, again=again),)


class _State:
    """A board's cells as they are read now, seen from one of them."""

    def __init__(self, connection: sa.Connection, board: Row, reading: Reading) -> None:
        self._cells = check_cells(connection, board, [reading])
        rows = current_rows(connection, board["id"])
        self.row = rows.get(reading.cell)
        self.known = reading_from(self.row) if self.row else Reading(cell=reading.cell)
        self._read = {cell for cell, row in rows.items() if not reading_from(row).is_empty}

    def tapped(self, now: Reading | None = None, *, stored: bool, again: bool = False) -> Tapped:
        """Say what became of a tap after which the cell is read so; None: as before."""
        reading = now or self.known
        read = self._read - {reading.cell} | (set() if reading.is_empty else {reading.cell})
        return Tapped(
            reading=reading, stored=stored, again=again, read=len(read), cells=len(self._cells)
        )


def _change_id(board_id: str, key: str) -> str:
    if not _KEY.fullmatch(key):
        raise InvalidRecord(
            f"key is {key[:70]!r}: give 8 to 64 letters, digits and hyphens, new for every tap."
        )
    return stable_id("tap", board_id, key)


def _is_stored(connection: sa.Connection, change_id: str) -> bool:
    return one_row(connection, sa.select(changes.c.id).where(changes.c.id == change_id)) is not None


def _is_taken_back(connection: sa.Connection, change_id: str) -> bool:
    undone = sa.select(changes.c.id).where(changes.c.undoes == change_id)
    return one_row(connection, undone) is not None


def _next_step(
    row: Row | None, known: Reading, reading: Reading, seen: Reading
) -> tuple[Step | None, str]:
    """Find what is to be stored, and why when it corrects something."""
    if is_blank(reading):
        if row is None or is_blank(known):
            return None, ""
        _check_seen(known, seen, FIELDS)
        return Step(old=row, reading=reading, corrects=True), _CLEARED
    step = step_of(row, reading, _ANEW)
    if step is None:
        return None, ""
    _check_seen(known, seen, [n for n in FIELDS if getattr(step.reading, n) != getattr(known, n)])
    return step, _ANEW if step.corrects else ""


def _check_seen(known: Reading, seen: Reading, names: list[str] | tuple[str, ...]) -> None:
    """Refuse to replace what the sender didn't see."""
    fields = {f.name: f.default for f in dataclasses.fields(Reading)}
    for name in names:
        there = getattr(known, name)
        if there != fields[name] and there != getattr(seen, name):
            raise CellChanged(known)
