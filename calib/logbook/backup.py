"""Back a logbook up and restore it; each copy is opened and compared before it counts.

A backup is itself a logbook: one SQLite file, also when the logbook is on a server.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook import ledger
from calib.logbook.boards import keep_photograph
from calib.logbook.checking import counts, look_at_entries
from calib.logbook.files import copy_database, name_new, part_beside, replace_file
from calib.logbook.identity import BACKUP_FOLDER, identity_in, is_whole, set_identity
from calib.logbook.ledger import entries, photographs
from calib.logbook.opening import Place, find_place, in_plain_words, make_engine
from calib.logbook.room import Room
from calib.logbook.store import open_book
from calib.texts.say import say


def backup_path(path: Path, when: datetime) -> Path:
    """Name the backup of a logbook's file: in the folder ``backups`` beside it, by date.

    Examples
    --------
    >>> backup_path(Path("book.sqlite3"), datetime(2026, 3, 1, 18, 5, tzinfo=UTC)).name
    'book-2026-03-01-180500.sqlite3'
    """
    name = f"{path.stem}-{when.astimezone(UTC):%Y-%m-%d-%H%M%S}.sqlite3"
    return path.parent / BACKUP_FOLDER / name


def backup(book: Room, target: Path) -> dict[str, int]:
    """Copy a logbook into a new file, and open the copy to see that nothing is missing.

    The logbook may be used meanwhile; the copy holds one state of it.
    """
    there = LogbookError(say("logbook.file_is_there_already", target=target))
    if os.path.lexists(target):
        raise there
    with _written(say("logbook.file", target=target)):
        target.parent.mkdir(parents=True, exist_ok=True)
        with part_beside(target) as part, in_plain_words(book.where):
            if book.where.path is not None:
                copy_database(book.where.path, part)
            else:
                with open_book(part) as new, book.look() as old, new.change() as copy:
                    _copy_entries(old, copy)
            counted = _check_copy(part)
            try:
                name_new(part, target)
            except FileExistsError:
                raise there from None
    return counted


def restore(source: Path, target: str | Path | None) -> dict[str, int]:
    """Put a backup in the place of a logbook; what was there, damaged or not, is kept.

    A program that has the logbook open and does nothing goes on with what was put back; while one
    reads or writes, nothing is changed.
    """
    if not is_whole(source):
        raise LogbookError(say("logbook.backup_is_damaged", source=source))
    place = find_place(target)
    path = place.path
    with in_plain_words(place):
        if path is None:
            return _restore_to_server(source, place)
        with _written(say("logbook.logbook", path=path)):
            path.parent.mkdir(parents=True, exist_ok=True)
            with part_beside(path) as part:
                copy_database(source, part)
                counted = _check_copy(part)
                replace_file(path, part)
    return counted


@contextmanager
def _written(what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise LogbookError(say("logbook.cant_be_written", what=what, error=error)) from error


def _check_copy(path: Path) -> dict[str, int]:
    """Open a copy, look at every page, entry and photograph, and count its rows."""
    engine = make_engine(find_place(path))
    try:
        with engine.connect() as connection:
            if wrong := look_at_entries(connection):
                raise LogbookError(say("logbook.copy_isnt_whole", wrong=wrong))
            return counts(connection)
    finally:
        engine.dispose()
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")


def _copy_entries(source: sa.Connection, target: sa.Connection) -> None:
    """Put the entries and photographs of one logbook into another, empty one."""
    identity = identity_in(source)
    if identity is not None:
        set_identity(target, identity)
    ledger.add(target, map(ledger.from_line, ledger.lines(source)))
    for digest, content in source.execute(sa.select(photographs)):
        keep_photograph(target, digest, content)
    if counts(source) != counts(target):
        raise LogbookError(say("logbook.copy_lacks_rows"))


def _restore_to_server(source: Path, place: Place) -> dict[str, int]:
    with tempfile.TemporaryDirectory() as folder:
        # What is restored is a copy: nothing is put beside the backup.
        copy = Path(folder) / "copy.sqlite3"
        copy_database(source, copy)
        _check_copy(copy)
        with open_book(copy) as old, old.look() as rows, open_book(place.url) as book:
            with book.change() as new:
                if new.execute(sa.select(entries.c.id)).first():
                    raise LogbookError(say("logbook.logbook_isnt_empty", place=place))
                _copy_entries(rows, new)
                return counts(new)
