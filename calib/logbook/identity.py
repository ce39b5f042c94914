"""Which logbook a file holds: an identity inside it, which its copies and backups carry too.

Neither a file's name nor a count of what it holds says whose backup it is: both are used again.
"""

from __future__ import annotations

import re
import sqlite3
import uuid
from pathlib import Path

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.files import look_into

BACKUP_FOLDER = "backups"
_BACKUP_END = ".sqlite3"
# Files that a restore leaves beside a logbook; they hold the same one.
_LEFT_BY_RESTORE = re.compile(r"\.(replaced|part)-\d+(-wal|-shm|-journal)?$")

IDENTITY = sa.Table("identity", sa.MetaData(), sa.Column("id", sa.Text, primary_key=True))


def identity_in(connection: sa.Connection) -> str | None:
    """Read the identity of an open logbook; None when it wasn't given one yet."""
    if not sa.inspect(connection).has_table(IDENTITY.name):
        return None
    return connection.execute(sa.select(IDENTITY.c.id)).scalar()


def set_identity(connection: sa.Connection, identity: str) -> None:
    """Give a logbook its identity, in place of any that it has."""
    IDENTITY.create(connection, checkfirst=True)
    connection.execute(IDENTITY.delete())
    connection.execute(IDENTITY.insert().values(id=identity))


def new_identity() -> str:
    """Make one that no other logbook has."""
    return str(uuid.uuid4())


def identity_of(path: Path) -> str | None:
    """Read the identity out of a file; None when it is no logbook, or too damaged to say."""
    rows = _asked_of(path, f"SELECT id FROM {IDENTITY.name}")
    return str(rows[0][0]) if rows else None


def is_whole(path: Path) -> bool:
    """Look whether a file is an undamaged logbook; nothing is changed."""
    tables = _asked_of(path, "SELECT name FROM sqlite_master WHERE name = 'entries'")
    return bool(tables) and _asked_of(path, "PRAGMA quick_check(1)") == [("ok",)]


def _asked_of(path: Path, question: str) -> list[tuple[object, ...]]:
    """What a file answers; nothing when it is no database, has no such table, or is damaged."""
    try:
        with look_into(path) as connection:
            return connection.execute(question).fetchall()
    except (sqlite3.Error, UnicodeDecodeError, LogbookError):
        return []


def backups_of(path: Path) -> tuple[Path, ...]:
    """List the backups of a logbook in the folder beside it, newest first.

    Damaged ones stand among them: they may be its own. A logbook that can't say which one it is
    has those that no other file beside it claims, and none when they are of more than one.
    """
    folder = path.parent / BACKUP_FOLDER
    files = [f for f in _files_in(folder) if f.name.endswith(_BACKUP_END)]
    identities = {file: identity_of(file) for file in files}
    own = identity_of(path)
    if own is not None:
        mine = {own, None}
    else:
        others = [f for f in _files_in(path.parent) if f != path]
        claimed = {identity_of(f) for f in others if not _LEFT_BY_RESTORE.search(f.name)}
        free = set(identities.values()) - claimed - {None}
        mine = {None} if len(free) > 1 else {*free, None}
    found = [file for file in files if identities[file] in mine]
    found.sort(key=lambda file: (file.stat().st_mtime_ns, file.name), reverse=True)
    return tuple(found)


def _files_in(folder: Path) -> list[Path]:
    return [file for file in folder.iterdir() if file.is_file()] if folder.is_dir() else []


def newest_backup(path: Path) -> Path | None:
    """Find the newest whole backup of a logbook; None when there is none that is surely its own."""
    found = backups_of(path)
    return next((f for f in found if identity_of(f) is not None and is_whole(f)), None)
