"""Take back the latest change: what it changed is put back as a new row, nothing is erased."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.coding import check_text, stable_id, write_time
from calib.logbook.entries import Undoable
from calib.logbook.machines import add_description, add_setup, last_sitting, sitting_from
from calib.logbook.readings import Step, add_readings, current_rows, reading_from
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_board,
    find_machine,
    find_sheet,
    lock_name,
    machine_from,
    one_row,
    rows_of,
    sheet_from,
)
from calib.logbook.settling import add_settled, last_settled
from calib.logbook.sheets import add_version
from calib.logbook.tables import (
    boards,
    changes,
    kept,
    machines,
    notes,
    photographs,
    readings,
    run_burns,
    runs,
    settled,
    setups,
    sheet_versions,
    sheets,
    sittings,
    withdrawals,
)
from calib.records import Reading

# Kinds of changes that add to chains: where, and what tells the chains apart.
_CHAINS = {
    "reading": (readings, ("board_id", "cell")),
    "set-up": (setups, ("machine_id",)),
    "description": (sittings, ("machine_id", "label")),
    "lot": (sheet_versions, ("sheet_id",)),
    "settled": (settled, ("machine_id", "sheet_id", "operation")),
}
_EMPTY_SETTING = dict.fromkeys(
    ("power_pct", "speed_mm_s", "passes", "line_pitch_mm", "promise_id"), None
)


class Undoing(Room):
    """Taking back."""

    def undo(
        self,
        *,
        when: datetime,
        board_id: str | None = None,
        machine: str | None = None,
        sheet: str | None = None,
        why: str = "",
        only: str | None = None,
    ) -> str:
        """Take back the latest change that wasn't taken back yet; again takes back the one before.

        With ``board_id``: its readings, notes and photographs. With ``machine`` and ``sheet``:
        these of all boards of the pair, its jobs, check strips, combs and settled settings. With
        ``machine`` alone: its set-up, descriptions of sittings, timed jobs and notes. With
        ``sheet`` alone: its lot, measurement and notes. Boards and promises stay.

        Raises LogbookError when there is nothing to take back, or no such board, machine or sheet.
        """
        at = write_time(when)
        check_text("why", why)
        with self.change() as connection:
            change, shown = self._next(connection, board_id, machine, sheet)
            if only not in (None, change["id"]):
                raise LogbookError(
                    f"Something else was stored for {shown} meanwhile: look at it, then undo again."
                    " Nothing was taken back."
                )
            return _UNDOERS[change["kind"]](connection, change, at, why)

    def next_undo(
        self,
        *,
        when: datetime,
        board_id: str | None = None,
        machine: str | None = None,
        sheet: str | None = None,
    ) -> Undoable:
        """Say what `undo` would take back; nothing is stored. It refuses what `undo` refuses."""
        try:
            with self.change() as connection:
                change, _ = self._next(connection, board_id, machine, sheet)
                things = _things(connection, change)
                words = _UNDOERS[change["kind"]](connection, change, write_time(when), "")
                raise _OnlyLooking
        except _OnlyLooking:
            return Undoable(change_id=change["id"], words=words, things=things)

    def _next(
        self,
        connection: sa.Connection,
        board_id: str | None,
        machine: str | None,
        sheet: str | None,
    ) -> tuple[Row, str]:
        scope, shown = _scope(connection, board_id, machine, sheet)
        change = _latest(connection, scope)
        if change is None:
            raise LogbookError(f"There is nothing to take back for {shown}.")
        if not counts_now(connection, change):
            raise LogbookError(
                f"The latest change for {shown} came from another book and was not chosen, or"
                " something else was chosen since: correct what is wrong instead."
            )
        return change, shown


class _OnlyLooking(Exception):
    """Raised to take a look back."""


def _things(connection: sa.Connection, change: Row) -> int:
    """Count what a change holds: readings of a board, parts of a job, burns of a strip."""
    if change["kind"] == "reading":
        of = sa.select(sa.func.count()).select_from(readings)
        return int(connection.execute(of.where(readings.c.change_id == change["id"])).scalar_one())
    if change["kind"] in ("job", "check_strip"):
        of = sa.select(sa.func.sum(run_burns.c["count"])).join(
            runs, runs.c.id == run_burns.c.run_id
        )
        return int(connection.execute(of.where(runs.c.change_id == change["id"])).scalar_one())
    return 1


def _scope(
    connection: sa.Connection, board_id: str | None, machine: str | None, sheet: str | None
) -> tuple[list[sa.ColumnElement[bool]], str]:
    if board_id is not None:
        board = find_board(connection, board_id, to_write=True)
        return [changes.c.board_id == board["id"]], f"board {board_id!r}"
    if machine is None and sheet is None:
        raise LogbookError("Name a board, a machine or a sheet whose latest change to take back.")
    scope: list[sa.ColumnElement[bool]] = []
    for name, table, column, find in (
        (machine, machines, changes.c.machine_id, find_machine),
        (sheet, sheets, changes.c.sheet_id, find_sheet),
    ):
        if name is None:
            scope.append(column.is_(None))
            continue
        lock_name(connection, table, name)
        scope.append(column == find(connection, name)["id"])
    return scope, " and ".join(repr(name) for name in (machine, sheet) if name is not None)


def _latest(connection: sa.Connection, scope: list[sa.ColumnElement[bool]]) -> Row | None:
    undo = changes.alias()
    query = (
        sa
        .select(changes)
        .where(*scope, changes.c.kind.in_(_UNDOERS), changes.c.undoes.is_(None))
        .where(~sa.exists().where(undo.c.undoes == changes.c.id))
        .order_by(changes.c.seq.desc())
        .limit(1)
    )
    return one_row(connection, query)


def counts_now(connection: sa.Connection, change: Row) -> bool:
    """Say whether what a change added to chains is what counts, undone changes left aside."""
    if change["kind"] not in _CHAINS:
        return True
    table, slot = _CHAINS[change["kind"]]
    query = sa.select(table).where(table.c.change_id == change["id"]).order_by(table.c.turn)
    # Of several rows in one chain the last one says what counts.
    rows = {tuple(row[name] for name in slot): row for row in rows_of(connection, query)}
    return all(_standing(connection, table, slot, row) == row["id"] for row in rows.values())


def _standing(
    connection: sa.Connection, table: sa.Table, slot: tuple[str, ...], of: Row
) -> str | None:
    """Find the id of the row whose content counts now in the chain of a row."""
    same = [table.c[name] == of[name] for name in slot]
    query = sa.select(table, changes.c.undoes).join(changes, changes.c.id == table.c.change_id)
    rows = rows_of(connection, query.where(*same).order_by(table.c.turn))
    by_id, by_change = ({row[key]: row for row in rows} for key in ("id", "change_id"))
    row: Row | None = rows[-1]
    while row is not None and row["undoes"] is not None:
        # An undo put back what the undone row had followed.
        row = by_id.get(by_change[row["undoes"]]["follows"])
    return None if row is None else str(row["id"])


def _day(change: Row) -> str:
    return f"of {change['at'][:10]} {change['at'][11:16]} UTC"


def undo_readings(
    connection: sa.Connection, change: Row, at: str, why: str, change_id: str | None = None
) -> str:
    """Put back what the readings of a change had superseded; the rows of a change of readings."""
    code = connection.execute(
        sa.select(boards.c.code).where(boards.c.id == change["board_id"])
    ).scalar_one()
    board = find_board(connection, code, to_write=True)
    known = current_rows(connection, board["id"])
    query = sa.select(readings).where(readings.c.change_id == change["id"])
    rows = rows_of(connection, query.order_by(readings.c.turn))
    taken_back = {row["cell"]: row for row in rows}
    steps = []
    for row in taken_back.values():
        before = _row_of(connection, readings, row["follows"])
        reading = reading_from(before) if before else Reading(cell=row["cell"])
        steps.append(Step(old=known[row["cell"]], reading=reading, corrects=True))
    add_readings(connection, board, steps, (at, "", why or "taken back"), change["id"], change_id)
    cells = ", ".join(sorted(taken_back))
    return f"readings of board {code}, cells {cells}, {_day(change)}"


def _row_of(connection: sa.Connection, table: sa.Table, row_id: str | None) -> Row | None:
    return one_row(connection, sa.select(table).where(table.c.id == row_id)) if row_id else None


def _row_in(connection: sa.Connection, table: sa.Table, change: Row) -> Row:
    """Read the one row that a change of this table's kind holds."""
    query = sa.select(table).where(table.c.change_id == change["id"])
    return dict(connection.execute(query).mappings().one())


