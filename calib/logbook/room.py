"""What every part of the logbook shares: transactions, changes, chains, and looking names up."""

from __future__ import annotations

import contextlib
import functools
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.coding import known_names, read_record, stable_id
from calib.logbook.files import Mark, mark_of
from calib.logbook.identity import identity_in
from calib.logbook.migrate import version_of
from calib.logbook.opening import WRITES, Place, file_of, in_plain_words, replaced
from calib.logbook.tables import (
    HEAD,
    boards,
    changes,
    machines,
    setups,
    sheet_versions,
    sheets,
    withdrawals,
)
from calib.records import Machine, Sheet

Row = Mapping[str, Any]


class Room:
    """A logbook's connection; the parts of `Book` build on it."""

    def __init__(self, engine: sa.Engine, place: Place) -> None:
        self.engine = engine
        self.where = place
        # SQLite lets one writer in and has the others look again after longer and longer pauses;
        # threads of one program queue up here instead.
        self._writing = threading.Lock() if place.path else contextlib.nullcontext()
        self._mark: Mark | None = None
        self._identity: str | None = None

    @contextmanager
    def look(self) -> Iterator[sa.Connection]:
        """Read one state of the book, even while others write."""
        options = {} if self.where.path else {"isolation_level": "REPEATABLE READ"}
        with (
            in_plain_words(self.where),
            self.engine.connect().execution_options(**options) as connection,
            connection.begin(),
        ):
            self._notice(connection)
            yield connection

    def _notice(self, connection: sa.Connection) -> None:
        """Go on with a file that was restored meanwhile; refuse one of another logbook."""
        if self.where.path is None or self._mark == (mark := file_of(connection).mark):
            return
        identity = identity_in(connection)
        if self._mark is not None and (
            identity != self._identity or version_of(connection) != HEAD
        ):
            raise LogbookError(
                f"Another logbook, or one of another version, lies at {self.where.shown} now:"
                " begin anew with it, or put the one back that you had. Nothing was stored."
            )
        self._mark, self._identity = mark, identity

    def newest_evidence(self) -> tuple[int, str]:
        """The newest change that may change what burns teach: its number grows, its id is its own.

        After an earlier backup was put back, numbers come up again.
        """
        newest = (
            sa
            .select(changes.c.seq, changes.c.id)
            .where(changes.c.kind.not_in(_BESIDE))
            .order_by(changes.c.seq.desc())
            .limit(1)
        )
        with self.look() as connection:
            row = connection.execute(newest).first()
        return (0, "") if row is None else (row.seq, row.id)

    @contextmanager
    def change(self) -> Iterator[sa.Connection]:
        """Write all or nothing: one transaction, taken back when anything fails."""
        with (
            self._writing,
            in_plain_words(self.where),
            self.engine.connect().execution_options(**{WRITES: True}) as connection,
        ):
            with connection.begin():
                self._notice(connection)
                yield connection
            # Who doesn't know of locks may have put another file there while this was written.
            path = self.where.path
            if path is not None and mark_of(path) != file_of(connection).mark:
                raise replaced(self.where, "This change was perhaps not stored.")


# Kinds of changes that change nothing of what burns teach.
_BESIDE = ("board", "note", "photograph", "promise", "settled", "sitting")


def rows_of(connection: sa.Connection, query: sa.Executable) -> list[Row]:
    """Run a query and give its rows as mappings."""
    return [dict(row) for row in connection.execute(query).mappings()]


def one_row(connection: sa.Connection, query: sa.Executable) -> Row | None:
    """Run a query and give its first row, None when there is none."""
    row = connection.execute(query).mappings().first()
    return None if row is None else dict(row)


def add_change(
    connection: sa.Connection,
    kind: str,
    at: str,
    content: Sequence[str],
    *,
    change_id: str | None = None,
    **about: str | None,
) -> str:
    """Take down that something is changed."""
    change = change_id or stable_id("change", kind, at, list(content))
    about.setdefault("why", "")
    connection.execute(changes.insert().values(id=change, at=at, kind=kind, **about))
    return change


