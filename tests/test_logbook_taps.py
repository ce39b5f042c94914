"""Taps: stored once however often they are sent, and nobody's reading is lost to another's."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor

import pytest
from workshop_records import EVENING, later, some_grid

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book, CellChanged
from calib.records import Reading

FRESH = Reading(cell="A1")


def read(through: str | None = None, char: int | None = None, note: str = "") -> Reading:
    """What one look at A1 says."""
    return Reading(cell="A1", through=through, char=char, note=note)  # type: ignore[arg-type]


def said(book: Book, code: str = "AB12") -> set[tuple[str | None, int | None]]:
    """What counts of A1, or the looks that stand apart."""
    looked = book.looks(code)["A1"]
    return {(one.reading.through, one.reading.char) for one in looked.apart or (looked,)}


def test_a_tap_is_one_look_whole(pair: Book) -> None:
    first = pair.tap("AB12", "key-00001", read("through", 2), when=later(1))
    assert first.stored
    assert pair.readings("AB12") == (read("through", 2),)
    # Char on a coupon that isn't cut was a slip: the correction doesn't keep it.
    second = pair.tap("AB12", "key-00002", read("no"), saw=first.looked.id, when=later(2))
    assert second.reading == read("no")
    assert pair.readings("AB12") == (read("no"),)


def test_the_same_tap_sent_again_is_stored_once_even_after_a_correction(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read("through"), when=later(1))
    pair.tap("AB12", "key-00002", read("hanging"), saw="key-00001", when=later(2))
    late = pair.tap("AB12", "key-00001", read("through"), when=later(3))
    assert (late.stored, late.again, late.reading.through) == (False, True, "hanging")
    lines = pair.history("bench", "birch 3", "cut")
    assert [line.reading.through for line in lines if line.reading] == ["through", "hanging"]


def test_no_reading_is_made_of_two_looks(pair: Book) -> None:
    """One says free and tan, the other not cut; "not cut, tan" was said by nobody."""
    pair.tap("AB12", "key-00001", read("no"), when=later(1))
    done = pair.tap("AB12", "key-00002", read("through", 1), when=later(2))
    assert done.stored
    assert said(pair) == {("no", None), ("through", 1)}
    assert pair.readings("AB12") == ()
    assert pair.burns("bench", "birch 3", "cut") == ()
    assert (done.reading, done.read) == (FRESH, 0)
    chosen = pair.tap("AB12", "key-00003", read("through", 1), saw=done.looked.id, when=later(3))
    assert chosen.looked.apart == ()
    assert pair.readings("AB12") == (read("through", 1),)
    assert len(pair.burns("bench", "birch 3", "cut")) == 1


def test_an_answer_answers_what_it_saw_and_no_more(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read("no"), when=later(1))
    asked = pair.tap("AB12", "key-00002", read("through", 1), when=later(2)).looked.id
    pair.tap("AB12", "key-00003", read("hanging", 2), when=later(3))
    assert said(pair) == {("no", None), ("through", 1), ("hanging", 2)}
    pair.tap("AB12", "key-00004", read("through", 1), saw=asked, when=later(4))
    assert said(pair) == {("through", 1), ("hanging", 2)}
    now = pair.looks("AB12")["A1"].id
    pair.tap("AB12", "key-00005", FRESH, saw=now, when=later(5))
    assert said(pair) == {(None, None)}
    assert pair.looks("AB12")["A1"].apart == ()


ONE, TWO = "key-one-1", "key-one-2"


@pytest.mark.parametrize(
    ("taps", "stand"),
    [
        # One corrects himself, offline; the other reads it otherwise.
        ([(ONE, read("no"), ""), (TWO, read("hanging", 2), ONE), ("key-other", read("no"), "")],
         {("hanging", 2), ("no", None)}),
        ([(ONE, read("no"), ""), (TWO, read("hanging", 2), ONE),
          ("key-other", read("hanging", 2), "")], {("hanging", 2)}),
        # Two correct the same look, differently; a third one only adds words.
        ([(ONE, read("no"), ""), (TWO, read("through", 1), ONE), ("key-other", read("hanging", 1),
          ONE), ("key-note1", read(note="knot"), ONE)], {("through", 1), ("hanging", 1)}),
        ([(ONE, read("no"), ""), (TWO, FRESH, ONE), ("key-other", read("hanging"), ONE)],
         {(None, None), ("hanging", None)}),
        # The same once more, then another one: what the second said was no news, but it was said.
        ([(ONE, read("no"), ""), (TWO, read("no"), ONE), ("key-one-3", read("hanging"), TWO)],
         {("hanging", None)}),
    ],
)  # fmt: skip
def test_every_order_of_arrival_ends_alike(
    pair: Book, taps: list[tuple[str, Reading, str]], stand: set[tuple[str | None, int | None]]
) -> None:
    ends = []
    for number, order in enumerate(itertools.permutations(taps)):
        code = f"BB{number:02}"
        pair.add_board(some_grid(code), when=EVENING)
        for place, (key, reading, saw) in enumerate(order):
            pair.tap(code, key, reading, saw=saw, when=later(place))
        looked = pair.looks(code)["A1"]
        ends.append((said(pair, code), looked.reading.is_empty, looked.reading.note))
    assert ends[0][0] == stand
    assert ends[0][1] == (len(stand) > 1 or stand == {(None, None)})
    assert all(end == ends[0] for end in ends)


def test_a_note_leaves_the_look_and_other_notes(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read(note="knot"), when=later(1))
    pair.tap("AB12", "key-00002", read("through", 1), when=later(2))
    assert pair.readings("AB12") == (read("through", 1, "knot"),)
    pair.tap("AB12", "key-00003", read(note="glue"), when=later(3))
    assert pair.readings("AB12") == (read("through", 1, "knot; glue"),)
    seen = pair.looks("AB12")["A1"].id
    pair.tap("AB12", "key-00004", read(note="a knot"), saw=seen, when=later(4))
    assert pair.readings("AB12") == (read("through", 1, "a knot"),)


def test_an_empty_reading_says_that_the_cell_was_not_read(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read("through", note="knot"), when=later(1))
    assert pair.tap("AB12", "key-00002", FRESH, saw="key-00001", when=later(3)).stored
    assert pair.readings("AB12") == ()
    seen = pair.looks("AB12")["A1"].id
    assert not pair.tap("AB12", "key-00003", FRESH, saw=seen, when=later(4)).stored
    assert not pair.tap("AB12", "key-00004", Reading(cell="A2"), when=later(4)).stored


def test_a_result_file_decides_between_two_only_with_a_word(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read("no"), when=later(1))
    pair.tap("AB12", "key-00002", read("through", 1), when=later(2))
    said_of_both = "A1 was read as through 'no' and as through 'through', char 1"
    with pytest.raises(LogbookError, match=said_of_both):
        pair.record("AB12", [read("hanging")], when=later(3))
    pair.record("AB12", [read("hanging")], when=later(4), why="looked again")
    assert pair.readings("AB12") == (read("hanging"),)
    assert pair.looks("AB12")["A1"].apart == ()


def test_what_a_file_says_afterwards_was_not_seen_by_a_tap_before_it(pair: Book) -> None:
    pair.record("AB12", [read("hanging", 2)], when=later(1))
    pair.tap("AB12", "key-00001", read("no"), when=later(2))
    assert said(pair) == {("hanging", 2), ("no", None)}
    assert pair.strike_out("AB12", ["A1"], when=later(3), why="slipped").corrected == 1
    assert pair.looks("AB12")["A1"].apart == ()
    assert pair.readings("AB12") == ()


def test_the_undone_half_of_a_disagreement_leaves_the_other(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read("no"), when=later(1))
    pair.tap("AB12", "key-00002", read("through", 1), when=later(2))
    pair.take_back_tap("AB12", "key-00004", "key-00002", when=later(4))
    assert pair.readings("AB12") == (read("no"),)
    pair.tap("AB12", "key-00005", read("hanging"), saw="key-00004", when=later(5))
    assert pair.readings("AB12") == (read("hanging"),)
    pair.undo(when=later(6), board_id="AB12")
    assert pair.readings("AB12") == (read("no"),)


def test_a_tap_is_taken_back_once_and_only_its_own(pair: Book) -> None:
    for key, cell in (("key-00001", "A1"), ("key-00002", "A2")):
        reading = Reading(cell=cell, through="no")
        pair.tap("AB12", key, reading, when=later(1))
    (back,) = pair.take_back_tap("AB12", "key-00003", "key-00001", when=later(2))
    assert (back.stored, back.reading) == (True, FRESH)
    (again,) = pair.take_back_tap("AB12", "key-00003", "key-00001", when=later(3))
    assert (again.stored, again.again) == (False, True)
    assert pair.readings("AB12") == (Reading(cell="A2", through="no"),)
    assert pair.take_back_tap("AB12", "key-00004", "key-unknown", when=later(4)) == ()


def test_a_tap_that_was_corrected_since_is_not_taken_back(pair: Book) -> None:
    pair.tap("AB12", "key-00001", read("through"), when=later(1))
    pair.tap("AB12", "key-00002", read("hanging"), saw="key-00001", when=later(2))
    with pytest.raises(CellChanged, match="A1"):
        pair.take_back_tap("AB12", "key-00003", "key-00001", when=later(3))
    pair.take_back_tap("AB12", "key-00004", "key-00002", when=later(4))
    (first,) = pair.take_back_tap("AB12", "key-00005", "key-00001", when=later(5))
    assert first.reading == FRESH


def test_many_at_once_lose_nothing(pair: Book) -> None:
    cells = [cell.label for cell in pair.board("AB12").cells]

    def tap(number: int) -> bool:
        cell = cells[number % len(cells)]
        given = {"through": "through", "char": 1} if number < len(cells) else {"note": "knot"}
        return pair.tap(
            "AB12",
            f"key-{number % 12:05d}",
            Reading(cell=cell, **given),  # type: ignore[arg-type]
            when=later(number),
        ).stored

    with ThreadPoolExecutor(8) as pool:
        stored = list(pool.map(tap, [*range(12), *range(12)]))
    assert sum(stored) == 12
    assert [(r.through, r.char, r.note) for r in pair.readings("AB12")] == [
        ("through", 1, "knot")
    ] * 6


@pytest.mark.parametrize("key", ["short", "with space here", "ä" * 9, "x" * 65])
def test_a_key_that_is_none_is_refused(pair: Book, key: str) -> None:
    with pytest.raises(InvalidRecord, match=f"key is '{key}'"):
        pair.tap("AB12", key, FRESH, when=EVENING)


def test_an_unknown_board_or_cell_is_refused(pair: Book) -> None:
    with pytest.raises(LogbookError, match="ZZ99"):
        pair.tap("ZZ99", "key-00001", FRESH, when=EVENING)
    with pytest.raises(InvalidRecord, match="'Z1'"):
        pair.tap("AB12", "key-00001", Reading(cell="Z1"), when=EVENING)


def test_what_changes_the_evidence_is_told_from_what_does_not(pair: Book) -> None:
    before = pair.newest_evidence()
    pair.add_note("swept the bed", when=later(1), board_id="AB12")
    pair.attach("AB12", "a.png", b"\x89PNG\r\n\x1a\n", when=later(1))
    assert pair.newest_evidence() == before
    pair.tap("AB12", "key-00001", Reading(cell="A1", through="no"), when=later(2))
    tapped = pair.newest_evidence()
    pair.take_back_tap("AB12", "key-00002", "key-00001", when=later(3))
    assert before < tapped < pair.newest_evidence()
