"""Open a logbook: find it, connect, say plainly what is wrong when it can't be opened or used."""

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
from sqlalchemy.engine import make_url

from calib.errors import InvalidRecord, LogbookError, shown
from calib.logbook.coding import Unreadable
from calib.logbook.files import BUSY_MS, FileConnection, connect, mark_of, true_path
from calib.logbook.identity import BACKUP_FOLDER, newest_backup
from calib.texts.say import say

WRITES = "calib_writes"
NOTHING_STORED = say("logbook.nothing_of_this_change_was_stored")


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
            url = make_url(where)
            url.render_as_string()  # fails on letters that no server takes
        except (exc.ArgumentError, ValueError):
            raise LogbookError(say("logbook.logbooks_url_cant_be_read")) from None
        if url.drivername not in ("postgresql", "postgres", "postgresql+psycopg"):
            raise LogbookError(say("logbook.logbooks_url_begins", drivername=shown(url.drivername)))
        where = url.set(drivername="postgresql+psycopg")
    if isinstance(where, sa.URL):
        return Place(url=where, shown=where.render_as_string(hide_password=True), path=None)
    if "\0" in str(where):
        raise LogbookError(say("logbook.logbook_cant_be_files_path", where=shown(str(where))))
    try:
        path = true_path(Path(where).expanduser())
    except RuntimeError:
        raise LogbookError(
            say("logbook.logbook_is_in_home_of_somebody", where=shown(str(where)))
        ) from None
    url = sa.URL.create("sqlite+pysqlite", database=str(path))
    return Place(url=url, shown=str(path), path=path)


def make_engine(place: Place, *, create: bool = True) -> sa.Engine:
    """Make the engine for a place, whose transactions begin as this house needs them.

    Nothing is opened yet. LogbookError when the server's driver isn't installed.
    """
    if place.path is None:
        try:
            return sa.create_engine(place.url, pool_pre_ping=True)
        except ModuleNotFoundError as error:
            raise LogbookError(
                say("logbook.logbook_on_server_needs_package_psycopg", error=error)
            ) from None
    path = place.path
    # No connection is kept while nothing is done: the next one finds the file that is there then,
    # and a program that is idle keeps nobody from replacing it.
    engine = sa.create_engine(
        place.url, creator=lambda: connect(path, create=create), poolclass=sa.NullPool
    )
    event.listen(engine, "connect", _set_up_connection)
    event.listen(engine, "begin", functools.partial(_begin, place))
    return engine


def _set_up_connection(connection: FileConnection, _record: Any) -> None:
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
        raise LogbookError(
            say(
                "logbook.logbook_cant_be_opened_for_writing",
                place=place,
                nothing_stored=NOTHING_STORED,
            )
        )
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
    if place.path is not None and mark_of(place.path) != file.mark:
        raise replaced(place, NOTHING_STORED)


def file_of(connection: sa.Connection) -> FileConnection:
    """The database's own connection to a file."""
    file = connection.connection.dbapi_connection
    assert isinstance(file, FileConnection)
    return file


def replaced(place: Place, so: str) -> LogbookError:
    """Say that the file that was being used isn't the logbook any more, and what follows."""
    return LogbookError(say("logbook.logbook_was_replaced", place=place, so=so))


@contextmanager
def in_plain_words(place: Place) -> Iterator[None]:
    """Turn what a database says into a `LogbookError` that a user can act on."""
    try:
        yield
    except exc.IntegrityError as error:
        raise LogbookError(
            say(
                "logbook.logbook_did_not_take_change",
                place=place,
                one_line=_one_line(error.orig),
                nothing_stored=NOTHING_STORED,
            )
        ) from error
    except exc.DBAPIError as error:
        raise LogbookError(_explain(place, error.orig)) from error
    except sqlite3.Error as error:
        raise LogbookError(_explain(place, error)) from error
    except (exc.TimeoutError, exc.SQLAlchemyError) as error:
        raise LogbookError(say("logbook.logbook_cant_be_used", place=place, error=error)) from error
    except Unreadable as error:
        raise LogbookError(f"{damaged(place)} {error}") from error
    except UnicodeDecodeError as error:
        # Even the driver's own message can't be read when the names of the tables are damaged.
        raise LogbookError(damaged(place)) from error
    except UnicodeEncodeError as error:
        raise InvalidRecord(say("logbook.text_holds_character_that_cant", error=error)) from None


def _explain(place: Place, error: BaseException | None) -> str:
    name = getattr(error, "sqlite_errorname", "")
    shown = place.shown
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or "decode to UTF-8" in str(error):
        return damaged(place)
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return say(
            "logbook.logbook_cant_be_written",
            shown=shown,
            error=error,
            nothing_stored=NOTHING_STORED,
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return say(
            "logbook.logbook_cant_be_opened_for_writing_2",
            shown=shown,
            error=error,
            nothing_stored=NOTHING_STORED,
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return say(
            "logbook.logbook_is_being_written_by_another",
            shown=shown,
            busy_ms=BUSY_MS // 1000,
            nothing_stored=NOTHING_STORED,
        )
    return say(
        "logbook.logbook_cant_be_used_2",
        shown=shown,
        one_line=_one_line(error),
        nothing_stored=NOTHING_STORED,
    )


def _one_line(error: BaseException | None) -> str:
    return " ".join(str(error).split()).rstrip(".")


def damaged(place: Place) -> str:
    """Say that a file is damaged, and which backup can be restored."""
    best = newest_backup(place.path) if place.path else None
    if best:
        way_out = say("logbook.newest_good_backup", best=best)
    else:
        way_out = say("logbook.no_good_backup_that_is_surely", backup_folder=BACKUP_FOLDER)
    return say("logbook.logbook_is_damaged", place=place, way_out=way_out)