@functools.cache  # an alias is slow to make, and a reading asks for three
def last_of(table: sa.Table, *slot: str) -> sa.ColumnElement[bool]:
    """Make the condition that picks the last row of each chain."""
    later = table.alias()
    same = [later.c[name] == table.c[name] for name in slot]
    return ~sa.exists().where(*same, later.c.turn > table.c.turn)


def still_counts(target: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    """Make the condition that a row was not taken back."""
    return ~sa.exists().where(withdrawals.c.target_id == target)


def is_new(connection: sa.Connection, table: sa.Table, row_id: str) -> bool:
    """Say whether a row has still to be added.

    Raises LogbookError when it was there and was taken back: its id is used up.
    """
    known = sa.select(still_counts(table.c.id)).where(table.c.id == row_id)
    counts = connection.execute(known).scalar()
    if counts is not None and not counts:
        raise LogbookError(
            "The very same was taken back before: give the time at which it is added anew."
        )
    return counts is None


def lock_name(connection: sa.Connection, table: sa.Table, name: str) -> None:
    """Keep other writers off a machine or sheet until the transaction ends."""
    # A statement of its own: what is read after it sees all that the other writer stored.
    connection.execute(sa.select(table.c.id).where(table.c.name == name).with_for_update())


def find_machine(connection: sa.Connection, name: str) -> Row:
    """Find a machine with its current set-up by name.

    Raises LogbookError when there is none; the message names those that are near.
    """
    query = (
        sa
        .select(machines.c.id, machines.c.name, setups.c.id.label("setup_id"), setups.c.turn)
        .add_columns(setups.c.record, setups.c.since, setups.c.what)
        .join(setups, setups.c.machine_id == machines.c.id)
        .where(machines.c.name == name, last_of(setups, "machine_id"))
    )
    row = one_row(connection, query)
    if row is None:
        names = connection.execute(sa.select(machines.c.name)).scalars()
        raise LogbookError(known_names("machine", name, names))
    return {**row, "machine": machine_from(row)}


def machine_from(row: Row) -> Machine:
    """Make the machine of a row with ``record``, under the ``name`` that it has in this book."""
    return read_record(Machine, row["record"], name=row["name"])


def find_sheet(connection: sa.Connection, name: str) -> Row:
    """Find a sheet with its current lot by name.

    Raises LogbookError when there is none; the message names those that are near.
    """
    query = (
        sa
        .select(sheets.c.id, sheets.c.name, sheet_versions.c.id.label("version_id"))
        .add_columns(sheet_versions.c.turn, sheet_versions.c.record, sheet_versions.c.lot)
        .join(sheet_versions, sheet_versions.c.sheet_id == sheets.c.id)
        .where(sheets.c.name == name, last_of(sheet_versions, "sheet_id"))
    )
    row = one_row(connection, query)
    if row is None:
        names = connection.execute(sa.select(sheets.c.name)).scalars()
        raise LogbookError(known_names("sheet", name, names))
    return {**row, "sheet": sheet_from(row)}


def sheet_from(row: Row) -> Sheet:
    """Make the sheet of a row with ``record``, under the ``name`` that it has in this book."""
    return read_record(Sheet, row["record"], name=row["name"])


def find_board(connection: sa.Connection, code: str, *, to_write: bool = False) -> Row:
    """Find a board by its code.

    Raises LogbookError when there is none; the message names those that are near.
    """
    query = (
        sa
        .select(boards, machines.c.name.label("machine_name"), sheets.c.name.label("sheet_name"))
        .join(machines, machines.c.id == boards.c.machine_id)
        .join(sheets, sheets.c.id == boards.c.sheet_id)
        .where(boards.c.code == code)
    )
    row = one_row(connection, query.with_for_update(of=boards) if to_write else query)
    if row is None:
        recent = sa.select(boards.c.code).order_by(boards.c.planned_at.desc()).limit(200)
        raise LogbookError(known_names("board", code, connection.execute(recent).scalars()))
    return row