def _row_before(connection: sa.Connection, table: sa.Table, row: Row) -> Row:
    """Read the row that a row follows; only first ones follow none, and they aren't undone."""
    query = sa.select(table).where(table.c.id == row["follows"])
    return dict(connection.execute(query).mappings().one())


def _name_of(connection: sa.Connection, table: sa.Table, row_id: str) -> str:
    return str(connection.execute(sa.select(table.c.name).where(table.c.id == row_id)).scalar_one())


def _undo_setup(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, setups, change)
    before = _row_before(connection, setups, row)
    current = find_machine(connection, _name_of(connection, machines, row["machine_id"]))
    machine = machine_from({**before, "name": current["name"]})
    add_setup(connection, current, machine, at, ("undo", why), undoes=change["id"])
    return f"change of set-up ({row['what']}) of {current['name']!r}, {_day(change)}"


def _undo_description(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, sittings, change)
    before = sitting_from(_row_before(connection, sittings, row))
    last = last_sitting(connection, row["machine_id"], row["label"])
    add_description(connection, last, before, at, why, undoes=change["id"])
    return f"description of sitting {row['label']!r}, {_day(change)}"


def _undo_lot(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, sheet_versions, change)
    before = _row_before(connection, sheet_versions, row)
    current = find_sheet(connection, _name_of(connection, sheets, row["sheet_id"]))
    sheet = sheet_from({**before, "name": current["name"]})
    add_version(connection, current, sheet, at, why, undoes=change["id"])
    return f"lot or measurement of {current['name']!r}, {_day(change)}"


