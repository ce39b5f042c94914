"""Kill a process that writes into a logbook, again and again, and count what is missing.

    python tests/faults/kill_writes.py sqlite
    python tests/faults/kill_writes.py postgresql

First at every point of every kind of write: before each statement, before and after the commit.
Then at random moments of a process that writes without a pause. After each kill the
logbook is opened anew; what was acknowledged must be there, the rest wholly or not at all.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import event

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from postgres import HOW_TO_INSTALL, Server, find_programs
from workshop_records import BENCH, BIRCH, EVENING, JOB, later, some_grid

from calib.logbook import Book, export_csv, export_text, import_text, ledger, open_book
from calib.logbook.ledger import WITHDRAW, entries, replaced
from calib.records import Reading, Setting

CELLS = tuple(cell.label for cell in some_grid().cells)
Write = Callable[[Book, int], None]


@dataclass
class Figures:
    """What was tried and what was found."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    half_written: int = 0
    broken_files: int = 0


def add_board(book: Book, number: int) -> None:
    """Add a board with six cells and six forecasts."""
    chances = {cell: {"through": 0.5} for cell in CELLS}
    book.add_board(some_grid(f"K{number}"), when=later(number), forecasts=chances)


def record(book: Book, number: int) -> None:
    """Add a board, then read its six cells in one write; they are there together or not at all."""
    add_board(book, number)
    read = [Reading(cell=cell, through="through", char=1) for cell in CELLS]
    book.record(f"K{number}", read, when=later(number), session=f"session {number}")


def use_all(place: Path) -> None:
    """Read everything that a logbook holds, and write into it."""
    with open_book(place) as book:
        export_text(book)
        export_csv(book)
        book.history("bench", "birch 3")
        for entry in book.search(limit=1000).entries:
            if entry.kind == "board":
                book.board(entry.id)
        record(book, 5000)


def correct(book: Book, number: int) -> None:
    """Read all cells of a board, and correct them all in one write."""
    record(book, number)
    read = [Reading(cell=cell, through="no") for cell in CELLS]
    book.record(f"K{number}", read, when=later(number), why="held to the light")


def take_back(book: Book, number: int) -> None:
    """Read all cells of a board, and take that back."""
    record(book, number)
    book.undo(when=later(number), board_id=f"K{number}")


def add_job(book: Book, number: int) -> None:
    """Add a job of two burns."""
    book.add_job("bench", "birch 3", JOB, when=later(number), note=f"K{number}")


def keep(book: Book, number: int) -> None:
    """Keep a setting, change the lens, take in a new lot."""
    setting = Setting(power_pct=60.0, speed_mm_s=10.0 + number / 1000.0)
    book.keep("bench", "birch 3", "cut", setting, when=later(number))
    book.change_setup("bench", when=later(number), what="lens", lens_mm=50.0 + number / 1000.0)


def attach(book: Book, number: int) -> None:
    """Add a board, a note and a photograph of it."""
    add_board(book, number)
    book.add_note(f"K{number}", when=later(number), board_id=f"K{number}")
    book.attach(f"K{number}", "a.jpg", b"\xff\xd8\xff" + bytes(20_000), when=later(number))


def take_in(book: Book, number: int) -> None:
    """Import another book's document with a machine, a sheet and three boards of its own."""
    names = {"machine bench (2)": f"rename: m{number}", "sheet birch 3 (2)": f"rename: s{number}"}
    there = len(book.machines()) > 1
    answers = {} if there else names
    import_text(book, other_document(), when=later(number), answers=answers)


@functools.cache
def other_document() -> str:
    """Make the document of another workshop's book."""
    with tempfile.TemporaryDirectory() as folder, open_book(Path(folder) / "other") as other:
        other.add_machine(BENCH, when=later(-1))
        other.add_sheet(BIRCH, when=later(-1))
        for number in range(3):
            record(other, -1 - number)
        return export_text(other)


WRITES: tuple[Write, ...] = (
    add_board, record, correct, take_back, add_job, keep, attach, take_in,
)  # fmt: skip


def prepare(place: str) -> Book:
    """Make a logbook with a machine and a sheet, and one of every write.

    The processes inherit it with its statements compiled, but without a connection.
    """
    book = open_book(place)
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    for number, write in enumerate(WRITES[:-1]):
        write(book, number)
    import_text(book, other_document(), when=EVENING, dry_run=True)
    book.close()
    return book


def fork(work: Callable[[], None]) -> int:
    """Run something in a process of its own; it ends with 0, or is killed."""
    number = os.fork()
    if number == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    return number


def wait_for(number: int, *, seconds: float) -> bool:
    """Wait for a process that `fork` gave, and kill it when its time is up; was it killed?"""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        done, status = os.waitpid(number, os.WNOHANG)
        if done:
            if not os.WIFEXITED(status) or os.WEXITSTATUS(status):
                raise RuntimeError(f"the process failed by itself ({status})")
            return False
        time.sleep(0.0005)
    os.kill(number, signal.SIGKILL)
    os.waitpid(number, 0)
    return True


