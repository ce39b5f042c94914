"""Readers that store: nothing may be in the logbook afterwards that came from a bad input."""

from __future__ import annotations

import contextlib
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import grammars
import sqlalchemy as sa
from hostile import edit_json
from tally import Reader
from typer.main import get_command
from workshop_records import ADVICE, BENCH, BIRCH, EVENING, JOB, SETTING, later, some_grid

from calib.cli import app
from calib.errors import BadFile, CalibError, InvalidRecord
from calib.logbook import Book, Session, export_text, ledger, open_book
from calib.logbook.exchange import check_entries, read_lines
from calib.records import Reading
from calib.tasks.keeping import import_book
from calib.tasks.results import CellByCell, record_readings

# A logbook is made anew after so many inputs that it took in, so that it stays small.
TAKEN_IN = 40
# Words that would write files wherever they name, read them, or serve for ever.
_LEFT_OUT = {"--into", "--picture", "--book", "serve", "backup", "restore", "export", "import",
             "files", "plan", "region", "recommend", "attach", "--help", "read"}  # fmt: skip


def book_readers(folder: Path) -> tuple[Reader, ...]:
    """Readers of whole logbooks and of what goes into one."""
    bench = _Bench(folder)
    document = bench.document
    words = ("bench", "birch 3", "AB12", "A1", "cut", "2026-03-01T18:05:00.000000Z", "{}", "[]")

    def make(random: Random) -> bytes:
        lines = document.splitlines()
        place = random.randrange(len(lines))
        lines[place] = edit_json(lines[place], random, words)
        if random.random() < 0.9:
            lines[place] = _with_its_own_id(lines[place])
        return "\n".join(lines).encode("utf-8", "surrogatepass")

    exchange = {
        "grammar": {"start": ("{}",)},
        "make": make,
        "examples": (document.encode(),),
        "words": words,
        "longest": 20_000,
    }
    results = {
        "grammar": grammars.RESULTS,
        "examples": (b"cell,through,char,mark,note,board\r\nA1,no,,,,AB12\r\n",),
        "words": ("cell", "through", "A1", "hanging", ",", ";"),
    }
    return (
        Reader(name="logbooks (lines of JSON)", share=4, read=_check, **exchange),
        Reader(name="logbooks, into one", share=0.4, read=bench.import_document, **exchange),
        Reader(name="results, into a logbook", share=0.4, read=bench.record, **results),
        Reader(
            name="answers at the prompt",
            share=0.4,
            read=bench.answer,
            grammar={"start": ("$word\n$start", "$word"), "word": ("t", "no", "2", "", "$text")},
            examples=(b"t\n2\nn",),
            words=("t", "h", "n", "\n", "0", "through"),
            longest=100,
            longest_sent=2000,
        ),
        Reader(
            name="command lines",
            share=0.4,
            read=bench.run,
            grammar=grammars.COMMAND,
            examples=(
                b"board\nshow\nlast",
                b"book\ncosts\n--machine-hour\n12",
                b"book\nhistory\nbirch 3",
            ),
            words=("\n", "--note", "--why", "--json", "bench", "birch 3"),
            longest=600,
            longest_sent=3000,
        ),
    )


def _check(data: bytes) -> None:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFile("The file isn't text in UTF-8: export it anew.") from None
    said, pictures = read_lines(text)
    engine = sa.create_engine("sqlite://")
    with engine.connect() as connection:
        ledger.make_tables(connection)
        check_entries(connection, said, pictures)
    engine.dispose()


def _with_its_own_id(line: str) -> str:
    """An edited entry under the id of what it says now, so that more than the id is looked at."""
    try:
        document = json.loads(line)
        document.pop("id")
        entry = ledger.Entry(**{**document, "replaces": tuple(document["replaces"])})
        return ledger.canonical({"id": entry.id, **entry.document()})
    except (ValueError, TypeError, KeyError, AttributeError):
        return line


