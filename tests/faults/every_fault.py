"""Try every fault on a logbook, and print what came of it: tried, told, survived, rows lost.

    python tests/faults/every_fault.py
    python tests/faults/every_fault.py --times 5 --without-kills

A fault counts as told when the logbook said in words what was wrong, and as survived when the
logbook can afterwards be opened, is whole, and takes a new board; where a file is damaged,
after the backup that was named was put back. A row is lost when it was stored before the fault and
isn't there afterwards. Faults are the same for the same --seed.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import resource
import shutil
import signal
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import event

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import kill_writes  # noqa: E402
from bad_places import NOBODY, in_a_process, let_grow  # noqa: E402
from kill_writes import (  # noqa: E402
    WRITES,
    Write,
    add_board,
    add_job,
    die_at,
    fork,
    other_document,
    record,
    take_in,
)
from postgres import HOW_TO_INSTALL, Server, find_programs  # noqa: E402
from test_logbook_opening import fill_version_1, make_version  # noqa: E402
from workshop_records import BENCH, BIRCH, EVENING  # noqa: E402

from calib.errors import CalibError  # noqa: E402
from calib.logbook import (  # noqa: E402
    backup,
    export_csv,
    export_json,
    open_book,
    restore,
)
from calib.logbook.checking import check_book  # noqa: E402
from calib.logbook.opening import newest_backup  # noqa: E402

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
        names = [row[0] for row in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%version%'"
        )]  # fmt: skip
        found = {
            (name, *row)
            for name in (*names, "sheet_versions")
            for row in connection.execute(f"SELECT * FROM {name}")
        }
    connection.close()
    return found


def is_good(path: Path) -> bool:
    """Say whether a logbook opens, is whole, and takes a new board."""
    with open_book(path) as book:
        record(book, 77_000)
        with book.look() as connection:
            whole = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
            loose = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        return whole == "ok" and loose is None and len(book.readings("K77000")) == 6


def look_after(line: Line, path: Path, before: Rows, said: str) -> None:
    """Count one fault: what was said, whether the logbook lives, what it lacks."""
    line.tried += 1
    line.told += bool(said)
    if "by itself" in said:
        raise RuntimeError(said)
    open_book(path).close()
    line.rows_lost += len(before - rows_in(path))
    line.survived += is_good(path)


def told(work: Callable[[], object]) -> str:
    """Run something that may be refused; give the words of the refusal."""
    try:
        work()
    except CalibError as refusal:
        return str(refusal)
    return ""


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
    said = told(lambda: _use_all(place))
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


def _use_all(place: Path) -> None:
    """Read everything that a logbook holds, and write into it."""
    with open_book(place) as book:
        export_json(book)
        export_csv(book)
        book.history("bench", "birch 3")
        for entry in book.search(limit=1000).entries:
            if entry.kind == "board":
                book.board(entry.id)
        record(book, 5000)


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

        if not _killed(work):
            return line
        with open_book(place) as book:
            there = len(book.machines()) - 1
            take_in(book, 5)
            if there not in (0, 1) or len(book.machines()) != 2:
                raise RuntimeError("a part of the import was there")
        look_after(line, place, before, "")
    raise AssertionError


def _killed(work: Callable[[], None]) -> bool:
    """Run something that kills itself at a point; False when it came to its end before."""
    _, status = os.waitpid(fork(work), 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
        return False
    if not os.WIFSIGNALED(status):
        raise RuntimeError("the process failed by itself")
    return True


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

        if not _killed(work):
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


FAULTS: tuple[Fault, ...] = (
    full_disk, limited_size, full_disk_at_a_backup, read_only, clock_goes_back, damaged_bytes,
    cut_off, interrupted_import, old_version, interrupted_migration, newer_version,
)  # fmt: skip


def killed_while_writing(place: str, name: str, kills: int, seed: int) -> Line:
    """Kill a writing process at every point, then at random moments."""
    found = kill_writes.run(place, kills=kills, seed=seed)
    harmed = found.half_written + found.broken_files
    return Line(
        fault=f"killed while writing, {name}",
        tried=found.kills,
        survived=found.kills - harmed,
        rows_lost=found.lost,
    )


def try_all(folder: Path, *, times: int, seed: int, faults: Sequence[Fault] = ()) -> Iterator[Line]:
    """Try the given faults, or every one that needs no server; give what came of each kind."""
    good = folder / "good.sqlite3"
    with open_book(good) as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        for number, write in enumerate(WRITES[:-1]):
            write(book, number)
            write(book, 100 + number)
    bench = Bench(folder=folder, good=good, times=times, seed=seed)
    for fault in faults or FAULTS:
        yield fault(bench)


def show(line: Line) -> None:
    """Print a line of the table."""
    name, *figures = astuple(line)
    print(f"{name:36}" + "".join(f"{figure:11}" for figure in figures), flush=True)


def main() -> None:
    """Read the command line, try all, print the table; ends with 1 when anything was lost."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--times", type=int, default=25, help="how often each fault is tried")
    words.add_argument("--seed", type=int, default=0)
    words.add_argument("--kills", type=int, default=150, help="kills at random moments")
    words.add_argument("--without-kills", action="store_true", help="leave out the kills")
    given = words.parse_args()
    names = [field.name.replace("_", " ") for field in fields(Line)]
    print(f"{names[0]:36}" + "".join(f"{name:>11}" for name in names[1:]))
    lines = []
    with tempfile.TemporaryDirectory() as folder:
        for line in try_all(Path(folder), times=given.times, seed=given.seed):
            show(line)
            lines.append(line)
        if not given.without_kills:
            place = f"{folder}/killed.sqlite3"
            lines.append(killed_while_writing(place, "SQLite", given.kills, given.seed))
            show(lines[-1])
    if not given.without_kills:
        lines.append(_killed_on_a_server(given.kills, given.seed))
        show(lines[-1])
    total = Line(fault="all")
    for line in lines:
        total.tried += line.tried
        total.told += line.told
        total.survived += line.survived
        total.rows_lost += line.rows_lost
    show(total)
    sys.exit(total.rows_lost > 0 or total.survived < total.tried)


def _killed_on_a_server(kills: int, seed: int) -> Line:
    programs = find_programs()
    if programs is None:
        sys.exit(HOW_TO_INSTALL)
    server = Server(programs)
    try:
        return killed_while_writing(server.new_place(), "PostgreSQL", kills, seed)
    finally:
        server.remove()


if __name__ == "__main__":
    main()