def die_at(book: Book, point: int) -> None:
    """Have the process kill itself at the given point of its writing, counted from 1."""
    counter = itertools.count(1)

    def reached(*_: object, **__: object) -> None:
        if next(counter) == point:
            os.kill(os.getpid(), signal.SIGKILL)

    for name in ("before_cursor_execute", "commit"):
        event.listen(book.engine, name, reached)
    commit = book.engine.dialect.do_commit

    def do_commit(connection: object) -> None:
        commit(connection)
        reached()

    book.engine.dialect.do_commit = do_commit  # type: ignore[method-assign]


def kill_at_every_point(book: Book, figures: Figures) -> None:
    """Run each kind of write, killed at its first point, then its second, until none is left."""
    numbers = itertools.count(100)
    other_document()
    for write in WRITES:
        for point in itertools.count(1):
            number = next(numbers)

            def work(write: Write = write, number: int = number, point: int = point) -> None:
                die_at(book, point)
                write(book, number)

            _, status = os.waitpid(fork(work), 0)
            if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
                break
            if not os.WIFSIGNALED(status):
                raise RuntimeError(f"{write.__name__} failed by itself at point {point}")
            figures.kills += 1
        # Nothing ever goes away: what an earlier kill left half written is still there.
        look_for_halves(book, figures)


def kill_at_random(book: Book, figures: Figures, kills: int, seed: int) -> None:
    """Kill a process that writes without a pause; it tells each write that came back."""
    chance = random.Random(seed)
    told: list[int] = []
    for start in range(10_000, 10_000 + 1000 * kills, 1000):
        reading, writing = os.pipe()

        def work(writing: int = writing, start: int = start) -> None:
            os.write(writing, b"ready\n")
            for number in itertools.count(start):
                (record, add_job, keep)[number % 3](book, number)
                os.write(writing, b"%d\n" % number)

        number = fork(work)
        os.close(writing)
        with os.fdopen(reading) as lines:
            if lines.readline() != "ready\n":
                raise RuntimeError("the writing process failed by itself")
            first = [lines.readline() for _ in range(chance.randrange(3))]
            time.sleep(chance.uniform(0.0, 0.03))
            os.kill(number, signal.SIGKILL)
            os.waitpid(number, 0)
            told += [int(line) for line in (*first, *lines) if line.endswith("\n")]
        figures.kills += 1
        if figures.kills % 10 == 0:
            look_for_halves(book, figures)
    look_for_halves(book, figures)
    figures.acknowledged += len(told)
    figures.lost += count_lost(book, told)


def look_for_halves(book: Book, figures: Figures) -> None:
    """Open the logbook as after a crash, and count writes of which only a part is there."""
    with book.look() as connection:
        # What was said in one go: six looks, or six withdrawn, or three boards from elsewhere.
        looks = sa.select(sa.func.count()).where(entries.c.kind == "look")
        counts = connection.execute(looks.group_by(entries.c.batch)).scalars()
        figures.half_written += sum(count != len(CELLS) for count in counts)
        withdrawals = sa.select(entries.c.id).where(entries.c.kind == WITHDRAW)
        gone = sa.select(sa.func.count()).where(replaced.c.entry.in_(withdrawals))
        gone = gone.group_by(replaced.c.entry)
        counts = connection.execute(gone).scalars()
        figures.half_written += sum(count != len(CELLS) for count in counts)
        theirs = sa.select(sa.func.count()).where(
            entries.c.kind == "board", entries.c.slot.startswith("K-")
        )
        figures.half_written += connection.execute(theirs).scalar_one() not in (0, 3)
        figures.half_written += ledger.held(connection) != ledger.worked_out(connection)
        if book.path is not None:
            whole = connection.exec_driver_sql("PRAGMA quick_check").scalar()
            figures.broken_files += whole != "ok"
    book.close()


def count_lost(book: Book, told: list[int]) -> int:
    """Count acknowledged writes that aren't in the logbook."""
    with book.look() as connection:
        said = ledger.read(connection, entries.c.kind.in_(("look", "job")), all=True)
        known = {str(entry.body.get("session") or entry.body.get("note")) for entry in said}
    lenses = {entry.machine.lens_mm for entry in book.setups("bench")}
    book.close()
    lost = 0
    for number in told:
        if number % 3 == 2:
            lost += 50.0 + number / 1000.0 not in lenses
        else:
            lost += f"session {number}" not in known and f"K{number}" not in known
    return lost


def run(database: str, *, kills: int, seed: int) -> Figures:
    """Kill at every point, then the given number of times at random, in a new logbook."""
    figures = Figures()
    programs = find_programs() if database == "postgresql" else None
    if database == "postgresql" and programs is None:
        sys.exit(HOW_TO_INSTALL)
    with tempfile.TemporaryDirectory() as folder:
        server = Server(programs) if programs else None
        try:
            book = prepare(server.new_place() if server else f"{folder}/logbook.sqlite3")
            kill_at_every_point(book, figures)
            kill_at_random(book, figures, kills, seed)
        finally:
            if server:
                server.remove()
    return figures


def main() -> None:
    """Read the command line, run, and print the figures."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("database", choices=["sqlite", "postgresql"])
    words.add_argument("--kills", type=int, default=150, help="kills at random moments")
    words.add_argument("--seed", type=int, default=0)
    given = words.parse_args()
    figures = run(given.database, kills=given.kills, seed=given.seed)
    print(given.database, *(f"{name} {value}" for name, value in asdict(figures).items()), sep=", ")


if __name__ == "__main__":
    main()