def _undo_settled(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, settled, change)
    before = _row_of(connection, settled, row["follows"])
    slot = {name: row[name] for name in ("machine_id", "sheet_id", "operation")}
    content: dict[str, Any] = {name: (before or _EMPTY_SETTING)[name] for name in _EMPTY_SETTING}
    new = {"at": at, "lot": (before or row)["lot"], "note": why or "taken back", **content}
    last = last_settled(connection, **slot)
    add_settled(connection, slot, last, new, undoes=change["id"])
    return f"settled setting for {row['operation']}, {_day(change)}"


def _undo_run(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, runs, change)
    withdraw(connection, "run", row, (at, why), undoes=change)
    return f"{row['kind'].replace('_', ' ')}, {_day(change)}"


def _undo_note(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    withdraw(connection, "note", _row_in(connection, notes, change), (at, why), undoes=change)
    return f"note, {_day(change)}"


def _undo_kept(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, kept, change)
    withdraw(connection, "kept", row, (at, why), undoes=change)
    return f"{row['kind'].replace('_', ' ')} {row['label']!r}, {_day(change)}"


def _undo_photograph(connection: sa.Connection, change: Row, at: str, why: str) -> str:
    row = _row_in(connection, photographs, change)
    withdraw(connection, "photograph", row, (at, why), undoes=change)
    return f"photograph {row['filename']}, {_day(change)}"


def withdraw(
    connection: sa.Connection, kind: str, row: Row, words: tuple[str, str], undoes: Row
) -> None:
    """Say that a row no longer counts; words are the time and why."""
    at, why = words
    new = {"id": stable_id("withdrawal", row["id"]), "kind": kind, "target_id": row["id"]}
    about = {name: undoes[name] for name in ("machine_id", "sheet_id", "board_id")}
    change = add_change(
        connection, "withdrawal", at, [new["id"]], why=why, undoes=undoes["id"], **about
    )
    connection.execute(withdrawals.insert().values(**new, at=at, why=why, change_id=change))


_UNDOERS = {
    "reading": undo_readings,
    "set-up": _undo_setup,
    "description": _undo_description,
    "lot": _undo_lot,
    "settled": _undo_settled,
    "job": _undo_run,
    "check_strip": _undo_run,
    "note": _undo_note,
    "photograph": _undo_photograph,
    "kept": _undo_kept,
}
