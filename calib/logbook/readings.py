"""What was read off the cells: each reading supersedes the one before, none is overwritten."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.chains import ancestors
from calib.logbook.coding import check_text, stable_id, write_time
from calib.logbook.entries import Recorded, Sitting
from calib.logbook.looks import Answer, Look, standing
from calib.logbook.machines import note_sitting
from calib.logbook.room import Room, Row, add_change, find_board, find_machine, last_of, rows_of
from calib.logbook.tables import cells, changes, readings
from calib.records import Reading

GRADES = ("through", "char", "mark")
READ = (*GRADES, "width_mm", "height_mm")
FIELDS = (*READ, "note")
# Why a row stands there that says what counts once somebody had read a cell without having seen
# what others read of it.
APART = "read twice, and differently: counts as not read until somebody says which is right"
AGREED = "read twice, and alike"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A reading to be stored, and the row that it comes after; ``corrects`` when it changes it.

    What was said without having seen that row is two steps: the look itself, with its own ``id``,
    after what it ``saw``; and what counts then, which ``joins`` it.
    """

    old: Row | None
    reading: Reading
    corrects: bool = False
    id: str | None = None
    saw: str | None = None
    joins: str | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What counts of a cell, with the id by which somebody says that he saw it.

    ``apart`` holds the looks that differ and of which neither saw the other; the cell counts as
    not read as long as there are any.
    """

    id: str
    reading: Reading
    apart: tuple[Looked, ...] = ()


class Readings(Room):
    """The readings of a logbook."""

    def record(
        self,
        board_id: str,
        readings: Sequence[Reading],
        *,
        when: datetime,
        sitting: str = "",
        why: str = "",
    ) -> Recorded:
        """Take down what was read off a board: all of it, or nothing when anything is wrong.

        What a reading leaves open keeps its earlier value; cells left empty stay not burnt.

        Raises LogbookError when there is no such board, or a reading is changed without saying why;
        InvalidRecord when a cell isn't on the board or is given twice.
        """
        at = write_time(when)
        check_text("why", why)
        check_text("sitting", sitting, longest=200)
        with self.change() as connection:
            board = find_board(connection, board_id, to_write=True)
            check_cells(connection, board, readings)
            known = current_rows(connection, board["id"])
            if not why.strip():
                _refuse_apart(looked_at(connection, board["id"]), readings)
            found = [step_of(known.get(reading.cell), reading, why) for reading in readings]
            steps = [step for step in found if step is not None]
            if steps and sitting:
                machine = find_machine(connection, board["machine_name"])
                note_sitting(connection, machine, at, Sitting(label=sitting))
            add_readings(connection, board, steps, (at, sitting, why))
        corrected = sum(step.corrects for step in steps)
        return Recorded(
            added=len(steps) - corrected, corrected=corrected, unchanged=len(found) - len(steps)
        )

    def strike_out(
        self, board_id: str, labels: Sequence[str], *, when: datetime, why: str
    ) -> Recorded:
        """Say that cells count as not burnt after all; what was read stays in the history.

        Raises LogbookError, InvalidRecord when there is no such board or cell, or no reason is
        given.
        """
        at = write_time(when)
        if not check_text("why", why).strip():
            raise LogbookError("Say why the cells are struck out.")
        with self.change() as connection:
            board = find_board(connection, board_id, to_write=True)
            blanks = [Reading(cell=label) for label in labels]
            check_cells(connection, board, blanks)
            known = current_rows(connection, board["id"])
            looked = looked_at(connection, board["id"])
            steps = [
                Step(old=known[blank.cell], reading=blank, corrects=True)
                for blank in blanks
                if blank.cell in known
                and (looked[blank.cell].apart or not is_blank(looked[blank.cell].reading))
            ]
            add_readings(connection, board, steps, (at, "", why))
        return Recorded(corrected=len(steps), unchanged=len(labels) - len(steps))

    def readings(self, board_id: str) -> tuple[Reading, ...]:
        """List what counts now of a board, in the order of its cells.

        Raises LogbookError when there is no such board.
        """
        with self.look() as connection:
            board = find_board(connection, board_id)
            query = (
                sa
                .select(readings)
                .join(cells, _on_cell())
                .where(readings.c.board_id == board["id"], last_of(readings, "board_id", "cell"))
                .order_by(cells.c.position)
            )
            found = [reading_from(row) for row in rows_of(connection, query)]
        return tuple(reading for reading in found if not is_blank(reading))

    def looks(self, board_id: str) -> dict[str, Looked]:
        """Give what counts of the cells that were ever read, by cell, and what stands apart."""
        with self.look() as connection:
            return looked_at(connection, find_board(connection, board_id)["id"])

    def board_key(self, board_id: str) -> str:
        """Give what tells a board from every other one, in whichever logbook."""
        with self.look() as connection:
            return str(find_board(connection, board_id)["id"])


def looks_by_cell(connection: sa.Connection, board_id: str) -> dict[str, list[tuple[Look, Row]]]:
    """Read the looks on which it rests what counts of each cell, the row that counts last."""
    query = sa.select(readings, changes.c.undoes).join(
        changes, changes.c.id == readings.c.change_id
    )
    rows = rows_of(
        connection, query.where(readings.c.board_id == board_id).order_by(readings.c.turn)
    )
    undone = {row["undoes"] for row in rows}
    by_id = {row["id"]: row for row in rows}
    last = {row["cell"]: row["id"] for row in rows}
    # What came from another logbook and was not chosen is a question of its own.
    counted = set(last.values()).union(*(ancestors(by_id, row_id) for row_id in last.values()))
    found: dict[str, list[tuple[Look, Row]]] = {cell: [] for cell in last}
    for row in rows:
        if row["id"] in counted:
            hands_on = row["undoes"] is not None or row["change_id"] in undone
            hands_on = hands_on or row["why"] in (APART, AGREED) or _only_adds(row, by_id)
            saw = frozenset(row[name] for name in ("follows", "follows_too") if row[name])
            look = Look(id=row["id"], saw=saw, says=None if hands_on else grades_of(row))
            found[row["cell"]].append((look, row))
    return found


def _only_adds(row: Row, by_id: Mapping[str, Row]) -> bool:
    """True of a note or a measured size, beside what was read already."""
    if row["follows"] is None:
        return not any(grade is not None for grade in grades_of(row))
    before = by_id.get(row["follows"])
    if before is None or row["follows_too"] or grades_of(row) != grades_of(before):
        return False
    beside = set(FIELDS) - set(GRADES)
    return any(row[name] not in (None, "", before[name]) for name in beside)


def looked_at(connection: sa.Connection, board_id: str) -> dict[str, Looked]:
    """Find what counts of each cell that was ever read, and which looks stand apart."""
    found = {}
    for cell, looks in looks_by_cell(connection, board_id).items():
        by_id = {row["id"]: row for _, row in looks}
        stand = standing(look for look, _ in looks)
        last = looks[-1][1]
        apart: tuple[Looked, ...] = ()
        if len(stand) > 1 and reading_from(last).is_empty:
            apart = tuple(
                Looked(id=row_id, reading=reading_from(by_id[row_id]))
                for row_id in sorted(stand.values(), key=lambda one: by_id[one]["turn"])
            )
        found[cell] = Looked(id=last["id"], reading=reading_from(last), apart=apart)
    return found


def grades_of(row: Mapping[str, Any]) -> Answer:
    """Give what a row says came out."""
    return tuple(row[name] for name in GRADES)


def _refuse_apart(looked: Mapping[str, Looked], given: Sequence[Reading]) -> None:
    """Refuse to decide without a word between two who read a cell differently."""
    for reading in given:
        apart = looked[reading.cell].apart if reading.cell in looked else ()
        if apart and not reading.is_empty:
            said = " and as ".join(_grade_words(one.reading) for one in apart)
            raise LogbookError(
                f"Cell {reading.cell} was read as {said}, by two who didn't know of each other, and"
                f" is now given as {_grade_words(reading)}: say why it is corrected. Nothing was"
                " stored."
            )


def _grade_words(reading: Reading) -> str:
    given = [(name, getattr(reading, name)) for name in GRADES]
    words = [f"{name} {value!r}" for name, value in given if value is not None]
    return ", ".join(words) or "not burnt"


def _on_cell() -> sa.ColumnElement[bool]:
    return sa.and_(cells.c.board_id == readings.c.board_id, cells.c.label == readings.c.cell)


def is_blank(reading: Reading) -> bool:
    """True when nothing was read and nothing noted."""
    return all(getattr(reading, name) is None for name in READ) and not reading.note


def reading_from(row: Row) -> Reading:
    """Make the reading of a row."""
    return Reading(cell=row["cell"], **{name: row[name] for name in FIELDS})


def current_rows(connection: sa.Connection, board_id: str) -> dict[str, Row]:
    """Read the rows that count now of a board (by its row id), by cell."""
    query = sa.select(readings).where(
        readings.c.board_id == board_id, last_of(readings, "board_id", "cell")
    )
    return {row["cell"]: row for row in rows_of(connection, query)}


def check_cells(connection: sa.Connection, board: Row, given: Sequence[Reading]) -> tuple[str, ...]:
    """Check that readings are of this board's cells, each once; give the codes of all cells."""
    query = sa.select(cells.c.label).where(cells.c.board_id == board["id"])
    labels = tuple(connection.execute(query.order_by(cells.c.position)).scalars())
    seen: set[str] = set()
    for reading in given:
        if reading.cell not in labels:
            raise InvalidRecord(
                f"cell {reading.cell!r} isn't on board {board['code']!r}: it has"
                f" {', '.join(labels)}. Nothing was stored."
            )
        if reading.cell in seen:
            raise InvalidRecord(
                f"cell {reading.cell!r} is given twice: give one reading for each cell."
                " Nothing was stored."
            )
        seen.add(reading.cell)
    return labels


