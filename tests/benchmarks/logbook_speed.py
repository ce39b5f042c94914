"""How fast a large logbook is: lists, searches and exports, measured and printed.

    python tests/benchmarks/logbook_speed.py [boards; 10000] [sqlite or postgresql]

Lists and searches are warm: the least of five runs after a first one. Everything is invented, from
seed 0. Told is also how the time for a board grows from a quarter of the boards to all of them, and
what the commands that fit take on a book of 300 pairs, start-up included.
"""

from __future__ import annotations

import dataclasses
import itertools
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(TESTS))

from postgres import HOW_TO_INSTALL, Server, find_programs  # noqa: E402
from shared import best_s, numbers  # noqa: E402
from workshop_records import BENCH, BIRCH, EVENING, later, some_cells, some_grid  # noqa: E402

from calib.logbook import (  # noqa: E402
    Book,
    Filters,
    backup,
    export_csv,
    export_text,
    import_text,
    ledger,
    open_book,
)
from calib.logbook.backup import check_book  # noqa: E402
from calib.logbook.ledger import Entry, add  # noqa: E402
from calib.records import Reading  # noqa: E402
from calib.tasks.looking_back import track_record  # noqa: E402
from calib.tasks.wishes import TrackRecordWish  # noqa: E402

MACHINES, SHEETS, CELLS = 10, 100, 8
# Boards go round by machines, then by sheets: of this pair a small book has boards too.
PAIR = ("machine 3", "sheet 4")
# Pairs of a board each in the book on which commands that fit are timed.
PAIRS = 300


def template() -> list[Entry]:
    """Entries of every machine and sheet, and of one read board to copy."""
    chance = random.Random(0)
    with tempfile.TemporaryDirectory() as folder, open_book(Path(folder) / "one") as book:
        for number in range(MACHINES):
            book.add_machine(dataclasses.replace(BENCH, name=f"machine {number}"), when=EVENING)
        for number in range(SHEETS):
            thickness = 3.0 + number % 7
            material = ("birch plywood", "MDF", "basswood", "acrylic")[number % 4]
            sheet = dataclasses.replace(
                BIRCH, name=f"sheet {number}", material=material, thickness_mm=thickness
            )
            book.add_sheet(sheet, when=EVENING)
        machine, sheet = book.machine("machine 0"), book.sheet("sheet 0")
        grid = some_grid("T", machine=machine, sheet=sheet, cells=some_cells(CELLS))
        forecasts = {cell.label: {"through": 0.5} for cell in grid.cells}
        book.add_board(grid, when=EVENING, forecasts=forecasts)
        readings = [
            Reading(cell=cell.label, through=chance.choice(["no", "hanging", "through"]), char=1,
                    note="knot" if index == 5 else "")
            for index, cell in enumerate(grid.cells)
        ]  # fmt: skip
        book.record("T", readings, when=EVENING, session="monday")
        return [ledger.from_line(line) for line in export_text(book).splitlines()[1:]]


