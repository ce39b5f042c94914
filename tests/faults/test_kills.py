"""No row is lost when a process is killed while it writes, nor when two write at once."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from kill_writes import add_job, fork, record, wait_for
from postgres import Server
from workshop_records import BENCH, BIRCH, EVENING, later, some_grid

from calib.logbook import Book, backup, export_json, open_book, restore
from calib.records import Burn, Reading

SCRIPT = Path(__file__).parent / "kill_writes.py"


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_no_row_is_lost_when_a_writer_is_killed(
    database: str, request: pytest.FixtureRequest
) -> None:
    if database == "postgresql":
        request.getfixturevalue("server")  # says so when there are no server programs
    command = [sys.executable, "-W", "error", str(SCRIPT), database, "--kills", "60"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr
    figures = {name: int(value) for name, value in re.findall(r"(\w+) (\d+)", done.stdout)}
    assert figures.pop("kills") >= 200
    assert figures.pop("acknowledged") >= 30
    assert figures == {"lost": 0, "half_written": 0, "broken_files": 0}


def in_two_processes(place: str, work: str) -> list[int]:
    """Run a piece of code in two processes at once; it finds ``book`` and ``mine`` (0 or 1)."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[2]); mine = int(sys.argv[3])\n"
        "from workshop_records import *; from calib.records import *\n"
        "from calib.logbook import open_book\n"
        f"with open_book(sys.argv[1]) as book:\n{work}"
    )
    tests = str(SCRIPT.parent.parent)
    running = [
        subprocess.Popen([sys.executable, "-c", code, place, tests, str(mine)]) for mine in (0, 1)
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
    # Each process reads three cells of every board, one by one; at the last board only one.
    work = """
    done = 0
    for number in range(334):
        for cell in ("A1", "A2", "A3") if mine else ("A4", "A5", "A6"):
            if done < 1000:
                reading = Reading(cell=cell, through="no", char=0)
                book.record(f"B{number}", [reading], when=later(done), sitting=f"by {mine}")
                done += 1
"""
    assert in_two_processes(place, work) == [0, 0]
    with open_book(place) as book:
        burns = book.burns("bench", "birch 3", "cut")
        assert len(burns) == 2000
        assert sum(burn.sitting == "by 0" for burn in burns) == 1000


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
        lines = [line for line in book.history("bench", "birch 3") if line.kind == "reading"]
    assert len(lines) == 120
    assert [line.superseded for line in lines] == [True] * 119 + [False]
    widths = [line.reading.width_mm for line in lines if line.reading]
    assert sorted(widths) == sorted(
        10.0 + number / 100.0 + mine for number in range(60) for mine in (0, 1)
    )


def test_no_acknowledged_row_is_lost_when_the_server_crashes(server: Server) -> None:
    place = server.new_place()
    prepared(place, boards=0)
    told: list[int] = []
    try:
        for crash in range(3):
            code = (
                "import sys; sys.path[:0] = sys.argv[2:]; import itertools\n"
                "from kill_writes import add_job, record; from calib.logbook import open_book\n"
                "with open_book(sys.argv[1]) as book:\n"
                f"    for number in itertools.count({1000 * crash}):\n"
                "        (record, add_job)[number % 2](book, number)\n"
                "        print(number, flush=True)\n"
            )
            here = SCRIPT.parent
            writer = subprocess.Popen(
                [sys.executable, "-c", code, place, str(here), str(here.parent)],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            assert writer.stdout is not None
            told += [int(writer.stdout.readline()) for _ in range(12)]
            server.stop("immediate")
            rest, said = writer.communicate(timeout=60)
            told += map(int, rest.split())
            assert writer.returncode == 1
            assert "LogbookError" in said
            server.start()
    except BaseException:
        server.start_if_stopped()
        raise
    with open_book(place) as book:
        sittings = {sitting.label for sitting in book.sittings("bench")}
        notes = {entry.note for entry in book.search(limit=1000).entries}
    lost = [n for n in told if f"sitting {n}" not in sittings and f"K{n}" not in notes]
    assert len(told) >= 36
    assert lost == []


@pytest.mark.parametrize("work", ["backup", "restore"])
def test_a_killed_backup_or_restore_leaves_a_whole_logbook(tmp_path: Path, work: str) -> None:
    path, whole = tmp_path / "logbook.sqlite3", tmp_path / "whole.sqlite3"
    with open_book(path) as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        for number in range(20):
            (record, add_job)[number % 2](book, number)
        backup(book, whole)
        document = export_json(book)
    survived = 0
    for number in range(20):
        target = tmp_path / f"copy {number}.sqlite3"

        def copy(target: Path = target) -> None:
            if work == "restore":
                restore(whole, path)
                return
            with open_book(path) as book:
                backup(book, target)

        killed = wait_for(fork(copy), seconds=0.004 * number)
        for file in (path, *([target] if target.exists() else [])):
            with open_book(file) as book:
                assert export_json(book) == document
        survived += killed
    assert survived >= 5


def test_a_reader_sees_only_whole_writes(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    book.add_board(some_grid(), when=EVENING)
    with open_book(book.path or book.where.url.render_as_string(hide_password=False)) as second:
        with second.change() as connection:
            connection.exec_driver_sql("UPDATE boards SET code = 'half done'")
            assert [entry.id for entry in book.boards().entries] == ["AB12"]
            connection.rollback()
        burn = Burn(operation="cut", power_pct=50.0, speed_mm_s=5.0, source="job", char=1)
        with book.look() as connection:
            before = connection.exec_driver_sql("SELECT count(*) FROM runs").scalar()
            second.add_job("bench", "birch 3", [burn], when=later(1))
            second.record("AB12", [Reading(cell="A1", through="no")], when=later(2))
            after = connection.exec_driver_sql("SELECT count(*) FROM runs").scalar()
        assert (before, after) == (0, 0)
        assert len(book.burns("bench", "birch 3")) == 2
