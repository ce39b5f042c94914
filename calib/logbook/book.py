"""The logbook itself: open it, use it, close it; and what was worked out of it, kept beside."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.boards import Boards
from calib.logbook.evidence import Evidence
from calib.logbook.files import is_read_only
from calib.logbook.history import History
from calib.logbook.ledger import among
from calib.logbook.opening import find_place, make_engine, make_ready
from calib.logbook.runs import Runs
from calib.logbook.search import Search
from calib.logbook.workshop import Workshop

# What was worked out of a book's entries, kept beside them so that it needn't be done again.
# Nothing here was said: ``name`` says what was worked out, ``digest`` of what. It can always be
# made anew, and takes no part in an export, a merge, a backup or a check.
_WORKED_OUT = sa.Table(
    "worked_out",
    sa.MetaData(),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("content", sa.LargeBinary, nullable=False),
)


class Book(Workshop, Boards, Runs, Evidence, Search, History, AbstractContextManager["Book", None]):
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
    make_ready(place)
    book = Book(make_engine(place, create=False), place)
    try:
        with book.looking():  # from now on another file at this place is noticed
            return book
    except BaseException:
        book.close()
        raise


def recall(book: Book, digests: Mapping[str, str]) -> dict[str, bytes]:
    """What was worked out, by name, where it was made of what has this digest."""
    with book.look() as connection:
        if not sa.inspect(connection).has_table(_WORKED_OUT.name):
            return {}
        rows = connection.execute(sa.select(_WORKED_OUT).where(among(_WORKED_OUT.c.name, digests)))
        return {row.name: row.content for row in rows if row.digest == digests[row.name]}


def remember(book: Book, digests: Mapping[str, str], made: Mapping[str, bytes]) -> None:
    """Keep what was worked out, where the book can be written to just now."""
    if not made or (book.path is not None and is_read_only(book.path)):
        return
    try:
        with book.change() as connection:
            _WORKED_OUT.create(connection, checkfirst=True)
            old = among(_WORKED_OUT.c.name, made)
            connection.execute(_WORKED_OUT.delete().where(old))
            rows = [
                {"name": name, "digest": digests[name], "content": content}
                for name, content in made.items()
            ]
            connection.execute(_WORKED_OUT.insert(), rows)
    except LogbookError:
        return  # somebody else is writing, or the disk is full: it is worked out again next time
