"""How fast a large logbook is: lists, searches and exports, measured and printed.

    python tests/benchmarks/logbook_speed.py [--boards 10000] [--database sqlite|postgresql]

Lists and searches are warm: the median of five runs after a first one. Everything is invented, from
seed 0. Ends with 1 when a list or search takes longer than the limit.
"""

from __future__ import annotations

import argparse
import dataclasses
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
    document_text,
    export_csv,
    export_json,
    import_json,
    open_book,
    read_document,
)
from calib.logbook.layout import Document, all_parts, read_rows  # noqa: E402
from calib.logbook.tables import metadata  # noqa: E402
from calib.records import Reading  # noqa: E402
from calib.tasks.looking_back import track_record  # noqa: E402
from calib.tasks.wishes import TrackRecordWish  # noqa: E402

MACHINES, SHEETS, CELLS = 10, 100, 18
LIMIT_S = 0.3
# Boards go round by machines, then by sheets: of this pair a small book has boards too.
PAIR_SHEET = 4


def template() -> Document:
    """Make a document with every machine and sheet, and one read board to copy."""
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
        book.record("T", readings, when=EVENING, sitting="monday")
        return export_json(book)


def many_boards(document: Document, count: int) -> Document:
    """Copy the board of a document, each time for another pair, under ids of its own."""
    (board,) = document["boards"]
    changes = {change["id"]: change for change in document["changes"]}
    made = {name: changes[row["change_id"]] for name, row in
            (("board", board), ("reading", board["readings"][0]))}  # fmt: skip
    used = {change["id"] for change in made.values()}
    document["changes"] = [c for c in document["changes"] if c["id"] not in used]
    document["boards"] = []
    for number in range(count):
        machine = document["machines"][number % MACHINES]
        sheet = document["sheets"][number // MACHINES % SHEETS]
        at = later(60 * number).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        pair = {"machine_id": machine["id"], "sheet_id": sheet["id"]}
        for kind, change in made.items():
            new = {**change, **pair, "id": an_id(kind, number), "board_id": an_id("b", number)}
            document["changes"].append({**new, "at": at})
        setup = machine["setups"][0]["id"]
        document["boards"].append({
            **board, **pair,
            "id": an_id("b", number), "code": f"B{number:05d}", "planned_at": at,
            "machine": machine["setups"][0]["record"], "sheet": sheet["versions"][0]["record"],
            "change_id": an_id("board", number),
            "readings": [
                {**reading, "id": an_id(f"r{index}", number), "setup_id": setup,
                 "change_id": an_id("reading", number), "at": at}
                for index, reading in enumerate(board["readings"])
            ],
        })  # fmt: skip
    return document


def an_id(kind: str, number: int) -> str:
    """Make an id of the right form."""
    return f"{sum(kind.encode()) * 7919 + len(kind):08x}-0000-5000-8000-{number:012x}"


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


def fill(book: Book, document: Document) -> None:
    """Put the rows of a document into an empty logbook, as quickly as the database takes them."""
    rows = read_rows(document)
    chains = {part.table.name for part in all_parts() if part.slot}
    with book.change() as connection:
        for table in metadata.sorted_tables:
            turn = {"turn": 1} if table.name in chains else {}
            found = [{**row, **turn} for row in rows.get(table.name, [])]
            if found:
                connection.execute(table.insert(), found)


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
    others: dict[str, Callable[[], object]] = {
        "last page": lambda: book.search(offset=max(count - 50, 0)),
        "burns of a pair": lambda: book.burns(*pair),
        "history of a pair": lambda: book.history(*pair),
        "settled": lambda: book.settled(*pair),
    }
    for name, work in others.items():
        work()
        took = timed(work, 5)
        every.append(took)
        say(name, took)
    return every


def measure(place: str, count: int, folder: Path) -> tuple[list[Took], dict[str, float]]:
    """Fill a logbook with boards, print what each thing takes: lists, and exports by board."""
    document = many_boards(template(), count)
    by_board = {}
    with open_book(place) as book:
        print(f"{count} boards of {CELLS} cells")
        fill(book, document)
        lists = measure_lists(book, count)
        target = folder / f"backup-{count}.sqlite3"
        exports: dict[str, Callable[[], object]] = {
            "export JSON": lambda: document_text(export_json(book)),
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
    text = document_text(many_boards(template(), count))
    print(f"{count} boards of {CELLS} cells in a document of {len(text) / 1e6:.1f} MB")
    say("read", timed(lambda: read_document(text)))
    document = read_document(text)
    with open_book(place) as book:
        for name in ("import", "import again"):
            took = timed(lambda: import_json(book, document, when=EVENING))
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
