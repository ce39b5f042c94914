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
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import astuple, fields
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import kill_writes  # noqa: E402
from fault_bench import Bench, Fault, Line  # noqa: E402
from faults import (  # noqa: E402
    clock_goes_back,
    cut_off,
    damaged_bytes,
    full_disk,
    full_disk_at_a_backup,
    interrupted_import,
    interrupted_restore,
    limited_size,
    newer_version,
    read_only,
)  # fmt: skip
from kill_writes import WRITES  # noqa: E402
from workshop_records import BENCH, BIRCH, EVENING  # noqa: E402

from calib.logbook import open_book  # noqa: E402

FAULTS: tuple[Fault, ...] = (
    full_disk, limited_size, full_disk_at_a_backup, read_only, clock_goes_back, damaged_bytes,
    cut_off, interrupted_import, interrupted_restore, newer_version,
)  # fmt: skip


def killed_while_writing(database: str, kills: int, seed: int) -> Line:
    """Kill a writing process at every point, then at random moments."""
    found = kill_writes.run(database, kills=kills, seed=seed)
    harmed = found.half_written + found.broken_files
    return Line(
        fault=f"killed while writing, {database}",
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
    for database in () if given.without_kills else ("sqlite", "postgresql"):
        lines.append(killed_while_writing(database, given.kills, given.seed))
        show(lines[-1])
    total = Line(fault="all")
    for line in lines:
        total.tried += line.tried
        total.told += line.told
        total.survived += line.survived
        total.rows_lost += line.rows_lost
    show(total)
    sys.exit(total.rows_lost > 0 or total.survived < total.tried)


if __name__ == "__main__":
    main()
