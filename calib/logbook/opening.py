"""Find a logbook, connect, and say plainly what is wrong when it can't be opened or used."""

from __future__ import annotations

import functools
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event, exc

from calib.errors import InvalidRecord, LogbookError, shown
from calib.logbook import files
from calib.logbook.coding import Unreadable
from calib.logbook.files import FileConnection, newest_backup
from calib.logbook.ledger import make_tables, metadata
from calib.texts.say import say

# Option of a connection that will write.
WRITES = "calib_writes"
# Any number will do, as long as every calib takes the same one.
_SERVER_LOCK = 710_319_004


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a logbook lies: ``path`` for a file, None for a server; ``shown`` has no password."""

    url: sa.URL
    shown: str
    path: Path | None


def find_place(where: str | Path | sa.URL | None) -> Place:
    """Turn what the user gave into a place."""
    if where is None:
        import platformdirs  # only wanted when no path was given

        where = platformdirs.user_data_path("calib", appauthor=False) / "logbook.sqlite3"
    if isinstance(where, str) and "://" in where:
        try:
            url = sa.make_url(where)
            url.render_as_string()  # fails on letters that no server takes
        except (exc.ArgumentError, ValueError):
            raise LogbookError(say("logbook.logbooks_url_cant_be_read")) from None
        if url.drivername not in ("postgresql", "postgres", "postgresql+psycopg"):
            raise LogbookError(say("logbook.logbooks_url_begins", drivername=shown(url.drivername)))
        where = url.set(drivername="postgresql+psycopg")
    if isinstance(where, sa.URL):
        return Place(url=where, shown=where.render_as_string(hide_password=True), path=None)
    text = shown(str(where))
    if "\0" in str(where):
        raise LogbookError(say("logbook.logbook_cant_be_files_path", where=text))
    try:
        path = files.true_path(Path(where).expanduser())
    except RuntimeError:
        raise LogbookError(say("logbook.logbook_is_in_home_of_somebody", where=text)) from None
    url = sa.URL.create("sqlite+pysqlite", database=str(path))
    return Place(url=url, shown=str(path), path=path)


def make_engine(place: Place, *, create: bool = True) -> sa.Engine:
    """Make the engine for a place; nothing is opened. LogbookError without a server's driver."""
    if place.path is None:
        try:
            return sa.create_engine(place.url, pool_pre_ping=True)
        except ModuleNotFoundError as error:
            wrong = say("logbook.logbook_on_server_needs_package_psycopg", error=error)
            raise LogbookError(wrong) from None
    # No connection is kept while nothing is done: the next one finds the file that is there then,
    # and a program that is idle keeps nobody from replacing it.
    made = functools.partial(files.connect, place.path, create=create)
    engine = sa.create_engine(place.url, creator=made, poolclass=sa.NullPool)
    event.listen(engine, "connect", _set_up)
    event.listen(engine, "begin", functools.partial(_begin, place))
    return engine


def _set_up(connection: FileConnection, _record: Any) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    if not connection.read_only:
        connection.execute("PRAGMA journal_mode = WAL")
    # FULL: an acknowledged change survives a power cut too, not only a killed process.
    connection.execute("PRAGMA synchronous = FULL")


def _begin(place: Place, connection: sa.Connection) -> None:
    # A reader that turns writer half way would fail when another one wrote in between, so a
    # change takes the write lock at once.
    writes = connection.get_execution_options().get(WRITES)
    file = file_of(connection)
    if writes and file.read_only:
        raise LogbookError(say("logbook.logbook_cant_be_opened_for_writing", place=place))
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
    if place.path is not None and files.mark_of(place.path) != file.mark:
        raise LogbookError(say("logbook.logbook_was_replaced", place=place))


def file_of(connection: sa.Connection) -> FileConnection:
    """The database's own connection to a file."""
    file = connection.connection.dbapi_connection
    assert isinstance(file, FileConnection)
    return file


def make_ready(place: Place) -> None:
    """Look a logbook over, and make what is missing of it."""
    path = place.path
    if path is not None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            wrong = say("logbook.folder_of_logbook_cant_be_made", path=path, error=error)
            raise LogbookError(wrong) from error
        if path.is_dir():
            raise LogbookError(say("logbook.logbook_is_folder", path=path))
        empty = path.exists() and path.stat().st_size == 0
        # A file of no length can't be a new logbook where there are backups of it.
        if empty and not path.with_name(path.name + "-wal").exists() and newest_backup(path):
            raise LogbookError(damaged(place))
    engine = make_engine(place)
    try:
        with in_plain_words(place):
            with engine.connect() as connection:
                is_file = connection.dialect.name == "sqlite"
                if is_file and connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
                    raise LogbookError(damaged(place))
                names = set(sa.inspect(connection).get_table_names())
            if names and not {"entries", "identity"} <= names:
                others = ", ".join(sorted(names)[:3])
                raise LogbookError(say("logbook.database_holds_other_tables", names=others))
            if set(metadata.tables) <= names or (path and files.is_read_only(path)):
                return
            writing = engine.connect().execution_options(**{WRITES: True})
            with writing as connection, connection.begin():
                if not is_file:  # held until the end: two programs don't make them at once
                    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_SERVER_LOCK)))
                make_tables(connection)
    finally:
        engine.dispose()


@contextmanager
def in_plain_words(place: Place) -> Iterator[None]:
    """Turn what a database says into a `LogbookError` that a user can act on."""
    try:
        yield
    except (exc.SQLAlchemyError, sqlite3.Error) as error:
        raise LogbookError(_explained(place, error)) from error
    except Unreadable as error:
        raise LogbookError(f"{damaged(place)} {error}") from error
    except UnicodeDecodeError as error:
        # Even the driver's own message can't be read when the names of the tables are damaged.
        raise LogbookError(damaged(place)) from error
    except UnicodeEncodeError as error:
        raise InvalidRecord(say("logbook.text_holds_character_that_cant", error=error)) from None


def _explained(place: Place, error: Exception) -> str:
    own = getattr(error, "orig", None) or error
    name = getattr(own, "sqlite_errorname", "")
    words = " ".join(str(own).split()).rstrip(".")
    if isinstance(error, exc.IntegrityError):
        return say("logbook.logbook_did_not_take_change", place=place, words=words)
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or "decode to UTF-8" in words:
        return damaged(place)
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return say("logbook.logbook_cant_be_written", place=place, error=own)
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return say("logbook.logbook_cant_be_opened_for_writing_2", place=place, error=own)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        seconds = files.BUSY_MS // 1000
        return say("logbook.logbook_is_being_written_by_another", place=place, seconds=seconds)
    return say("logbook.logbook_cant_be_used_2", place=place, words=words)


def damaged(place: Place) -> str:
    """Say that a file is damaged, and which backup can be restored."""
    best = newest_backup(place.path) if place.path else None
    if best:
        way_out = say("logbook.newest_good_backup", best=best)
    else:
        way_out = say("logbook.no_good_backup_that_is_surely", backup_folder=files.BACKUP_FOLDER)
    return say("logbook.logbook_is_damaged", place=place, way_out=way_out)
