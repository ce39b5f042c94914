"""Look a logbook over: every page, every reference, and every row against the newest backup.

A database notices when its own structure is damaged, and says nothing of a letter that turned into
another one inside a note. But rows are only ever added here: one that stands in a backup and reads
otherwise in the logbook was spoilt.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.files import look_into
from calib.logbook.identity import newest_backup
from calib.logbook.layout import LOCAL, NESTED, counts_in_words
from calib.logbook.opening import damaged, in_plain_words
from calib.logbook.room import Room
from calib.logbook.tables import aliases, changes, metadata


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What a check of a sound logbook found."""

    rows: Mapping[str, int]  # Rows in the logbook, by table
    compared_with: Path | None = None  # The newest good backup; None when there is none
    # Rows of the backup that aren't in the logbook, by table; some are when an earlier backup was
    # put back since
    missing: Mapping[str, int] = field(default_factory=dict)


def check_book(book: Room) -> Check:
    """Look a logbook over; nothing is changed.

    Raises LogbookError when a page or a reference is damaged, or a row reads otherwise than in the
    newest good backup, which it names.
    """
    if book.where.path is None:
        return Check(rows=_counts(book))
    with in_plain_words(book.where):
        _look_at_pages(book)
        backup = newest_backup(book.where.path)
        if backup is None:
            return Check(rows=_counts(book))
        changed, missing = _compare(book.where.path, backup)
    if changed:
        many = sum(changed.values())
        raise LogbookError(
            f"{many} {'row' if many == 1 else 'rows'} of the logbook {book.where.shown}"
            f" {'reads' if many == 1 else 'read'} otherwise than in its backup {backup}"
            f" ({counts_in_words(changed)}), and rows are never changed: the file was"
            " spoilt. Restore the backup; the spoilt file is kept."
        )
    return Check(rows=_counts(book), compared_with=backup, missing=missing)


def _look_at_pages(book: Room) -> None:
    with book.look() as connection:
        said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
        loose = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if said != "ok" or loose is not None:
        raise LogbookError(damaged(book.where))


def _counts(book: Room) -> dict[str, int]:
    with book.look() as connection:
        return {
            table.name: connection.execute(
                sa.select(sa.func.count()).select_from(table)
            ).scalar_one()
            for table in metadata.sorted_tables
        }


def _compare(path: Path, backup: Path) -> tuple[dict[str, int], dict[str, int]]:
    """Count the rows of a backup that read otherwise in a logbook, and those that it lacks."""
    changed, missing = {}, {}
    with look_into(path) as connection:
        connection.execute("ATTACH ? AS backup", (f"{backup.absolute().as_uri()}?mode=ro",))
        known = {row[0] for row in connection.execute("SELECT name FROM backup.sqlite_master")}
        grown = not connection.execute(
            "SELECT 1 FROM backup.changes old WHERE NOT EXISTS"
            " (SELECT 1 FROM main.changes mine WHERE mine.seq = old.seq AND mine.id = old.id)"
        ).fetchone()
        for table in metadata.sorted_tables:
            if table.name not in known:
                continue
            # A backup of an earlier version lacks columns.
            there = connection.execute(f"PRAGMA backup.table_info({table.name})")
            columns = {row[1] for row in there} & {column.name for column in table.columns}
            gone, otherwise = _differing(connection, table, columns, grown)
            missing[table.name], changed[table.name] = gone, otherwise
    return _some(changed), _some(missing)


def _differing(
    connection: sqlite3.Connection, table: sa.Table, columns: set[str], grown: bool
) -> tuple[int, int]:
    """Rows of a table of the backup whose key is gone, and those that read otherwise.

    A logbook that grew out of the backup holds every row as it was. After an earlier backup was
    put back, counters went on from there and names were perhaps given anew; what was written
    twice, once before and once after, came in with another change and isn't the same row.
    """
    if not grown and table is aliases:
        return 0, 0  # which of two is meant is decided anew at an import
    key = [table.c.id] if table is changes else list(table.primary_key)
    same = " AND ".join(f"mine.{c.name} IS old.{c.name}" for c in key)
    compared = columns - (set() if grown else LOCAL)
    if not grown and "change_id" in columns:
        same += " AND mine.change_id IS old.change_id"
    parent = next((c for c in ("board_id", "run_id") if table.name in NESTED and c in columns), "")
    if not grown and parent:
        of = {"board_id": "boards", "run_id": "runs"}[parent]
        same += (
            f" AND (SELECT change_id FROM main.{of} WHERE id = mine.{parent})"
            f" IS (SELECT change_id FROM backup.{of} WHERE id = old.{parent})"
        )
    alike = " AND ".join(f"mine.{name} IS old.{name}" for name in sorted(compared))
    query = f"""
        SELECT count(*) FILTER (WHERE NOT EXISTS (SELECT 1 FROM main.{table.name} mine
                                                  WHERE {same})),
               count(*) FILTER (WHERE EXISTS (SELECT 1 FROM main.{table.name} mine
                                              WHERE {same} AND NOT ({alike})))
        FROM backup.{table.name} old
    """
    gone, otherwise = connection.execute(query).fetchone()
    return int(gone), int(otherwise)


def _some(counts: Mapping[str, int]) -> dict[str, int]:
    return {name: count for name, count in counts.items() if count}