def fill(book: Book) -> None:
    """Put something of everything into a logbook."""
    book.add_machine(BENCH, when=EVENING, why="new")
    book.change_setup("bench", when=later(1), what="lens", lens_mm=50.8)
    book.add_session("bench", Session(label="monday", air=True, support="pins"), when=later(1))
    book.add_sheet(BIRCH, when=EVENING)
    book.add_board(some_grid(), when=later(2), forecasts={"A1": {"through": 0.83}})
    book.record("AB12", [Reading(cell="A1", through="no")], when=later(3), session="monday")
    kept = book.keep("bench", "birch 3", "cut", SETTING, when=later(6), advice=ADVICE)
    book.add_job("bench", "birch 3", JOB, when=later(7), kept_id=kept)
    book.keep("bench", "birch 3", "line_mark", SETTING, when=later(8))
    book.attach("AB12", "a1.jpg", b"\xff\xd8\xff\xe0", when=later(9), cell="A1")
    book.add_note("a note", when=later(10), board_id="AB12")
    book.store("comb", {"stock_mm": 3.02}, when=later(10), machine="bench", sheet="birch 3")


class _Bench:
    """Logbooks to try things on."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "tried.sqlite3"
        self.taken_in = TAKEN_IN
        with open_book(folder / "model.sqlite3") as book:
            if not book.machines():
                fill(book)
            self.document = export_text(book)
        self.model = (folder / "model.sqlite3").read_bytes()

    def import_document(self, data: bytes) -> None:
        """Take another logbook's file in."""
        with self._unchanged_if_refused() as book:
            import_book(book, data, when=later(20))

    def record(self, data: bytes) -> None:
        """Take a result file down."""
        with self._unchanged_if_refused() as book:
            record_readings(book, some_grid(), data, when=later(20), session="s", why="")

    def answer(self, data: bytes) -> None:
        """Answer what is asked of each cell, a line at a time."""
        with self._unchanged_if_refused() as book:
            cells = CellByCell(book, some_grid(), "s")
            first, _, _ = data.decode("utf-8", "surrogateescape").partition("\n")
            if cells.question:
                cells.answer(first, later(20))

    def run(self, data: bytes) -> None:
        """Run a command line on a logbook."""
        words = data.decode("utf-8", "surrogateescape").split("\n")
        if _LEFT_OUT & {word.partition("=")[0] for word in words} or words[0].startswith("-"):
            raise InvalidRecord("Such a command is left out here.")
        with self._unchanged_if_refused():
            code, error = _typed(words, self.path)
            if code:
                assert code in (1, 2), f"ended with {code}"
                assert code == 2 or error.count("\n") == 1, f"said {error!r}"
                raise InvalidRecord(
                    error.strip() if code == 1 else "The command was typed wrongly."
                )

    @contextlib.contextmanager
    def _unchanged_if_refused(self) -> Iterator[Book]:
        if self.taken_in >= TAKEN_IN:
            for left in self.path.parent.glob(f"{self.path.name}*"):
                left.unlink()
            self.path.write_bytes(self.model)
            self.taken_in = 0
        with open_book(self.path) as book:
            before = rows(book)
            try:
                yield book
            except CalibError:
                after = rows(book)
                assert after == before, f"{after} rows, {before} before what was refused"
                raise
        self.taken_in += 1


def rows(book: Book) -> list[int]:
    """How many rows each table has."""
    with book.look() as connection:
        count = sa.func.count()
        tables = ledger.metadata.sorted_tables
        return [connection.execute(sa.select(count).select_from(t)).scalar_one() for t in tables]


_PROGRAM: list[Any] = []


def _typed(words: list[str], book: Path) -> tuple[int, str]:
    """What a command line ends with, and what it complains about."""
    if not _PROGRAM:
        _PROGRAM.append(get_command(app))
    os.environ["CALIB_BOOK"] = str(book)
    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        try:
            _PROGRAM[0].main(words, prog_name="calib")
        except SystemExit as end:
            code = end.code
    return int(code or 0), complained.getvalue()
