"""The logbook itself: open it, use it, close it."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Self

from calib.errors import LogbookError
from calib.logbook.boards import Boards
from calib.logbook.evidence import Evidence
from calib.logbook.history import History
from calib.logbook.identity import newest_backup
from calib.logbook.keeping import Keeping
from calib.logbook.machines import Machines
from calib.logbook.migrate import bring_up_to_date
from calib.logbook.notes import Notes
from calib.logbook.opening import (
    damaged,
    find_place,
    in_plain_words,
    make_engine,
)
from calib.logbook.promises import Promises
from calib.logbook.readings import Readings
from calib.logbook.runs import Runs
from calib.logbook.search import Search
from calib.logbook.settling import Settling
from calib.logbook.sheets import Sheets
from calib.logbook.taps import Taps
from calib.logbook.undoing import Undoing


class Book(
    Machines, Sheets, Boards, Readings, Notes, Promises, Runs, Settling, Evidence, History, Search,
    Undoing, Taps, Keeping,
):  # fmt: skip
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

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_book(where: str | Path | None = None) -> Book:
    """Open a logbook, and make it when there is none.

    An older one is brought up to date, after a copy was put into the folder ``backups`` beside it.

    Raises LogbookError when it is damaged (the message names the newest good backup), of a newer
    calib, no logbook, or can't be reached.
    """
    place = find_place(where)
    if place.path is not None:
        _make_room(place.path)
        if _was_emptied(place.path):
            raise LogbookError(damaged(place))
    engine = make_engine(place)
    try:
        with in_plain_words(place):
            if place.path is not None:
                with engine.connect() as connection:
                    good = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
                if good != "ok":
                    raise LogbookError(damaged(place))
            bring_up_to_date(engine, place)
        book = Book(make_engine(place, create=False), place)
        with book.look():
            pass  # from now on another file at this place is noticed
        return book
    finally:
        engine.dispose()


def _was_emptied(path: Path) -> bool:
    """Say whether a file of no length can't be a new logbook: there are backups of it."""
    empty = path.exists() and path.stat().st_size == 0
    journal = path.with_name(path.name + "-wal")
    return empty and not journal.exists() and newest_backup(path) is not None


def _make_room(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogbookError(
            f"The folder of the logbook {path} can't be made ({error.strerror}): give another path."
        ) from error
    if path.is_dir():
        raise LogbookError(f"The logbook {path} is a folder: give the path of a file in it.")
