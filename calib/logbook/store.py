"""The logbook itself: open it, use it, close it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.boards import Boards
from calib.logbook.evidence import Evidence
from calib.logbook.files import is_read_only
from calib.logbook.history import History
from calib.logbook.identity import identity_in, new_identity, newest_backup, set_identity
from calib.logbook.ledger import make_tables, metadata
from calib.logbook.opening import WRITES, damaged, find_place, in_plain_words, make_engine
from calib.logbook.questions import Questions
from calib.logbook.runs import Runs
from calib.logbook.search import Search
from calib.logbook.undoing import Undoing
from calib.logbook.workshop import Workshop
from calib.texts.say import say

# Any number will do, as long as every calib takes the same one.
_SERVER_LOCK = 710_319_004


class Book(
    Workshop,
    Boards,
    Runs,
    Evidence,
    History,
    Search,
    Undoing,
    Questions,
    AbstractContextManager["Book", None],
):
    """An open logbook; every call that writes is one transaction: all of it, or nothing.

    Get one from `open_book`. It may be used from several threads, and several programs may have
    the same logbook open.
    """

    @property
    def place(self) -> str:
        """Where the logbook lies; a server's URL without its password."""
        return self.where.shown

    @property
    def path(self) -> Path | None:
        """The logbook's file; None when it is on a server."""
        return self.where.path

    def close(self) -> None:
        """Let go of the database; nothing waits to be written."""
        self.engine.dispose()

    def __exit__(self, *_: object) -> None:
        self.close()


def open_book(where: str | Path | sa.URL | None = None) -> Book:
    """Open a logbook, and make it when there is none."""
    place = find_place(where)
    path = place.path
    if path is not None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LogbookError(
                say("logbook.folder_of_logbook_cant_be_made", path=path, error=error)
            ) from error
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
                if path is not None:
                    good = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
                    if good != "ok":
                        raise LogbookError(damaged(place))
                names = set(sa.inspect(connection).get_table_names())
            if names and not {"entries", "identity"} <= names:
                raise LogbookError(
                    say("logbook.database_holds_other_tables", names=", ".join(sorted(names)[:3]))
                )
            if not set(metadata.tables) <= names and not (path and is_read_only(path)):
                _make_tables(engine)
    finally:
        engine.dispose()
    book = Book(make_engine(place, create=False), place)
    try:
        with book.looking():  # from now on another file at this place is noticed
            return book
    except BaseException:
        book.close()
        raise


def _make_tables(engine: sa.Engine) -> None:
    """Make what is missing of the tables, and give a new logbook its identity."""
    with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            # Held until the transaction ends, so that two programs don't make the tables at once.
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_SERVER_LOCK)))
        make_tables(connection)
        if identity_in(connection) is None:
            set_identity(connection, new_identity())
