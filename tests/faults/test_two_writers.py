"""Two processes may write into one logbook at once, and a third one read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from workshop_records import BENCH, BIRCH, EVENING, later, some_grid

from calib.logbook import Book, open_book
from calib.records import Burn, Reading

TESTS = Path(__file__).resolve().parent.parent


def in_two_processes(place: str, work: str) -> list[int]:
    """Run a piece of code in two processes at once; it finds ``book`` and ``mine`` (0 or 1)."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[2]); mine = int(sys.argv[3])\n"
        "from workshop_records import *; from calib.records import *\n"
        "from calib.logbook import open_book\n"
        f"with open_book(sys.argv[1]) as book:\n{work}"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", code, place, str(TESTS), str(mine)])
        for mine in (0, 1)
    ]
    return [process.wait(timeout=300) for process in running]


def prepared(place: str, *, boards: int) -> None:
    """Make a logbook with a machine, a sheet and empty boards."""
    with open_book(place) as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        for number in range(boards):
            book.add_board(some_grid(f"B{number}"), when=EVENING)


def test_two_processes_that_write_1000_burns_each_end_with_2000(place: str) -> None:
    prepared(place, boards=334)
    # Each process reads half of the cells of every board; at the last board only one.
    work = """
    for number in range(334):
        half = ("A1", "A2", "A3") if mine else ("A4", "A5", "A6")
        cells = half if number < 333 else half[:1]
        readings = [Reading(cell=cell, through="no", char=0) for cell in cells]
        book.record(f"B{number}", readings, when=later(number), session=f"by {mine}")
"""
    assert in_two_processes(place, work) == [0, 0]
    with open_book(place) as book:
        burns = book.burns("bench", "birch 3", "cut")
        assert len(burns) == 2000
        assert sum(burn.session == "by 0" for burn in burns) == 1000


def test_two_processes_that_correct_one_cell_keep_every_correction(place: str) -> None:
    prepared(place, boards=1)
    work = """
    for number in range(60):
        width = 10.0 + number / 100.0 + mine
        reading = Reading(cell="A1", through="no", width_mm=width)
        book.record("B0", [reading], when=later(number), why=f"by {mine}")
"""
    assert in_two_processes(place, work) == [0, 0]
    with open_book(place) as book:
        lines = [line for line in book.history("bench", "birch 3") if "measured" in line.text]
    assert len(lines) == 120
    assert [line.superseded for line in lines] == [True] * 119 + [False]
    assert {line.text for line in lines} == {
        f"measured {10.0 + number / 100.0 + mine:g} x ? mm"
        for number in range(60)
        for mine in (0, 1)
    }


def test_a_reader_sees_only_whole_writes(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    book.add_board(some_grid(), when=EVENING)
    with open_book(book.path or book.where.url.render_as_string(hide_password=False)) as second:
        with second.change() as connection:
            connection.exec_driver_sql("INSERT INTO past (seq, state) SELECT seq, 0 FROM entries")
            assert [entry.id for entry in book.boards().entries] == ["AB12"]
            connection.rollback()
        burn = Burn(operation="cut", power_pct=50.0, speed_mm_s=5.0, source="job", char=1)
        with book.look() as connection:
            before = connection.exec_driver_sql(
                "SELECT count(*) FROM entries WHERE kind = 'job'"
            ).scalar()
            second.add_job("bench", "birch 3", [burn], when=later(1))
            second.record("AB12", [Reading(cell="A1", through="no")], when=later(2))
            after = connection.exec_driver_sql(
                "SELECT count(*) FROM entries WHERE kind = 'job'"
            ).scalar()
        assert (before, after) == (0, 0)
        assert len(book.burns("bench", "birch 3")) == 2
