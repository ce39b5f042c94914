"""Logbooks with something in them: of one machine and sheet, and of everything."""

from __future__ import annotations

import dataclasses

import pytest
from workshop_records import ADVICE, BENCH, BIRCH, EVENING, JOB, SETTING, later, some_grid

from calib.logbook import Book, Session
from calib.records import Reading

JPEG = b"\xff\xd8\xff\xe0picture"


@pytest.fixture
def pair(book: Book) -> Book:
    """A logbook with one machine, one sheet and one planned board."""
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    book.add_board(some_grid(), when=EVENING, forecasts={"A1": {"through": 0.83}})
    return book


def fill(book: Book) -> None:
    """Put something of everything into a logbook."""
    book.add_machine(BENCH, when=EVENING, why="new")
    book.change_setup("bench", when=later(1), what="lens", lens_mm=50.8)
    book.add_session("bench", Session(label="monday", air=True, support="pins"), when=later(1))
    book.add_sheet(BIRCH, when=EVENING)
    book.add_sheet(dataclasses.replace(BIRCH, measured_mm=2.9), when=later(1))
    book.add_board(some_grid(), when=later(2), forecasts={"A1": {"through": 0.83}})
    book.record("AB12", [Reading(cell="A1", through="no")], when=later(3), session="monday")
    book.record("AB12", [Reading(cell="A1", through="hanging")], when=later(4), why="misread")
    book.undo(when=later(5), board_id="AB12")
    kept = book.keep("bench", "birch 3", "cut", SETTING, when=later(6), advice=ADVICE)
    book.add_job("bench", "birch 3", JOB, when=later(7), kept_id=kept)
    book.store("comb", {"stock_mm": 3.02}, when=later(7), machine="bench", sheet="birch 3")
    book.keep("bench", "birch 3", "line_mark", SETTING, when=later(8))
    book.attach("AB12", "a1.jpg", JPEG, when=later(9), cell="A1")
    book.add_note("=cmd|' /C calc'!A0\nsecond line", when=later(10), board_id="AB12")
    book.undo(when=later(11), machine="bench", sheet="birch 3")


@pytest.fixture
def full(book: Book) -> Book:
    """A logbook with something of everything, on each kind of database."""
    fill(book)
    return book
