"""Logbooks to try faults on, and how what came of one is looked after and counted."""

from __future__ import annotations

import itertools
import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from kill_writes import CELLS, fork, record
from sqlalchemy import event

from calib.errors import CalibError
from calib.logbook import Book, open_book
from calib.logbook.backup import check_book

Rows = set[tuple[object, ...]]
Fault = Callable[["Bench"], "Line"]


@dataclass(kw_only=True)
class Line:
    """What came of one kind of fault."""

    fault: str
    tried: int = 0
    told: int = 0
    survived: int = 0
    rows_lost: int = 0


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A folder with a good logbook to copy, and how often each fault is tried."""

    folder: Path
    good: Path
    times: int
    seed: int

    @property
    def stride(self) -> int:
        """How many points of a long piece of work are passed over: few when tried often."""
        return max(1, 75 // self.times)

    def copies(self, name: str, times: int | None = None) -> Iterator[tuple[int, Path]]:
        """Give fresh copies of the good logbook, one after the other, each in a folder."""
        for number in range(self.times if times is None else times):
            place = self.folder / f"{name} {number}" / "logbook.sqlite3"
            place.parent.mkdir()
            shutil.copy(self.good, place)
            yield number, place
            shutil.rmtree(place.parent)

    def until_it_ends(self, name: str) -> Iterator[tuple[int, Path]]:
        """The same without an end, for points of a short piece of work from 1 on."""
        for number in itertools.count(1, max(1, 8 // self.times)):
            for _, place in self.copies(f"{name} {number}", 1):
                yield number, place


def rows_in(path: Path) -> Rows:
    """All rows of a logbook's file, by table."""
    with sqlite3.connect(path) as connection:
        # What stands is worked out from these.
        names = ("entries", "replaced", "photographs")
        found = {
            (name, *row) for name in names for row in connection.execute(f"SELECT * FROM {name}")
        }
    connection.close()
    return found


def is_good(path: Path) -> bool:
    """Say whether a logbook opens, is whole, and takes a new board."""
    with open_book(path) as book:
        record(book, 77_000)
        whole = not told(lambda: check_book(book))
        return whole and len(book.readings("K77000")) == 6


def look_after(line: Line, path: Path, before: Rows, said: str) -> None:
    """Count one fault: what was said, whether the logbook lives, what it lacks."""
    line.tried += 1
    line.told += bool(said)
    if "by itself" in said:
        raise RuntimeError(said)
    open_book(path).close()
    after = rows_in(path)
    line.rows_lost += len(before - after)
    line.survived += is_good(path) and _only_whole_writes(after)


def _only_whole_writes(rows: Rows) -> bool:
    """Say whether what was read off boards in one go is there wholly or not at all."""
    batches = Counter(row[11] for row in rows if row[0] == "entries" and row[3 + 1] == "look")
    return set(batches.values()) <= {len(CELLS)}


def expect(said: str, *words: str) -> None:
    """See that something was said, in these words."""
    if missing := [part for part in words if part not in said]:
        raise RuntimeError(f"{said!r} lacks {missing[0]!r}")


def told(work: Callable[[], object]) -> str:
    """Run something that may be refused; give the words of the refusal."""
    try:
        work()
    except CalibError as refusal:
        return str(refusal)
    return ""


def killed(work: Callable[[], None]) -> bool:
    """Run something that kills itself at a point; False when it came to its end before."""
    _, status = os.waitpid(fork(work), 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
        return False
    if not os.WIFSIGNALED(status):
        raise RuntimeError("the process failed by itself")
    return True


NOBODY = 65534


def let_grow(book: Book, pages: int) -> None:
    """Let the file grow by so many pages only, as if the disk were full then."""
    with sqlite3.connect(book.path or "") as connection:
        used = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.close()

    def limit(connection: sqlite3.Connection, _: object) -> None:
        connection.execute(f"PRAGMA max_page_count = {used + pages}")

    book.close()
    event.listen(book.engine, "connect", limit)


def in_a_process(work: Callable[[], object], *, user: int | None = None) -> str:
    """Run something in a process of its own; give what it said it could not do, or ''."""
    reading, writing = os.pipe()
    number = os.fork()
    if number == 0:
        said = "failed by itself"
        try:
            os.close(reading)
            if user is not None:
                os.setgroups([])
                os.setgid(user)
                os.setuid(user)
            work()
            said = ""
        except CalibError as error:
            said = str(error)
        except BaseException as error:  # noqa: B902  told to the test, which fails on it
            said = f"failed by itself: {error!r}"
        finally:
            os.write(writing, said.encode())
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as lines:
        said = lines.read()
    os.waitpid(number, 0)
    return said
