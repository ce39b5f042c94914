"""Places at which a logbook can't be written, for the tests of faults."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable

from sqlalchemy import event

from calib.errors import CalibError
from calib.logbook import Book

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