def step_of(row: Row | None, given: Reading, why: str) -> Step | None:
    """Find what is to follow the row that counts now, None when nothing changes."""
    known = reading_from(row) if row else Reading(cell=given.cell)
    left_open = {
        name: getattr(known, name)
        for name in FIELDS
        if getattr(given, name) is None or getattr(given, name) == ""
    }
    new = dataclasses.replace(given, **left_open)
    if new == known:
        return None
    changed = [name for name in READ if getattr(known, name) not in (None, getattr(new, name))]
    if changed and not why.strip():
        name = changed[0]
        raise LogbookError(
            f"Cell {given.cell} was read as {name} {getattr(known, name)!r} and is now given as"
            f" {getattr(new, name)!r}: say why it is corrected. Nothing was stored."
        )
    return Step(old=row, reading=new, corrects=bool(changed))


def add_readings(
    connection: sa.Connection,
    board: Row,
    steps: Sequence[Step],
    words: tuple[str, str, str],
    undoes: str | None = None,
    change_id: str | None = None,
) -> None:
    """Add readings as one change; words are the time, the sitting and why."""
    if not steps:
        return
    setup_id = find_machine(connection, board["machine_name"])["setup_id"]
    rows = [_row(board, step, words, setup_id) for step in steps]
    change = add_change(
        connection,
        "reading",
        words[0],
        [row["id"] for row in rows],
        machine_id=board["machine_id"],
        sheet_id=board["sheet_id"],
        board_id=board["id"],
        why=words[2],
        undoes=undoes,
        change_id=change_id,
    )
    connection.execute(readings.insert(), [{**row, "change_id": change} for row in rows])


def _row(board: Row, step: Step, words: tuple[str, str, str], setup_id: str) -> dict[str, Any]:
    at, sitting, why = words
    why = why if step.why is None else step.why
    old = step.old
    # The burn itself is as old as its first reading: a later correction doesn't move it into
    # another sitting or set-up.
    burnt = old if old is not None and not is_blank(reading_from(old)) else None
    follows = None if old is None else old["id"]
    if step.id is not None:
        follows = step.saw
    # What joins stands after the look that it joins.
    turn = (0 if old is None else old["turn"]) + (1 if step.joins is None else 2)
    return {
        "id": step.id or stable_id("reading", board["id"], follows, step.reading, at, why),
        "board_id": board["id"],
        **dataclasses.asdict(step.reading),
        "at": at,
        "sitting": sitting or (burnt["sitting"] if burnt else ""),
        "why": why,
        "setup_id": burnt["setup_id"] if burnt else setup_id,
        "follows": follows,
        "follows_too": step.joins,
        "turn": turn,
    }
