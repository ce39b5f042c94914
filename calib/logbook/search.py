"""Find and list boards, jobs, check strips and notes, newest first."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord
from calib.logbook.coding import material_key, read_time, write_time
from calib.logbook.entries import Entry, Filters, Page
from calib.logbook.room import Room, Row, last_of, rows_of, still_counts
from calib.logbook.sheets import SAME_THICKNESS_MM
from calib.logbook.tables import (
    boards,
    cells,
    machines,
    notes,
    readings,
    run_burns,
    runs,
    sheet_versions,
    sheets,
)
from calib.records import outcome_order

_LONGEST_PAGE = 1000
_EVERYTHING = Filters()
_GRADES = ("through", "char", "mark")


class Search(Room):
    """Searching."""

    def search(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List what fits, newest first.

        Raises InvalidRecord when limit or offset aren't allowed.
        """
        if not 1 <= limit <= _LONGEST_PAGE:
            raise InvalidRecord(f"limit is {limit!r}: give a number from 1 to {_LONGEST_PAGE}.")
        if offset < 0:
            raise InvalidRecord(f"offset is {offset!r}: give 0 or more.")
        found = _matching(filters)
        with self.look() as connection:
            # Counted along with the page: looking twice would take twice as long.
            page = sa.select(found, sa.func.count().over().label("total"))
            page = page.order_by(found.c.at.desc(), found.c.code)
            rows = rows_of(connection, page.limit(limit).offset(offset))
            if rows or not offset:
                total = rows[0]["total"] if rows else 0
            else:
                counted = sa.select(sa.func.count()).select_from(found)
                total = connection.execute(counted).scalar_one()
            entries = _with_counts(connection, rows)
        return Page(entries=entries, total=total, offset=offset)

    def boards(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List boards that fit, newest first."""
        return self.search(
            dataclasses.replace(filters, kinds=("board",)), limit=limit, offset=offset
        )


def _matching(filters: Filters) -> sa.Subquery:
    parts = []
    if "board" in filters.kinds:
        parts.append(_boards_query(filters))
    run_kinds = [kind for kind in ("job", "check_strip") if kind in filters.kinds]
    if run_kinds and filters.outcome != "unread":
        parts.append(_runs_query(filters).where(runs.c.kind.in_(run_kinds)))
    asks_more = filters.operation is not None or filters.outcome is not None
    if "note" in filters.kinds and not asks_more:
        parts.append(_notes_query(filters))
    if not parts:
        parts.append(_boards_query(filters).where(sa.false()))
    return sa.union_all(*parts).subquery()


def _boards_query(filters: Filters) -> sa.Select[Any]:
    query = (
        sa
        .select(sa.literal("board").label("kind"), boards.c.id, boards.c.code)
        .add_columns(boards.c.planned_at.label("at"), boards.c.operation, boards.c.round)
        .add_columns(boards.c.lot, sa.literal("").label("note"), *_pair_columns())
        .join(machines, machines.c.id == boards.c.machine_id)
        .join(sheets, sheets.c.id == boards.c.sheet_id)
        .where(*_common(filters, boards.c.planned_at, boards.c.operation))
    )
    if filters.outcome is not None:
        query = query.where(_board_outcome(filters.outcome))
    for word in _words(filters):
        noted = sa.select(readings.c.board_id).where(readings.c.note != "")
        query = query.where(
            sa.or_(
                *_named(boards, word),
                _holds(boards.c.code, word),
                _holds(boards.c.lot, word),
                boards.c.id.in_(noted.where(_holds(readings.c.note, word))),
            )
        )
    return query


def _runs_query(filters: Filters) -> sa.Select[Any]:
    query = (
        sa
        .select(runs.c.kind, runs.c.id, runs.c.id.label("code"), runs.c.at, runs.c.operation)
        .add_columns(sa.cast(sa.null(), sa.Integer).label("round"), runs.c.lot, runs.c.note)
        .add_columns(*_pair_columns())
        .join(machines, machines.c.id == runs.c.machine_id)
        .join(sheets, sheets.c.id == runs.c.sheet_id)
        .where(*_common(filters, runs.c.at, runs.c.operation), still_counts(runs.c.id))
    )
    if filters.outcome is not None:
        column, value = _outcome(filters.outcome)
        query = query.where(
            sa.exists().where(run_burns.c.run_id == runs.c.id, run_burns.c[column] == value)
        )
    for word in _words(filters):
        own = [_holds(column, word) for column in (runs.c.note, runs.c.lot)]
        query = query.where(sa.or_(*_named(runs, word), *own))
    return query


def _notes_query(filters: Filters) -> sa.Select[Any]:
    query = (
        sa
        .select(sa.literal("note").label("kind"), notes.c.id, notes.c.id.label("code"), notes.c.at)
        .add_columns(sa.literal("").label("operation"))
        .add_columns(sa.cast(sa.null(), sa.Integer).label("round"), sa.literal("").label("lot"))
        .add_columns(notes.c.text.label("note"), *_pair_columns())
        .outerjoin(machines, machines.c.id == notes.c.machine_id)
        .outerjoin(sheets, sheets.c.id == notes.c.sheet_id)
        .where(*_common(filters, notes.c.at, sa.literal("")), still_counts(notes.c.id))
    )
    for word in _words(filters):
        query = query.where(sa.or_(*_named(notes, word), _holds(notes.c.text, word)))
    return query


def _named(of: sa.Table, word: str) -> list[sa.ColumnElement[bool]]:
    """Make the conditions that a word stands in the name of the machine or sheet.

    There are few names: they are looked through once, not for every board.
    """
    machine = machines.alias()
    sheet = sheets.alias()
    of_machine = sa.select(machine.c.id).where(_holds(machine.c.name, word))
    in_sheet = sa.or_(_holds(sheet.c.name, word), _holds(sheet.c.material, word))
    of_sheet = sa.select(sheet.c.id).where(in_sheet)
    return [of.c.machine_id.in_(of_machine), of.c.sheet_id.in_(of_sheet)]


def _pair_columns() -> list[sa.ColumnElement[Any]]:
    return [
        machines.c.name.label("machine"),
        sheets.c.name.label("sheet"),
        sheets.c.material,
        sheets.c.thickness_mm,
    ]


def _common(
    filters: Filters, at: sa.ColumnElement[str], operation: sa.ColumnElement[str]
) -> list[sa.ColumnElement[bool]]:
    wanted: list[sa.ColumnElement[bool]] = []
    if filters.material is not None:
        wanted.append(sheets.c.material_key == material_key(filters.material))
    if filters.thickness_mm is not None:
        wanted.append(_is_as_thick(filters.thickness_mm))
    if filters.machine is not None:
        wanted.append(machines.c.name == filters.machine)
    if filters.sheet is not None:
        wanted.append(sheets.c.name == filters.sheet)
    if filters.operation is not None:
        wanted.append(operation == filters.operation)
    if filters.since is not None:
        wanted.append(at >= write_time(filters.since))
    if filters.until is not None:
        wanted.append(at < write_time(filters.until))
    return wanted


def _is_as_thick(thickness_mm: float) -> sa.ColumnElement[bool]:
    # The small rest is for the rounding of decimal fractions.
    low, high = thickness_mm - SAME_THICKNESS_MM - 1e-9, thickness_mm + SAME_THICKNESS_MM + 1e-9
    measured = sa.exists().where(
        sheet_versions.c.sheet_id == sheets.c.id,
        sheet_versions.c.measured_mm.between(low, high),
        last_of(sheet_versions, "sheet_id"),
    )
    return sa.or_(sheets.c.thickness_mm.between(low, high), measured)


def _words(filters: Filters) -> list[str]:
    return (filters.text or "").lower().split()


def _holds(column: sa.ColumnElement[str], word: str) -> sa.ColumnElement[bool]:
    return sa.func.lower(column).contains(word, autoescape=True)


def _outcome(outcome: str) -> tuple[str, str | int]:
    kind, _, grade = outcome.partition(" ")
    return (kind, int(grade)) if grade else ("through", outcome)


def _board_outcome(outcome: str) -> sa.ColumnElement[bool]:
    counts = sa.exists().where(
        readings.c.board_id == boards.c.id, last_of(readings, "board_id", "cell")
    )
    if outcome == "unread":
        graded = sa.or_(*[readings.c[name].is_not(None) for name in _GRADES])
        return ~counts.where(graded)
    column, value = _outcome(outcome)
    return counts.where(readings.c[column] == value)


def _with_counts(connection: sa.Connection, rows: list[Row]) -> tuple[Entry, ...]:
    ids = {row["id"] for row in rows}
    cell_counts = (
        sa
        .select(cells.c.board_id, sa.func.count())
        .where(cells.c.board_id.in_(ids))
        .group_by(cells.c.board_id)
    )
    planned: dict[str, int] = {row[0]: row[1] for row in connection.execute(cell_counts)}
    counts: dict[str, dict[str, int]] = {row["id"]: {} for row in rows}
    for row in _graded(connection, ids):
        here = counts.setdefault(row["of"], {})
        here["read"] = here.get("read", 0) + row["parts"]
        for key in _keys(row):
            here[key] = here.get(key, 0) + row["parts"]
    return tuple(_entry(row, planned.get(row["id"]), counts[row["id"]]) for row in rows)


def _graded(connection: sa.Connection, ids: Iterable[str]) -> list[Row]:
    """Count read cells and parts of jobs by grades."""
    found: list[Row] = []
    for table, of, parts in (
        (readings, readings.c.board_id, sa.func.count()),
        (run_burns, run_burns.c.run_id, sa.func.sum(run_burns.c["count"])),
    ):
        grades = [table.c[name] for name in _GRADES]
        query = (
            sa
            .select(of.label("of"), *grades, parts.label("parts"))
            .where(of.in_(ids), sa.or_(*[grade.is_not(None) for grade in grades]))
            .group_by(of, *grades)
        )
        if table is readings:
            query = query.where(last_of(readings, "board_id", "cell"))
        found += rows_of(connection, query)
    return found


def _keys(row: Row) -> list[str]:
    keys = [row["through"]] if row["through"] is not None else []
    return keys + [f"{name} {row[name]}" for name in ("char", "mark") if row[name] is not None]


def _entry(row: Row, planned: int | None, counts: dict[str, int]) -> Entry:
    read = counts.pop("read", 0)
    # A note may be about no machine or sheet.
    names: dict[str, Any] = {name: row[name] or "" for name in ("machine", "sheet", "material")}
    same = ("kind", "thickness_mm", "lot", "operation", "round")
    return Entry(
        id=row["code"],
        at=read_time(row["at"]),
        cells=read if planned is None else planned,
        read=read,
        outcomes={name: counts[name] for name in sorted(counts, key=outcome_order)},
        note=row["note"],
        **names,
        **{name: row[name] for name in same},
    )
