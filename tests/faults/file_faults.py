"""Faults of the file: damaged bytes, cut off, an import or a restore that was interrupted."""

from __future__ import annotations

import itertools
import os
import random
import shutil
import signal
import sys
from pathlib import Path

from fault_bench import Bench, Line, Rows, killed, look_after, rows_in, told
from kill_writes import die_at, other_document, record, take_in, use_all

from calib.logbook import backup, open_book, restore
from calib.logbook.checking import check_book
from calib.logbook.identity import newest_backup


def damaged_bytes(bench: Bench) -> Line:
    """Bytes anywhere in the file are overwritten; a backup lies beside it."""
    line = Line(fault="damaged bytes, backup put back")
    chance = random.Random(bench.seed)
    for _, place in bench.copies("damage", 3 * bench.times):
        content = bytearray(place.read_bytes())
        length = chance.choice([1, 16, 512, 4096])
        start = chance.randrange(len(content) - length)
        content[start : start + length] = chance.randbytes(length)
        _damage(line, place, bytes(content))
    return line


def cut_off(bench: Bench) -> Line:
    """The file ends too early; a backup lies beside it."""
    line = Line(fault="file cut off, backup put back")
    chance = random.Random(bench.seed)
    for _, place in bench.copies("cut"):
        content = place.read_bytes()
        _damage(line, place, content[: chance.randrange(len(content))])
    return line


def _damage(line: Line, place: Path, content: bytes) -> None:
    """Spoil a file, use it, and put the named backup back when it was found damaged."""
    before = rows_in(place)
    with open_book(place) as book:
        backup(book, place.parent / "backups" / "good.sqlite3")
    place.write_bytes(content)
    said = told(lambda: use_all(place))
    if not said:
        # Nothing of the database's own is damaged: the comparison with the backup tells.
        said = told(lambda: _check(place))
    if not said:
        look_after(line, place, before, said)
        return
    spoiled = place.read_bytes()
    best = newest_backup(place)
    if best is None:
        raise RuntimeError("the good backup was not found")
    restore(best, place)
    if place.with_name("logbook.sqlite3.replaced-1").read_bytes() != spoiled:
        raise RuntimeError("the damaged file was not kept")
    look_after(line, place, before, said)


def _check(place: Path) -> None:
    with open_book(place) as book:
        check_book(book)


def interrupted_import(bench: Bench) -> Line:
    """The process is killed at points of an import; the import is then done again."""
    line = Line(fault="interrupted import")
    other_document()
    for point, place in bench.until_it_ends("import"):
        before = rows_in(place)

        def work(place: Path = place, point: int = point) -> None:
            with open_book(place) as book:
                die_at(book, point)
                take_in(book, 5)

        if not killed(work):
            return line
        with open_book(place) as book:
            there = len(book.machines()) - 1
            take_in(book, 5)
            if there not in (0, 1) or len(book.machines()) != 2:
                raise RuntimeError("a part of the import was there")
        look_after(line, place, before, "")
    raise AssertionError


# Whatever touches a file (the interpreter's table of audit events).
_STEPS = {"open", "os.rename", "os.link", "os.remove", "os.mkdir", "os.chmod", "os.chown",
          "shutil.copyfile", "sqlite3.connect"}  # fmt: skip


def interrupted_restore(bench: Bench) -> Line:
    """The process is killed before each thing that it does to a file while it restores.

    The logbook was left by a process that was killed: a part of it stands in its journal.
    """
    line = Line(fault="interrupted restore")
    for point, place in bench.until_it_ends("restore"):
        whole = place.with_name("whole")
        with open_book(place) as book:
            backup(book, whole)
        new = rows_in(whole)
        killed(lambda place=place: _leave_a_journal(place))  # type: ignore[misc]
        old = _rows_of_a_copy(place, bench.folder / f"looked at {point}")

        def work(place: Path = place, whole: Path = whole, point: int = point) -> None:
            _die_at_step(point)
            restore(whole, place)

        went_on = killed(work)
        found = _rows_of_a_copy(place, bench.folder / f"found {point}")
        kept = [
            _rows_of_a_copy(name, bench.folder / f"kept {point} {name.name}")
            for name in place.parent.iterdir()
            if "replaced" in name.name and not name.name.endswith(("-wal", "-shm"))
        ]
        if found not in (old, new) or (found == new and old not in kept):
            raise RuntimeError(f"killed at step {point}, neither the old nor the new one was there")
        if not went_on:
            return line
        look_after(line, place, found, "")
        restore(whole, place)
        line.rows_lost += len(new - rows_in(place))
    raise AssertionError


def _die_at_step(point: int) -> None:
    counter = itertools.count(1)

    def reached(name: str, _: object) -> None:
        if name in _STEPS and next(counter) == point:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(reached)


def _leave_a_journal(place: Path) -> None:
    with open_book(place) as book, book.look():
        record(book, 600)
        os.kill(os.getpid(), signal.SIGKILL)


def _rows_of_a_copy(place: Path, folder: Path) -> Rows:
    """Read the rows of a logbook without touching its journal."""
    folder.mkdir()
    for end in ("", "-wal"):
        if (file := place.with_name(place.name + end)).exists():
            shutil.copy(file, folder / f"copy{end}")
    return rows_in(folder / "copy")
