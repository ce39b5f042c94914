"""Every kind of fault that is tried on a logbook; what is said of each is looked at as well."""

from __future__ import annotations

import itertools
import os
import random
import resource
import shutil
import signal
import sqlite3
import sys
from pathlib import Path

from fault_bench import (
    NOBODY,
    Bench,
    Line,
    Rows,
    expect,
    in_a_process,
    killed,
    let_grow,
    look_after,
    rows_in,
    told,
)  # fmt: skip
from kill_writes import (
    WRITES,
    Write,
    add_board,
    add_job,
    die_at,
    other_document,
    record,
    take_in,
    use_all,
)  # fmt: skip

from calib.logbook import backup, open_book, restore
from calib.logbook.backup import check_book
from calib.logbook.files import identity_of, newest_backup


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
    spoiled, good = place.read_bytes(), place.parent / "backups" / "good.sqlite3"
    # A letter that turned within the identity makes it another logbook's.
    own = identity_of(place) in (None, identity_of(good))
    if "damaged, or isn't a logbook" in said:
        expect(said, f"newest good backup is {good}" if own else "No good backup that is surely")
    if own and newest_backup(place) != good:
        raise RuntimeError("the good backup was not found")
    restore(good, place)
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


def full_disk(bench: Bench) -> Line:
    """No page may be added to the file."""
    line = Line(fault="disk full while writing")
    for write in WRITES:
        for pages, place in bench.copies("full"):
            before = rows_in(place)
            said = told(lambda p=place, w=write, n=pages: _fill_up(p, w, n))  # type: ignore[misc]
            expect(said, "disk is full", "Nothing of this change was stored")
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

        said = in_a_process(work)
        expect(said, "the disk is full or fails")
        look_after(line, place, before, said)
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
        if said and list(place.parent.glob("monday*")):
            raise RuntimeError("half a backup was left behind")
        if said:
            expect(said, "the disk is full or fails")
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
        expect(said, "can't be opened for writing", "you may write in it")
        new = place.with_name("new.sqlite3")
        expect(in_a_process(lambda n=new: open_book(n), user=user), "can't be opened for writing")  # type: ignore[misc]
        far = place.with_name("sub") / "new.sqlite3"
        expect(in_a_process(lambda n=far: open_book(n), user=user), "can't be made")  # type: ignore[misc]
        if new.exists() or far.exists():
            raise RuntimeError("something was begun in a read-only folder")
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


def newer_version(bench: Bench) -> Line:
    """A logbook with entries of a later program is refused, and left as it is."""
    line = Line(fault="newer version refused")
    for number, place in bench.copies("newer"):
        was, before = place.read_bytes(), rows_in(place)
        kind, v = ("look", 9000 + number) if number % 2 else (f"kind {number}", 1)
        _add_entry(place, kind, v)
        content = place.read_bytes()
        said = told(lambda place=place: open_book(place).close())  # type: ignore[misc]
        if place.read_bytes() != content or f"{kind!r}, version {v}" not in said:
            raise RuntimeError("a newer logbook was not left as it was")
        place.write_bytes(was)
        look_after(line, place, before, said)
    return line


def _add_entry(place: Path, kind: str, v: int) -> None:
    with sqlite3.connect(place) as connection:
        connection.execute(
            "INSERT INTO entries (id, at, kind, v, slot, about, machine, sheet, body, batch, why)"
            " VALUES ('z', '2099-01-01T00:00:00.000000Z', ?, ?, '', '', '', '', '{}', '', '')",
            (kind, v),
        )
    connection.close()
