"""How fast a large logbook is: lists, searches and exports, measured and printed.

    python tests/benchmarks/logbook_speed.py [--boards 10000] [--database sqlite|postgresql]

Lists and searches are warm: the median of five runs after a first one. Everything is invented, from
seed 0. Ends with 1 when a list or search takes longer than the limit.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(TESTS))

from postgres import HOW_TO_INSTALL, Server, find_programs  # noqa: E402
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
from calib.logbook.checking import check_book  # noqa: E402
from calib.logbook.ledger import Entry, add  # noqa: E402
from calib.records import Reading  # noqa: E402
from calib.tasks.looking_back import track_record  # noqa: E402
from calib.tasks.wishes import TrackRecordWish  # noqa: E402

MACHINES, SHEETS, CELLS = 10, 100, 8
LIMIT_S = 0.3
# Boards go round by machines, then by sheets: of this pair a small book has boards too.
PAIR_SHEET = 4


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
        machine = machines[number % MACHINES]
        sheet = sheets[number // MACHINES % SHEETS]
        at = later(60 * number).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        new = {"machine": machine.id, "sheet": sheet.id, "held_as": "", "at": at}
        grid = {
            **board.body["grid"],
            "board_id": f"B{number:05d}",
            "machine": machine.body["machine"],
            "sheet": sheet.body["sheet"],
        }
        body = {**board.body, "grid": grid, "lot": sheet.id}
        made = dataclasses.replace(
            board, **new, slot=f"B{number:05d}", body=body, batch=f"board {number}"
        )
        many.append(made)
        for entry in about:
            own = {"setup": machine.id, "lot": sheet.id} if entry.kind == "look" else {}
            many.append(
                dataclasses.replace(
                    entry, **new, about=made.id, batch=f"read {number}", body={**entry.body, **own}
                )
            )
    return many


@dataclasses.dataclass(frozen=True)
class Took:
    """How long a piece of work took, by the clock and in this process alone [s]."""

    wall_s: float
    own_s: float

    def __str__(self) -> str:
        return f"{1000 * self.wall_s:9.1f} ms, of which {1000 * self.own_s:9.1f} ms here"


def timed(work: Callable[[], object], times: int = 1) -> Took:
    """Time a piece of work: the medians of several runs."""
    walls, owns = [], []
    for _ in range(times):
        wall, own = time.perf_counter(), time.process_time()
        work()
        walls.append(time.perf_counter() - wall)
        owns.append(time.process_time() - own)
    return Took(statistics.median(walls), statistics.median(owns))


def say(name: str, took: Took, more: str = "") -> None:
    """Print one line of the table."""
    print(f"  {name:20} {took}   {more}".rstrip(), flush=True)


def fill(book: Book, said: list[Entry]) -> None:
    """Put entries into an empty logbook."""
    with book.change() as connection:
        add(connection, said)


def measure_lists(book: Book, count: int) -> list[Took]:
    """Time each list and search five times, warm."""
    middle = later(60.0 * count / 2)
    pair = ("machine 3", f"sheet {PAIR_SHEET}")
    searches: dict[str, Filters] = {
        "list": Filters(),
        "machine and sheet": Filters(machine=pair[0], sheet=pair[1]),
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
    every = []
    for name, filters in searches.items():

        def search(filters: Filters = filters) -> object:
            return book.search(filters)

        search()
        took = timed(search, 5)
        every.append(took)
        say(name, took, f"{book.search(filters).total} found")
    newest = book.boards(limit=1).entries[0].id
    keys = itertools.count()

    def tap() -> object:
        key = f"key-{next(keys):08d}"
        reading = Reading(cell="A1", through="no", char=next(keys) % 4)
        return book.tap(newest, key, reading, saw=book.looks(newest)["A1"].id, when=middle)

    others: dict[str, Callable[[], object]] = {
        "last page": lambda: book.search(offset=max(count - 50, 0)),
        "burns of a pair": lambda: book.burns(*pair),
        "history of a pair": lambda: book.history(*pair),
        "kept": lambda: book.kept(*pair),
        "readings of a board": lambda: book.readings(newest),
        "newest boards": lambda: book.boards(limit=20),
        "look and tap": tap,
    }
    for name, work in others.items():
        work()
        took = timed(work, 5)
        every.append(took)
        say(name, took)
    return every


def measure(place: str, count: int, folder: Path) -> tuple[list[Took], dict[str, float]]:
    """Fill a logbook with boards, print what each thing takes: lists, and exports by board."""
    said = many_boards(template(), count)
    by_board = {}
    with open_book(place) as book:
        print(f"{count} boards of {CELLS} cells")
        say("union", timed(lambda: fill(book, said)), f"{len(said)} entries")
        lists = measure_lists(book, count)
        target = folder / f"backup-{count}.sqlite3"
        exports: dict[str, Callable[[], object]] = {
            "export": lambda: export_text(book),
            "check": lambda: check_book(book),
            "export CSV": lambda: export_csv(book),
            "backup": lambda: backup(book, target),
            "track record": lambda: track_record(book, TrackRecordWish()),
        }
        for name, work in exports.items():
            took = timed(work)
            by_board[name] = took.own_s / count
            say(name, took, f"{1e6 * by_board[name]:.0f} µs for a board")
    say("open", timed(lambda: open_book(place).close(), 5))
    return lists, by_board


def measure_import(place: str, count: int) -> None:
    """Time taking a document in, and taking it in once more."""
    with open_book(place) as book:
        fill(book, many_boards(template(), count))
        text = export_text(book)
    print(f"{count} boards of {CELLS} cells in a document of {len(text) / 1e6:.1f} MB")
    with open_book(f"{place}.other" if "://" not in place else place) as book:
        for name in ("import", "import again"):
            took = timed(lambda: import_text(book, text, when=EVENING))
            say(name, took, f"{1e6 * took.own_s / count:.0f} µs for a board")


def main() -> None:
    """Read the command line, measure a small and a large logbook, print the figures."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--boards", type=int, default=10_000)
    words.add_argument("--database", choices=["sqlite", "postgresql"], default="sqlite")
    given = words.parse_args()
    server = None
    if given.database == "postgresql":
        programs = find_programs() or sys.exit(HOW_TO_INSTALL)
        server = Server(Path(str(programs)))
    every: list[Took] = []
    per_board: list[dict[str, float]] = []
    try:
        with tempfile.TemporaryDirectory() as folder:

            def place(name: str) -> str:
                return server.new_place() if server else f"{folder}/{name}.sqlite3"

            for count in (given.boards // 4, given.boards):
                lists, by_board = measure(place(f"book {count}"), count, Path(folder))
                every += lists
                per_board.append(by_board)
            measure_import(place("import"), given.boards // 40)
    finally:
        if server:
            server.remove()
    few, many = per_board
    growth = ", ".join(f"{name} {many[name] / few[name]:.2f}" for name in few)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"own time for a board with four times as many boards (1 is linear): {growth}")
    slowest, own = max(took.wall_s for took in every), max(took.own_s for took in every)
    print(f"most memory {most:.0f} MB")
    print(f"slowest list or search {slowest:.2f} s by the clock, {own:.2f} s in this process alone;"
          f" wanted under {LIMIT_S} s")  # fmt: skip
    sys.exit(slowest >= LIMIT_S)


if __name__ == "__main__":
    main()
