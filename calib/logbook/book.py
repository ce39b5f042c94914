"""The logbook itself: open it, use it, close it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path

import sqlalchemy as sa

from calib.logbook.boards import Boards
from calib.logbook.evidence import Evidence
from calib.logbook.history import History
from calib.logbook.opening import find_place, make_engine, make_ready
from calib.logbook.runs import Runs
from calib.logbook.search import Search
from calib.logbook.workshop import Workshop


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
