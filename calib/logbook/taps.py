"""Readings that are tapped in one at a time by several people, over connections that may fail.

Each tap is one look at a cell, whole, and carries a key that its sender made. The change that
stores it is named after the key, so a tap that is sent again is known again and never stored twice.
Each also names what its sender saw of the cell. When somebody else has read the cell otherwise
since, both looks are kept and neither counts until somebody has said which is right.
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
from calib.logbook.looks import Look, standing
from calib.logbook.machines import note_sitting
from calib.logbook.readings import (
    AGREED,
    APART,
    GRADES,
    Looked,
    Step,
    add_readings,
    check_cells,
    grades_of,
    looked_at,
    looks_by_cell,
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
_LONGEST_NOTE = 1000


class CellChanged(LogbookError):
    """Raised when a cell was read otherwise since the tap that is to be taken back."""

    def __init__(self, looked: Looked) -> None:
        self.looked = looked
        super().__init__(
            f"Cell {looked.reading.cell} was read by somebody else meanwhile. Nothing was taken"
            " back: look at what stands there now, and tap again if it is wrong."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """What became of a tap: what counts of the cell now, and how many cells are read, of how many.

    ``look`` is the id of the look that the tap stored; ``stored`` is True when this call changed
    the cell, ``again`` when the tap had been stored before.
    """

    look: str
    looked: Looked
    stored: bool
    again: bool = False
    read: int
    cells: int

    @property
    def reading(self) -> Reading:
        """What counts of the cell now."""
        return self.looked.reading


class Taps(Room):
    """Tapping readings in."""

    def tap(
        self,
        board_id: str,
        key: str,
        reading: Reading,
        *,
        saw: str = "",
        when: datetime,
        sitting: str = "",
    ) -> Tapped:
        """Take down what came out of one cell, or a note on it; the same key again stores nothing.

        A reading with a grade is a look, whole: a grade that it leaves open was not read. With
        nothing but a note, the look stays and the note is added. An empty one says that the cell
        wasn't read after all.

        Raises LogbookError, InvalidRecord when there is no such board or cell, or the key can't be
        one.
        """
        at, change_id = write_time(when), _change_id(board_id, key)
        check_text("sitting", sitting, longest=200)
        with self.change() as connection:
            board = find_board(connection, board_id, to_write=True)
            check_cells(connection, board, [reading])
            look_id = _look_id(board_id, key)
            if _is_stored(connection, change_id):
                return _tapped(connection, board, reading.cell, look_id, again=True)
            seen = None if saw in ("", key) else _seen(connection, board, reading.cell, saw)
            steps = _steps(connection, board, reading, look_id, seen)
            if steps and sitting:
                machine = find_machine(connection, board["machine_name"])
                note_sitting(connection, machine, at, Sitting(label=sitting))
            add_readings(connection, board, steps, (at, sitting, ""), change_id=change_id)
            return _tapped(connection, board, reading.cell, look_id, stored=bool(steps))

    def take_back_tap(
        self, board_id: str, key: str, target: str, *, when: datetime
    ) -> tuple[Tapped, ...]:
        """Take one tap back: the cell is as it was before; the same key again changes nothing.

        Raises CellChanged when the cell was read otherwise since; LogbookError when there is no
        such board.
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
            assert row is not None  # a tap's change holds the look
            again = _is_taken_back(connection, taken["id"])
            if not again:
                if not counts_now(connection, taken):
                    raise CellChanged(looked_at(connection, board["id"])[row["cell"]])
                undo_readings(connection, taken, at, _BACK, change_id)
            done = _tapped(connection, board, row["cell"], row["id"], stored=not again, again=again)
        return (done,)


def _tapped(
    connection: sa.Connection,
    board: Row,
    cell: str,
    look_id: str,
    *,
    stored: bool = False,
    again: bool = False,
) -> Tapped:
    """Say what became of a tap."""
    looked = looked_at(connection, board["id"])
    return Tapped(
        look=look_id,
        looked=looked.get(cell, Looked(id="", reading=Reading(cell=cell))),
        stored=stored,
        again=again,
        read=sum(not one.reading.is_empty for one in looked.values()),
        cells=len(check_cells(connection, board, [])),
    )


