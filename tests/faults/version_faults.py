"""Faults of the version: an old logbook, an interrupted migration, a newer program."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import sqlite3
from pathlib import Path

import sqlalchemy as sa
from fault_bench import Bench, Line, Rows, is_good, killed, look_after, rows_in, told
from kill_writes import add_board
from sqlalchemy import event
from test_logbook_opening import fill_version_1, make_version

from calib.logbook import open_book


def old_version(bench: Bench) -> Line:
    """A logbook of the first version is opened: copied first, then brought up to date."""
    line = Line(fault="old version opened")
    for number in range(min(bench.times, 3)):
        place = _old_book(bench, f"old {number}")
        before = _lasting(rows_in(place))
        open_book(place).close()
        (copy,) = (place.parent / "backups").iterdir()
        if _lasting(rows_in(copy)) != before:
            raise RuntimeError("the copy before the migration isn't whole")
        _look_after_migration(line, place, before, "")
    return line


def interrupted_migration(bench: Bench) -> Line:
    """The process is killed at statements of bringing an old logbook up to date."""
    line = Line(fault="interrupted migration")
    old = _old_book(bench, "to be migrated")
    for point in itertools.count(1, bench.stride):
        place = bench.folder / f"migration {point}" / "logbook.sqlite3"
        place.parent.mkdir()
        shutil.copy(old, place)
        before = _lasting(rows_in(place))

        def work(place: Path = place, point: int = point) -> None:
            _die_at_statement(point)
            open_book(place).close()

        if not killed(work):
            return line
        _look_after_migration(line, place, before, "")
    raise AssertionError


def _die_at_statement(point: int) -> None:
    counter = itertools.count(1)

    def reached(*_: object) -> None:
        if next(counter) == point:
            os.kill(os.getpid(), signal.SIGKILL)

    for name in ("before_cursor_execute", "commit"):
        event.listen(sa.Engine, name, reached)


def _old_book(bench: Bench, name: str) -> Path:
    place = bench.folder / name / "logbook.sqlite3"
    (place.parent / "made").mkdir(parents=True)
    make_version(str(place), "0001")
    fill_version_1(str(place), place.parent / "made")
    return place


def _lasting(rows: Rows) -> Rows:
    """Rows by table and id: a migration may add columns."""
    return {(row[0], *row[1:3]) for row in rows}


def _look_after_migration(line: Line, place: Path, before: Rows, said: str) -> None:
    line.tried += 1
    line.told += bool(said)
    with open_book(place) as book:
        add_board(book, 1)
    line.rows_lost += len(before - _lasting(rows_in(place)))
    line.survived += is_good(place)


def newer_version(bench: Bench) -> Line:
    """A logbook of a later program is refused, and left as it is."""
    line = Line(fault="newer version refused")
    for number, place in bench.copies("newer"):
        version = f"{9000 + number}"
        was = _set_version(place, version)
        content = place.read_bytes()
        before = rows_in(place)
        said = told(lambda place=place: open_book(place).close())  # type: ignore[misc]
        if place.read_bytes() != content or f"version {version}" not in said:
            raise RuntimeError("a newer logbook was not left as it was")
        _set_version(place, was)
        look_after(line, place, before, said)
    return line


def _set_version(place: Path, version: str) -> str:
    with sqlite3.connect(place) as connection:
        was = connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]
        connection.execute("UPDATE alembic_version SET version_num = ?", (version,))
    connection.close()
    return str(was)
