"""Taps: stored once however often they are sent, and nobody's reading is lost to another's."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from workshop_records import BENCH, BIRCH, EVENING, later, some_grid

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book
from calib.logbook.taps import CellChanged
from calib.records import Reading

FRESH = Reading(cell="A1")


@pytest.fixture
def board(book: Book) -> Book:
    """A logbook with the planned board AB12 of six cells."""
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    book.add_board(some_grid(), when=EVENING)
    return book


def test_a_tap_is_stored_and_leaves_the_rest_of_the_cell(board: Book) -> None:
    first = board.tap(
        "AB12", "key-00001", Reading(cell="A1", through="through"), seen=FRESH, when=later(1)
    )
    assert first.stored
    second = board.tap(
        "AB12", "key-00002", Reading(cell="A1", char=2), seen=first.reading, when=later(2)
    )
    assert second.reading == Reading(cell="A1", through="through", char=2)
    assert board.readings("AB12") == (second.reading,)


def test_the_same_tap_sent_again_is_stored_once_even_after_a_correction(board: Book) -> None:
    through, hanging = (Reading(cell="A1", through=word) for word in ("through", "hanging"))
    board.tap("AB12", "key-00001", through, seen=FRESH, when=later(1))
    board.tap("AB12", "key-00002", hanging, seen=through, when=later(2))
    late = board.tap("AB12", "key-00001", through, seen=FRESH, when=later(3))
    assert (late.stored, late.again, late.reading.through) == (False, True, "hanging")
    lines = board.history("bench", "birch 3", "cut")
    assert [line.reading.through for line in lines if line.reading] == ["through", "hanging"]


def test_what_somebody_else_read_is_not_replaced_unseen(board: Book) -> None:
    board.tap("AB12", "key-00001", Reading(cell="A1", char=3), seen=FRESH, when=later(1))
    other = Reading(cell="A1", char=1)
    with pytest.raises(CellChanged, match="A1 was read by somebody else") as refused:
        board.tap("AB12", "key-00002", other, seen=FRESH, when=later(2))
    assert refused.value.reading.char == 3
    known = refused.value.reading
    assert board.tap("AB12", "key-00003", other, seen=known, when=later(3)).stored
    assert board.readings("AB12")[0].char == 1


def test_two_may_read_different_things_of_one_cell(board: Book) -> None:
    board.tap("AB12", "key-00001", Reading(cell="A1", through="through"), seen=FRESH, when=EVENING)
    board.tap("AB12", "key-00002", Reading(cell="A1", char=2), seen=FRESH, when=EVENING)
    assert board.readings("AB12") == (Reading(cell="A1", through="through", char=2),)


def test_an_empty_reading_says_that_the_cell_was_not_read(board: Book) -> None:
    through = Reading(cell="A1", through="through", note="knot")
    board.tap("AB12", "key-00001", through, seen=FRESH, when=later(1))
    with pytest.raises(CellChanged, match="A1"):
        board.tap("AB12", "key-00002", FRESH, seen=FRESH, when=later(2))
    assert board.tap("AB12", "key-00003", FRESH, seen=through, when=later(3)).stored
    assert board.readings("AB12") == ()
    assert not board.tap("AB12", "key-00004", FRESH, seen=FRESH, when=later(4)).stored


def test_a_tap_is_taken_back_once_and_only_its_own(board: Book) -> None:
    for key, cell in (("key-00001", "A1"), ("key-00002", "A2")):
        reading = Reading(cell=cell, through="no")
        board.tap("AB12", key, reading, seen=Reading(cell=cell), when=later(1))
    (back,) = board.take_back_tap("AB12", "key-00003", "key-00001", when=later(2))
    assert (back.stored, back.reading) == (True, FRESH)
    (again,) = board.take_back_tap("AB12", "key-00003", "key-00001", when=later(3))
    assert (again.stored, again.again) == (False, True)
    assert board.readings("AB12") == (Reading(cell="A2", through="no"),)
    assert board.take_back_tap("AB12", "key-00004", "key-unknown", when=later(4)) == ()


def test_a_tap_that_was_corrected_since_is_not_taken_back(board: Book) -> None:
    through, hanging = (Reading(cell="A1", through=word) for word in ("through", "hanging"))
    board.tap("AB12", "key-00001", through, seen=FRESH, when=later(1))
    board.tap("AB12", "key-00002", hanging, seen=through, when=later(2))
    with pytest.raises(CellChanged, match="A1"):
        board.take_back_tap("AB12", "key-00003", "key-00001", when=later(3))
    board.take_back_tap("AB12", "key-00004", "key-00002", when=later(4))
    (first,) = board.take_back_tap("AB12", "key-00005", "key-00001", when=later(5))
    assert first.reading == FRESH


def test_many_at_once_lose_nothing(board: Book) -> None:
    cells = [cell.label for cell in board.board("AB12").cells]

    def tap(number: int) -> bool:
        cell = cells[number % len(cells)]
        given = {"through": "through"} if number < len(cells) else {"char": 1}
        return board.tap(
            "AB12",
            f"key-{number % 12:05d}",
            Reading(cell=cell, **given),  # type: ignore[arg-type]
            seen=Reading(cell=cell),
            when=later(number),
        ).stored

    with ThreadPoolExecutor(8) as pool:
        stored = list(pool.map(tap, [*range(12), *range(12)]))
    assert sum(stored) == 12
    assert [(r.through, r.char) for r in board.readings("AB12")] == [("through", 1)] * 6


@pytest.mark.parametrize("key", ["short", "with space here", "ä" * 9, "x" * 65])
def test_a_key_that_is_none_is_refused(board: Book, key: str) -> None:
    with pytest.raises(InvalidRecord, match=f"key is '{key}'"):
        board.tap("AB12", key, FRESH, seen=FRESH, when=EVENING)


def test_an_unknown_board_or_cell_is_refused(board: Book) -> None:
    with pytest.raises(LogbookError, match="ZZ99"):
        board.tap("ZZ99", "key-00001", FRESH, seen=FRESH, when=EVENING)
    with pytest.raises(InvalidRecord, match="'Z1'"):
        board.tap("AB12", "key-00001", Reading(cell="Z1"), seen=FRESH, when=EVENING)


def test_what_changes_the_evidence_is_told_from_what_does_not(board: Book) -> None:
    before = board.newest_evidence()
    board.add_note("swept the bed", when=later(1), board_id="AB12")
    board.attach("AB12", "a.png", b"\x89PNG\r\n\x1a\n", when=later(1))
    assert board.newest_evidence() == before
    board.tap("AB12", "key-00001", Reading(cell="A1", through="no"), seen=FRESH, when=later(2))
    tapped = board.newest_evidence()
    board.take_back_tap("AB12", "key-00002", "key-00001", when=later(3))
    assert before < tapped < board.newest_evidence()
