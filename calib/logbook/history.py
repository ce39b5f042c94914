"""Everything that was ever taken down about a pair, superseded things too."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import sqlalchemy as sa

from calib.logbook.coding import read_time
from calib.logbook.entries import HistoryLine, Sitting
from calib.logbook.machines import sitting_from
from calib.logbook.readings import APART, reading_from
from calib.logbook.room import Room, Row, find_machine, find_sheet, last_of, rows_of, still_counts
from calib.logbook.tables import (
    boards,
    changes,
    notes,
    photographs,
    promises,
    readings,
    run_burns,
    runs,
    settled,
    setups,
    sheet_versions,
    sittings,
)
from calib.records import Operation

Pair = tuple[str, str]


class History(Room):
    """The whole story of a pair."""

    def history(
        self, machine: str, sheet: str, operation: Operation | None = None
    ) -> tuple[HistoryLine, ...]:
        """List all that was taken down about a pair, in the order in which it was taken down.

        Raises LogbookError when machine or sheet aren't in the logbook.
        """
        with self.look() as connection:
            pair = find_machine(connection, machine)["id"], find_sheet(connection, sheet)["id"]
            lines = [
                (row["seq"], row.get("position", 0), make(row))
                for query, make in _PARTS
                for row in rows_of(connection, query(pair))
                if operation is None or (row.get("operation") or operation) == operation
            ]
        return tuple(line for _, _, line in sorted(lines, key=lambda part: part[:2]))


def _with_change(table: sa.Table, *columns: sa.ColumnElement[Any]) -> sa.Select[Any]:
    return sa.select(table, changes.c.seq, *columns).join(
        changes, changes.c.id == table.c.change_id
    )


def _counts(table: sa.Table, *slot: str) -> sa.ColumnElement[bool]:
    return last_of(table, *slot).label("counts")


def _of_pair(query: sa.Select[Any], table: sa.Table, pair: Pair) -> sa.Select[Any]:
    return query.where(table.c.machine_id == pair[0], table.c.sheet_id == pair[1])


def _setups(pair: Pair) -> sa.Select[Any]:
    query = _with_change(setups, _counts(setups, "machine_id"))
    return query.where(setups.c.machine_id == pair[0])


def _setup_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["since"]),
        kind="set-up",
        text=row["what"],
        why=row["note"],
        superseded=not row["counts"],
    )


def _sittings(pair: Pair) -> sa.Select[Any]:
    """Descriptions of the sittings in which something of the pair was burnt."""
    of_boards = sa.exists().where(
        boards.c.machine_id == pair[0],
        boards.c.sheet_id == pair[1],
        readings.c.board_id == boards.c.id,
        readings.c.sitting == sittings.c.label,
    )
    of_runs = sa.exists().where(
        runs.c.machine_id == pair[0],
        runs.c.sheet_id == pair[1],
        runs.c.sitting == sittings.c.label,
    )
    query = _with_change(sittings, _counts(sittings, "machine_id", "label"), changes.c.why)
    return query.where(sittings.c.machine_id == pair[0], sa.or_(of_boards, of_runs))


def _sitting_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["at"]),
        kind="sitting",
        text=sitting_words(sitting_from(row)),
        sitting=row["label"],
        why=row["why"],
        superseded=not row["counts"],
    )


def sitting_words(sitting: Sitting) -> str:
    """Say how a machine was set up for a sitting.

    Examples
    --------
    >>> sitting_words(Sitting(label="monday", air=True, focus_mm=-1.0, support="pins"))
    'monday: focus -1 mm, air on, on pins'
    """
    flags = (
        (sitting.air, "air on", "air off"),
        (sitting.lens_cleaned, "lens cleaned", "lens not cleaned"),
        (sitting.masked, "face masked", "face bare"),
    )
    words = [] if sitting.focus_mm is None else [f"focus {sitting.focus_mm:g} mm"]
    words += [yes if value else no for value, yes, no in flags if value is not None]
    words += [f"on {sitting.support}"] if sitting.support else []
    words += [sitting.note] if sitting.note else []
    return f"{sitting.label}: {', '.join(words) or 'not described'}"


def _photographs(pair: Pair) -> sa.Select[Any]:
    names = ("id", "at", "cell", "filename")
    query = (
        sa
        .select(*[photographs.c[name] for name in names], changes.c.seq, boards.c.code)
        .add_columns(boards.c.operation, still_counts(photographs.c.id).label("counts"))
        .join(changes, changes.c.id == photographs.c.change_id)
        .join(boards, boards.c.id == photographs.c.board_id)
    )
    return _of_pair(query, boards, pair)


def _photograph_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["at"]),
        kind="photograph",
        text=row["filename"],
        board=row["code"],
        cell=row["cell"],
        superseded=not row["counts"],
    )


def _lots(pair: Pair) -> sa.Select[Any]:
    query = _with_change(sheet_versions, _counts(sheet_versions, "sheet_id"))
    return query.where(sheet_versions.c.sheet_id == pair[1])


def _lot_line(row: Row) -> HistoryLine:
    measured = "" if row["measured_mm"] is None else f", measured {row['measured_mm']:g} mm"
    return HistoryLine(
        at=read_time(row["since"]),
        kind="lot",
        text=f"lot {row['lot'] or 'not named'}{measured}",
        why=row["note"],
        superseded=not row["counts"],
    )


def _boards(pair: Pair) -> sa.Select[Any]:
    return _of_pair(_with_change(boards), boards, pair)


def _board_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["planned_at"]),
        kind="board",
        text=f"round {row['round']} planned, {_operation(row)}",
        board=row["code"],
    )


def _readings(pair: Pair) -> sa.Select[Any]:
    query = (
        _with_change(readings, _counts(readings, "board_id", "cell"))
        .add_columns(boards.c.code, boards.c.operation)
        .join(boards, boards.c.id == readings.c.board_id)
    )
    return _of_pair(query, boards, pair).order_by(readings.c.cell, readings.c.turn)


def _reading_line(row: Row) -> HistoryLine:
    reading = reading_from(row)
    read = {name: getattr(reading, name) for name in ("through", "char", "mark")}
    words = [f"{name} {value}" for name, value in read.items() if value is not None]
    return HistoryLine(
        at=read_time(row["at"]),
        kind="reading",
        text=", ".join(words) or ("not read" if row["why"] == APART else "not burnt"),
        board=row["code"],
        cell=row["cell"],
        reading=reading,
        sitting=row["sitting"],
        why=row["why"],
        superseded=not row["counts"],
    )


def _operation(row: Row) -> str:
    return str(row["operation"]).replace("_", " ")


def _setting_words(row: Row) -> str:
    if row["power_pct"] is None:
        return "nothing settled any more"
    pitch = "" if row["line_pitch_mm"] is None else f", lines {row['line_pitch_mm']:g} mm apart"
    passes = "" if row["passes"] == 1 else f", {row['passes']} passes"
    return f"{row['power_pct']:g} %, {row['speed_mm_s']:g} mm/s{passes}{pitch}"


def _promises(pair: Pair) -> sa.Select[Any]:
    return _of_pair(_with_change(promises), promises, pair)


def _promise_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["at"]),
        kind="promise",
        text=f"{_operation(row)} at {_setting_words(row)}: chance {row['chance']:.3f}"
        f" for the next {row['scope']}",
    )


def _runs(pair: Pair) -> sa.Select[Any]:
    parts = (
        sa
        .select(sa.func.sum(run_burns.c["count"]))
        .where(run_burns.c.run_id == runs.c.id)
        .scalar_subquery()
    )
    query = _with_change(runs, still_counts(runs.c.id).label("counts"), parts.label("parts"))
    return _of_pair(query, runs, pair)


def _run_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["at"]),
        kind=row["kind"],
        text=f"{_operation(row)}, {row['parts']} parts",
        sitting=row["sitting"],
        why=row["note"],
        superseded=not row["counts"],
    )


def _settled(pair: Pair) -> sa.Select[Any]:
    slot = ("machine_id", "sheet_id", "operation")
    return _of_pair(_with_change(settled, _counts(settled, *slot)), settled, pair)


def _settled_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["at"]),
        kind="settled",
        text=f"{_operation(row)}: {_setting_words(row)}",
        why=row["note"],
        superseded=not row["counts"],
    )


def _notes(pair: Pair) -> sa.Select[Any]:
    query = (
        _with_change(notes, still_counts(notes.c.id).label("counts"), boards.c.code)
        .add_columns(boards.c.operation)
        .outerjoin(boards, boards.c.id == notes.c.board_id)
    )
    of_machine = sa.and_(notes.c.machine_id == pair[0], notes.c.sheet_id.is_(None))
    of_sheet = sa.and_(notes.c.machine_id.is_(None), notes.c.sheet_id == pair[1])
    of_pair = sa.and_(notes.c.machine_id == pair[0], notes.c.sheet_id == pair[1])
    return query.where(sa.or_(of_machine, of_sheet, of_pair))


def _note_line(row: Row) -> HistoryLine:
    return HistoryLine(
        at=read_time(row["at"]),
        kind="note",
        text=row["text"],
        board=row["code"] or "",
        superseded=not row["counts"],
    )


_PARTS: tuple[tuple[Callable[[Pair], sa.Select[Any]], Callable[[Row], HistoryLine]], ...] = (
    (_setups, _setup_line),
    (_sittings, _sitting_line),
    (_lots, _lot_line),
    (_boards, _board_line),
    (_readings, _reading_line),
    (_promises, _promise_line),
    (_runs, _run_line),
    (_settled, _settled_line),
    (_notes, _note_line),
    (_photographs, _photograph_line),
)