def _change_id(board_id: str, key: str) -> str:
    if not _KEY.fullmatch(key):
        raise InvalidRecord(
            f"key is {key[:70]!r}: give 8 to 64 letters, digits and hyphens, new for every tap."
        )
    return stable_id("tap", board_id, key)


def _look_id(board_id: str, key: str) -> str:
    return stable_id("look", board_id, key)


def _seen(connection: sa.Connection, board: Row, cell: str, saw: str) -> str | None:
    """Find the row that a sender saw: by its id, or by the key of an own tap or taking back."""
    change_id = stable_id("tap", board["code"], saw)
    named = sa.or_(readings.c.id == saw, readings.c.change_id == change_id)
    of_cell = sa.and_(readings.c.board_id == board["id"], readings.c.cell == cell)
    query = sa.select(readings.c.id).where(of_cell, named).order_by(readings.c.turn)
    row = one_row(connection, query)
    if row is not None:
        return str(row["id"])
    # A tap that hasn't arrived yet is replaced all the same once it does.
    return _look_id(board["code"], saw) if _KEY.fullmatch(saw) else None


def _is_stored(connection: sa.Connection, change_id: str) -> bool:
    return one_row(connection, sa.select(changes.c.id).where(changes.c.id == change_id)) is not None


def _is_taken_back(connection: sa.Connection, change_id: str) -> bool:
    undone = sa.select(changes.c.id).where(changes.c.undoes == change_id)
    return one_row(connection, undone) is not None


def _steps(
    connection: sa.Connection, board: Row, reading: Reading, look_id: str, saw: str | None
) -> list[Step]:
    """Find what is to be stored: the look, and what counts once it stands beside others."""
    looks = looks_by_cell(connection, board["id"]).get(reading.cell, [])
    by_id = {row["id"]: row for _, row in looks}
    last = looks[-1][1] if looks else None
    known = reading_from(last) if last else Reading(cell=reading.cell)
    before = by_id.get(saw or "")
    seen = reading_from(before) if before else Reading(cell=reading.cell)
    note = _both_notes(known.note, seen.note, reading.note)
    if reading.is_empty and reading.note:
        step = step_of(last, dataclasses.replace(reading, note=note), _ANEW)
        return (
            []
            if step is None
            else [dataclasses.replace(step, id=look_id, saw=last["id"] if last else None)]
        )
    if reading.is_empty and last is None and saw is None:
        return []
    stays = Reading(cell=reading.cell) if reading.is_empty else seen
    look = dataclasses.replace(
        reading,
        note=reading.note or stays.note,
        width_mm=stays.width_mm,
        height_mm=stays.height_mm,
    )
    why = "" if seen.is_empty else _CLEARED if reading.is_empty else _ANEW
    step = Step(old=last, reading=look, corrects=bool(why), id=look_id, saw=saw, why=why)
    if last is None or saw == last["id"]:
        apart = looked_at(connection, board["id"]).get(reading.cell)
        nothing_new = last is not None and look == known and not (apart and apart.apart)
        return [] if nothing_new else [step]
    # Somebody else was there: what counts now is what the rule says of all looks.
    told = Look(
        id=look_id, saw=frozenset([saw] if saw else []), says=grades_of(dataclasses.asdict(look))
    )
    stand = list(standing([*(one for one, _ in looks), told]))
    counts = dict(zip(GRADES, stand[0] if len(stand) == 1 else _NOTHING, strict=True))
    joined = dataclasses.replace(known, **counts, note=note)
    agreed = AGREED if len(stand) == 1 else APART
    return [step, Step(old=last, reading=joined, joins=look_id, why=agreed, corrects=True)]


_NOTHING = (None, None, None)


def _both_notes(there: str, seen: str, given: str) -> str:
    """Keep a note beside one that its writer didn't see."""
    if not given or there in ("", seen, given):
        return given or there
    return f"{there}; {given}"[:_LONGEST_NOTE]
