"""Searching: by words, material, thickness, machine, date and outcome; newest first, by pages."""

from __future__ import annotations

import dataclasses

import pytest
from workshop_records import BENCH, BIRCH, EVENING, JOB, later, some_grid

from calib.errors import InvalidRecord
from calib.logbook import Book, Filters
from calib.records import Burn, Reading, Sheet

ATTIC = dataclasses.replace(BENCH, name="Dachboden Ö")
MDF = Sheet(name="mdf 6", material="MDF", thickness_mm=6.35, measured_mm=6.0, lot="K 100%")


@pytest.fixture
def stock(book: Book) -> Book:
    """Five boards of two pairs, a job and a check strip, one hour after the other."""
    for machine in (BENCH, ATTIC):
        book.add_machine(machine, when=EVENING)
    for sheet in (BIRCH, MDF):
        book.add_sheet(sheet, when=EVENING)
    for hour, code in enumerate(("B1", "B2", "B3"), start=1):
        book.add_board(some_grid(code), when=later(60 * hour))
    for hour, code in enumerate(("M1", "M2"), start=4):
        board = dataclasses.replace(some_grid(code, machine=ATTIC, sheet=MDF), round=hour)
        book.add_board(board, when=later(60 * hour))
    book.record("B1", [Reading(cell="A1", through="through", char=1),
                       Reading(cell="A2", through="through", char=1),
                       Reading(cell="A3", through="no", note="knot, 50% glue_pocket")],
                when=later(400))  # fmt: skip
    book.record("B2", [Reading(cell="A1", through="hanging", char=2)], when=later(401))
    book.add_job("bench", "birch 3", JOB, when=later(420), note="drawer fronts")
    strip = Burn(operation="cut", power_pct=50.0, speed_mm_s=15.0, char=3, source="check_strip")
    book.add_job("Dachboden Ö", "mdf 6", [strip], when=later(430))
    return book


def found(book: Book, **wanted: object) -> list[str]:
    """Search, and give the codes of boards and the kinds of the rest."""
    entries = book.search(Filters(**wanted)).entries  # type: ignore[arg-type]
    return [entry.id if entry.kind == "board" else entry.kind for entry in entries]


def test_everything_is_listed_newest_first(stock: Book) -> None:
    everything = ["check_strip", "job", "M2", "M1", "B3", "B2", "B1"]
    assert found(stock) == everything
    assert [entry.id for entry in stock.boards().entries] == everything[2:]


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ({"text": "drawer"}, ["job"]),
        ({"text": "KNOT glue"}, ["B1"]),
        ({"text": "knot drawer"}, []),
        ({"text": "dachboden ö m2"}, ["M2"]),
        ({"text": "ÖCH"}, []),
        ({"text": "50%"}, ["B1"]),
        ({"text": "100%"}, ["check_strip", "M2", "M1"]),
        ({"text": "glue_p"}, ["B1"]),
        ({"text": "glue.p"}, []),
        ({"text": "'; DROP TABLE boards; --"}, []),
        ({"material": " mdf "}, ["check_strip", "M2", "M1"]),
        ({"material": "oak"}, []),
        ({"thickness_mm": 6.4}, ["check_strip", "M2", "M1"]),
        ({"thickness_mm": 6.0}, ["check_strip", "M2", "M1"]),
        ({"thickness_mm": 3.2}, []),
        ({"machine": "bench"}, ["job", "B3", "B2", "B1"]),
        ({"sheet": "birch 3", "since": later(120)}, ["job", "B3", "B2"]),
        ({"until": later(120)}, ["B1"]),
        ({"since": later(120), "until": later(180)}, ["B2"]),
        ({"outcome": "through"}, ["job", "B1"]),
        ({"outcome": "hanging"}, ["job", "B2"]),
        ({"outcome": "no"}, ["B1"]),
        ({"outcome": "char 1"}, ["B1"]),
        ({"outcome": "char 3"}, ["check_strip"]),
        ({"outcome": "mark 2"}, []),
        ({"outcome": "unread"}, ["M2", "M1", "B3"]),
        ({"operation": "cut", "kinds": ("job",)}, ["job"]),
        ({"operation": "line_mark"}, []),
        ({"kinds": ("note",)}, []),
    ],
)
def test_what_fits_is_found(stock: Book, wanted: dict[str, object], expected: list[str]) -> None:
    assert found(stock, **wanted) == expected


def test_pages_go_through_everything_once(stock: Book) -> None:
    pages = [stock.search(limit=3, offset=offset) for offset in (0, 3, 6, 9)]
    assert [page.total for page in pages] == [7] * 4
    assert [len(page.entries) for page in pages] == [3, 3, 1, 0]
    assert sum((page.entries for page in pages), ()) == stock.search().entries


def test_an_entry_counts_what_was_planned_and_read(stock: Book) -> None:
    (board,) = [entry for entry in stock.boards().entries if entry.id == "B1"]
    assert (board.cells, board.read, board.round) == (6, 3, 1)
    assert list(board.outcomes.items()) == [("through", 2), ("no", 1), ("char 1", 2)]
    assert (board.machine, board.sheet, board.lot) == ("bench", "birch 3", "L1")
    (job,) = stock.search(Filters(kinds=("job",))).entries
    assert (job.cells, job.read, job.outcomes) == (40, 40, {"hanging": 2, "through": 38})


def test_a_corrected_outcome_is_no_longer_found(stock: Book) -> None:
    stock.record("B2", [Reading(cell="A1", through="through")], when=later(500), why="misread")
    assert found(stock, outcome="hanging") == ["job"]
    stock.strike_out("B2", ["A1"], when=later(501), why="other board")
    assert found(stock, outcome="unread") == ["M2", "M1", "B3", "B2"]
    stock.undo(when=later(502), machine="bench", sheet="birch 3")
    stock.undo(when=later(503), machine="bench", sheet="birch 3")
    stock.undo(when=later(504), machine="bench", sheet="birch 3")
    assert found(stock, kinds=("job",)) == []


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"outcome": "char 7"}, "outcome is 'char 7'"),
        ({"kinds": ("boards",)}, "kind is 'boards'"),
    ],
)
def test_a_wrong_filter_is_refused(wanted: dict[str, object], words: str) -> None:
    with pytest.raises(InvalidRecord, match=words):
        Filters(**wanted)  # type: ignore[arg-type]


def test_a_wrong_page_is_refused(stock: Book) -> None:
    with pytest.raises(InvalidRecord, match="limit is 0"):
        stock.search(limit=0)
    with pytest.raises(InvalidRecord, match="limit is 1001"):
        stock.search(limit=1001)
    with pytest.raises(InvalidRecord, match="offset is -1"):
        stock.search(offset=-1)
