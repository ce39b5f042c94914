"""Machines and sheets in the logbook: every set-up and lot stays, and nothing twice."""

from __future__ import annotations

import dataclasses
from datetime import datetime

import pytest
from workshop_records import BENCH, BIRCH, EVENING, later

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book
from calib.records import Machine, Sheet


def test_a_machine_comes_back_as_it_was_given(book: Book) -> None:
    other = Machine(name="Ärger & Söhne", rated_w=5.5, bed_mm=(400.0, 400.0), max_speed_mm_s=166.7,
                    source="diode", ceiling_pct=95.0, origin="upper_left", y_up=False,
                    offset_mm=(1.5, -0.1), power_word_full=1000.0, air_on_word="M8")  # fmt: skip
    book.add_machine(BENCH, when=EVENING)
    book.add_machine(other, when=EVENING)
    assert book.machine("bench") == BENCH
    assert set(book.machines()) == {BENCH, other}


def test_the_same_machine_again_adds_nothing_and_another_one_is_refused(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    book.add_machine(BENCH, when=later(5))
    assert len(book.setups("bench")) == 1
    with pytest.raises(LogbookError, match="'bench' with another set-up"):
        book.add_machine(dataclasses.replace(BENCH, rated_w=80.0), when=later(6))
    assert book.machine("bench") == BENCH


def test_every_set_up_of_a_machine_stays_in_the_book(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING, why="new")
    book.change_setup("bench", when=later(1), what="lens", why="50 mm", lens_mm=50.8)
    book.change_setup("bench", when=later(2), what="tube")
    entries = book.setups("bench")
    assert [entry.what for entry in entries] == ["first", "lens", "tube"]
    assert [entry.machine.lens_mm for entry in entries] == [None, 50.8, 50.8]
    assert [entry.since for entry in entries] == [EVENING, later(1), later(2)]
    assert [entry.note for entry in entries] == ["new", "50 mm", ""]
    assert book.machine("bench") == dataclasses.replace(BENCH, lens_mm=50.8)


def test_a_wrong_change_of_a_set_up_is_refused(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    with pytest.raises(InvalidRecord, match="what is 'paint'"):
        book.change_setup("bench", when=later(1), what="paint")  # type: ignore[arg-type]
    with pytest.raises(InvalidRecord, match="no field 'colour'"):
        book.change_setup("bench", when=later(1), what="other", colour="red")
    with pytest.raises(InvalidRecord, match="no field 'name'"):
        book.change_setup("bench", when=later(1), what="other", name="bank")
    with pytest.raises(InvalidRecord, match=r"lens_mm is -1"):
        book.change_setup("bench", when=later(1), what="lens", lens_mm=-1)
    assert len(book.setups("bench")) == 1


def test_a_new_lot_or_measurement_is_a_new_version_of_the_sheet(book: Book) -> None:
    book.add_sheet(BIRCH, when=EVENING)
    book.add_sheet(BIRCH, when=later(1))
    measured = dataclasses.replace(BIRCH, measured_mm=2.85)
    book.add_sheet(measured, when=later(2), why="caliper")
    book.add_sheet(dataclasses.replace(measured, lot="L2"), when=later(3))
    entries = book.lots("birch 3")
    assert [(e.sheet.lot, e.sheet.measured_mm) for e in entries] == [
        ("L1", None), ("L1", 2.85), ("L2", 2.85),
    ]  # fmt: skip
    assert book.sheet("birch 3").lot == "L2"
    with pytest.raises(LogbookError, match="not MDF, 3 mm"):
        book.add_sheet(dataclasses.replace(BIRCH, material="MDF"), when=later(4))
    with pytest.raises(LogbookError, match="not Birch plywood, 4 mm"):
        book.add_sheet(dataclasses.replace(BIRCH, thickness_mm=4.0), when=later(4))


def test_what_is_not_there_is_named_with_what_is_near(pair: Book) -> None:
    with pytest.raises(LogbookError, match="no machine 'bensh' in the logbook; there is 'bench'"):
        pair.machine("bensh")
    with pytest.raises(LogbookError, match="no sheet 'oak' in the logbook; there is 'birch 3'"):
        pair.sheet("oak")
    with pytest.raises(LogbookError, match="no board 'AB21' in the logbook; there is 'AB12'"):
        pair.board("AB21")


def test_an_empty_logbook_says_that_there_is_nothing(book: Book) -> None:
    with pytest.raises(LogbookError, match="no machine 'bench' in the logbook, nor any other"):
        book.machine("bench")
    assert book.machines() == ()
    assert book.sheets() == ()
    assert book.kept() == ()
    assert book.boards().total == 0


@pytest.mark.parametrize("when", [datetime(2026, 3, 1), "2026-03-01"])  # noqa: DTZ001
def test_a_time_without_a_zone_is_refused(book: Book, when: datetime) -> None:
    with pytest.raises(InvalidRecord, match="2026.*with its zone"):
        book.add_machine(BENCH, when=when)
    assert book.machines() == ()


def test_words_that_cannot_be_kept_are_refused(pair: Book) -> None:
    with pytest.raises(InvalidRecord, match=r"why is 'a\\x00b'"):
        pair.change_setup("bench", when=later(1), what="lens", why="a\x00b")
    with pytest.raises(InvalidRecord, match="at most 2000 characters"):
        pair.change_setup("bench", when=later(1), what="lens", why="x" * 2001)
    with pytest.raises(InvalidRecord, match=r"udc80.*give a name"):
        pair.add_sheet(Sheet(name="oak \udc80", material="oak", thickness_mm=3.0), when=later(1))
