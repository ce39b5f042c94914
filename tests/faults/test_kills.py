"""No row is lost when a process is killed while it writes, or the server crashes."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from kill_writes import add_job, fork, record, wait_for
from postgres import Server
from workshop_records import BENCH, BIRCH, EVENING

from calib.logbook import backup, export_text, open_book, restore

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


def test_no_acknowledged_row_is_lost_when_the_server_crashes(server: Server) -> None:
    place = server.new_place()
    with open_book(place) as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
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
        sessions = {session.label for session in book.sessions("bench")}
        notes = {entry.note for entry in book.search(limit=1000).entries}
    lost = [n for n in told if f"session {n}" not in sessions and f"K{n}" not in notes]
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
        document = export_text(book)
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
                assert export_text(book) == document
        survived += killed
    assert survived >= 5
