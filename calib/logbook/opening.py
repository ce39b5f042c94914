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

WRITES = "calib_writes"
NOTHING_STORED = "Nothing of this change was stored."


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
            raise LogbookError(
                "The logbook's URL can't be read: write postgresql://user@host/name."
            ) from None
        if url.drivername not in ("postgresql", "postgres", "postgresql+psycopg"):
            raise LogbookError(
                f"The logbook's URL begins with {shown(url.drivername)}: give the path of a file,"
                " or a URL that begins with postgresql://."
            )
        where = url.set(drivername="postgresql+psycopg")
    if isinstance(where, sa.URL):
        return Place(url=where, shown=where.render_as_string(hide_password=True), path=None)
    if "\0" in str(where):
        raise LogbookError(f"The logbook {shown(str(where))} can't be a file's path: correct it.")
    try:
        path = true_path(Path(where).expanduser())
    except RuntimeError:
        raise LogbookError(
            f"The logbook {shown(str(where))} is in the home of somebody unknown here: write the"
            " whole path."
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
                f"A logbook on a server needs the package psycopg ({error}): install it with"
                " pip install 'psycopg[binary]', or use a file."
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
            f"The logbook {place.shown} can't be opened for writing: it, or its folder, may only be"
            f" read. {NOTHING_STORED} Check that you may write in it, or copy it to where you may."
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
    return LogbookError(
        f"The logbook {place.shown} was replaced, moved or removed meanwhile. {so} See that it is"
        " the right one, then do it again."
    )


@contextmanager
def in_plain_words(place: Place) -> Iterator[None]:
    """Turn what a database says into a `LogbookError` that a user can act on."""
    try:
        yield
    except exc.IntegrityError as error:
        raise LogbookError(
            f"The logbook {place.shown} did not take the change; perhaps another program wrote the"
            f" same meanwhile ({_one_line(error.orig)}). {NOTHING_STORED} Do it again."
        ) from error
    except exc.DBAPIError as error:
        raise LogbookError(_explain(place, error.orig)) from error
    except sqlite3.Error as error:
        raise LogbookError(_explain(place, error)) from error
    except (exc.TimeoutError, exc.SQLAlchemyError) as error:
        raise LogbookError(f"The logbook {place.shown} can't be used: {error}.") from error
    except Unreadable as error:
        raise LogbookError(f"{damaged(place)} {error}") from error
    except UnicodeDecodeError as error:
        # Even the driver's own message can't be read when the names of the tables are damaged.
        raise LogbookError(damaged(place)) from error
    except UnicodeEncodeError as error:
        raise InvalidRecord(
            f"text {error.object!r} holds a character that can't be stored: type it again."
        ) from None


def _explain(place: Place, error: BaseException | None) -> str:
    name = getattr(error, "sqlite_errorname", "")
    shown = place.shown
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or "decode to UTF-8" in str(error):
        return damaged(place)
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return (
            f"The logbook {shown} can't be written: the disk is full or fails ({error})."
            f" {NOTHING_STORED} Make room, then do it again."
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return (
            f"The logbook {shown} can't be opened for writing ({error}). {NOTHING_STORED}"
            " Check that the folder exists and that you may write in it, or give another path."
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return (
            f"The logbook {shown} is being written by another program for more than"
            f" {BUSY_MS // 1000} s. {NOTHING_STORED} Wait, then do it again."
        )
    return f"The logbook {shown} can't be used: {_one_line(error)}. {NOTHING_STORED}"


def _one_line(error: BaseException | None) -> str:
    return " ".join(str(error).split()).rstrip(".")


def damaged(place: Place) -> str:
    """Say that a file is damaged, and which backup can be restored."""
    best = newest_backup(place.path) if place.path else None
    if best:
        way_out = f"The newest good backup is {best}: restore it; the damaged file is kept."
    else:
        way_out = (
            f"No good backup that is surely its own was found in the folder {BACKUP_FOLDER!r}"
            " beside it: name the backup to be restored, or move the file away to begin a new"
            " logbook."
        )
    return f"The logbook {place.shown} is damaged, or isn't a logbook. {way_out}"