def many_boards(said: list[Entry], count: int) -> list[Entry]:
    """Copy the board, each time for another pair."""
    machines = [entry for entry in said if entry.kind == "machine"]
    sheets = [entry for entry in said if entry.kind == "sheet"]
    (board,) = [entry for entry in said if entry.kind == "board"]
    about = [entry for entry in said if entry.about == board.id]
    many = [entry for entry in said if entry not in (board, *about)]
    for number in range(count):
        machine, sheet = machines[number % MACHINES], sheets[number // MACHINES % SHEETS]
        at = later(60 * number).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        new = {"machine": machine.id, "sheet": sheet.id, "held_as": "", "at": at}
        code = f"B{number:05d}"
        whose = {"machine": machine.body["machine"], "sheet": sheet.body["sheet"]}
        grid = {**board.body["grid"], "board_id": code, **whose}
        body = {**board.body, "grid": grid, "lot": sheet.id}
        made = dataclasses.replace(board, **new, slot=code, body=body, batch=f"board {number}")
        many.append(made)
        for entry in about:
            own = {"setup": machine.id, "lot": sheet.id} if entry.kind == "look" else {}
            new |= {"about": made.id, "batch": f"read {number}", "body": {**entry.body, **own}}
            many.append(dataclasses.replace(entry, **new))
    return many


def say(name: str, seconds: float, more: str = "") -> None:
    """Print one line of the table."""
    print(f"  {name:20} {1000 * seconds:9.1f} ms   {more}".rstrip(), flush=True)


def once_s(work: Callable[[], object]) -> float:
    """Time of a long piece of work, the processor's for this process alone [s]."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def fill(book: Book, said: list[Entry]) -> None:
    """Put entries into an empty logbook."""
    with book.change() as connection:
        add(connection, said)


def measure_lists(book: Book, count: int) -> float:
    """Time each list and search; give the longest time."""
    middle = later(60.0 * count / 2)
    searches: dict[str, Filters] = {
        "list": Filters(),
        "machine and sheet": Filters(machine=PAIR[0], sheet=PAIR[1]),
        "material": Filters(material="MDF"),
        "thickness": Filters(thickness_mm=3.0),
        "since the middle": Filters(since=middle),
        "outcome hanging": Filters(outcome="hanging"),
        "outcome never": Filters(outcome="char 4"),
        "unread": Filters(outcome="unread"),
        "words in names": Filters(text="birch 7"),
        "words in notes": Filters(text="knot"),
        "words nowhere": Filters(text="zebra"),
        "all together": Filters(text="knot", material="mdf", outcome="through", since=middle),
    }
    newest = book.boards(limit=1).entries[0].id
    keys = itertools.count()

    def tap() -> object:
        key, reading = (
            f"key-{next(keys):08d}",
            Reading(cell="A1", through="no", char=next(keys) % 4),
        )
        return book.tap(newest, key, reading, saw=book.looks(newest)["A1"].id, when=middle)

    works: dict[str, Callable[[], object]] = {
        name: lambda filters=filters: book.search(filters) for name, filters in searches.items()
    }
    works |= {
        "last page": lambda: book.search(offset=max(count - 50, 0)),
        "burns of a pair": lambda: book.burns(*PAIR),
        "history of a pair": lambda: book.history(*PAIR),
        "kept": lambda: book.kept(*PAIR),
        "readings of a board": lambda: book.readings(newest),
        "newest boards": lambda: book.boards(limit=20),
        "look and tap": tap,
    }
    longest = 0.0
    for name, work in works.items():
        took = best_s(work)
        longest = max(longest, took)
        say(name, took)
    return longest


def measure(place: str, count: int, folder: Path) -> tuple[float, dict[str, float]]:
    """Fill a logbook, print what each thing takes; give the slowest list, and times by board."""
    said = many_boards(template(), count)
    by_board = {}
    with open_book(place) as book:
        print(f"{count} boards of {CELLS} cells")
        say("union", once_s(lambda: fill(book, said)), f"{len(said)} entries")
        slowest = measure_lists(book, count)
        text = export_text(book)
        works: dict[str, Callable[[], object]] = {
            "export": lambda: export_text(book),
            "check": lambda: check_book(book),
            "export CSV": lambda: export_csv(book),
            "backup": lambda: backup(book, folder / f"backup-{count}.sqlite3"),
            "track record": lambda: track_record(book, TrackRecordWish()),
        }
        with open_book(folder / f"other-{count}.sqlite3") as other:
            works |= {
                name: lambda: import_text(other, text, when=EVENING)
                for name in ("import", "import again")
            }
            for name, work in works.items():
                by_board[name] = once_s(work) / count
                say(name, by_board[name] * count, f"{1e6 * by_board[name]:.0f} µs for a board")
    say("open", best_s(lambda: open_book(place).close()))
    return slowest, by_board


def measure_commands(folder: Path) -> None:
    """Time the commands that fit, first when no pair is summed up yet, then with all of them."""
    place = folder / "pairs.sqlite3"
    with open_book(place) as book:
        fill(book, many_boards(template(), PAIRS))
    print(f"commands on a book of {PAIRS} pairs, wall time of a process")
    settings = {**os.environ, "CALIB_BOOK": str(place)}
    for command in ("region", "region", "plan", "recommend"):
        words = [command, PAIR[1], "--machine", PAIR[0]]
        begun = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "calib", *words],
            env=settings, cwd=folder, capture_output=True, text=True, check=False,
        )  # fmt: skip
        # Exit 1: the advice is that more has to be burnt.
        assert done.returncode in (0, 1), done.stderr
        say(command, time.monotonic() - begun)


def main() -> None:
    """Measure a small and a large logbook, print the figures."""
    (boards,) = numbers(10_000)
    server = None
    if sys.argv[2:] == ["postgresql"]:
        server = Server(find_programs() or sys.exit(HOW_TO_INSTALL))
    try:
        with tempfile.TemporaryDirectory() as folder:
            measure_commands(Path(folder))
            told = [
                measure(server.new_place() if server else f"{folder}/{count}", count, Path(folder))
                for count in (boards // 4, boards)
            ]
    finally:
        if server:
            server.remove()
    (_, few), (slowest, many) = told
    growth = ", ".join(f"{name} {many[name] / few[name]:.2f}" for name in few)
    print(f"time for a board with four times as many boards (1 is linear): {growth}")
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    print(f"slowest list or search {slowest:.2f} s, wanted under 0.3 s")


if __name__ == "__main__":
    main()
