"""Faults of the place: a full disk, limits, a read-only folder, a clock that goes back."""

from __future__ import annotations

import os
import random
import resource
from pathlib import Path

from bad_places import NOBODY, in_a_process, let_grow
from fault_bench import Bench, Line, look_after, rows_in, told
from kill_writes import WRITES, Write, add_board, add_job, record

from calib.logbook import backup, open_book


def full_disk(bench: Bench) -> Line:
    """No page may be added to the file."""
    line = Line(fault="disk full while writing")
    for write in WRITES:
        for pages, place in bench.copies("full"):
            before = rows_in(place)
            said = told(lambda p=place, w=write, n=pages: _fill_up(p, w, n))  # type: ignore[misc]
            look_after(line, place, before, said)
    return line


def _fill_up(place: Path, write: Write, pages: int) -> None:
    with open_book(place) as book:
        let_grow(book, pages)
        for number in range(1000, 1200):
            write(book, number)


def limited_size(bench: Bench) -> Line:
    """The system refuses to let a file grow."""
    line = Line(fault="limit on the size of files")
    for number, place in bench.copies("limit"):
        before = rows_in(place)
        size = place.stat().st_size + 4096 * (number + 1)

        def work(place: Path = place, size: int = size) -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            _write_on(place)

        look_after(line, place, before, in_a_process(work))
    return line


def _write_on(place: Path) -> None:
    with open_book(place) as book:
        for number in range(1000, 1200):
            (record, add_job)[number % 2](book, number)


def full_disk_at_a_backup(bench: Bench) -> Line:
    """The backup can't be written to its end."""
    line = Line(fault="disk full at a backup")
    for number, place in bench.copies("backup"):
        before = rows_in(place)
        target = place.with_name("monday.sqlite3")

        def work(place: Path = place, target: Path = target, number: int = number) -> None:
            size = 20_000 * (number + 1)
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            with open_book(place) as book:
                backup(book, target)

        said = in_a_process(work)
        if said and target.exists():
            raise RuntimeError("half a backup was left behind")
        look_after(line, place, before, said)
    return line


def read_only(bench: Bench) -> Line:
    """Neither the file nor its folder may be written to."""
    line = Line(fault="read-only folder")
    bench.folder.chmod(0o755)
    for _, place in bench.copies("read-only"):
        before = rows_in(place)
        place.chmod(0o444)
        place.parent.chmod(0o555)
        user = NOBODY if os.geteuid() == 0 else None

        def work(place: Path = place) -> None:
            with open_book(place) as book:
                add_board(book, 1)

        said = in_a_process(work, user=user)
        place.parent.chmod(0o755)
        place.chmod(0o644)
        look_after(line, place, before, said)
    return line


def clock_goes_back(bench: Bench) -> Line:
    """Each write bears an earlier time than the one before."""
    line = Line(fault="clock going backwards")
    chance = random.Random(bench.seed)
    for _, place in bench.copies("clock"):
        before = rows_in(place)
        with open_book(place) as book:
            for write in WRITES[:-1]:
                write(book, -1 - chance.randrange(9000))
        before |= rows_in(place)
        look_after(line, place, before, "")
    return line
