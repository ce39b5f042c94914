"""The rules of the logbook's entries, each in a test named after it."""

from __future__ import annotations

import dataclasses
import json
import random
from pathlib import Path

import pytest
from workshop_records import ADVICE, BENCH, BIRCH, JOB, SETTING, later, some_grid

from calib.errors import LogbookError
from calib.logbook import Book, Filters, Session, export_text, import_text, ledger, open_book
from calib.logbook.backup import check_book
from calib.records import Reading


def read(through: str, char: int | None = None) -> Reading:
    """What one look at A1 says."""
    return Reading(cell="A1", through=through, char=char)  # type: ignore[arg-type]


@pytest.fixture
def two(pair: Book, other: Book) -> tuple[Book, Book]:
    """Two logbooks with the same machine, sheet and board."""
    import_text(other, export_text(pair), when=later(1))
    return pair, other


def exchange(one: Book, other: Book, minute: float) -> None:
    """Give each of two logbooks what the other has."""
    import_text(one, export_text(other), when=later(minute))
    import_text(other, export_text(one), when=later(minute))


def test_two_different_standing_answers_count_as_not_read_until_answered(
    two: tuple[Book, Book],
) -> None:
    book, other = two
    book.record("AB12", [read("through", 1)], when=later(2))
    other.record("AB12", [read("no")], when=later(3))
    exchange(book, other, 4)
    for one in two:
        assert one.burns("bench", "birch 3") == ()
        assert [a.reading for a in one.looks("AB12")["A1"].apart] == [
            read("through", 1),
            read("no"),
        ]
        assert one.boards().entries[0].read == 0
        assert one.boards(Filters(outcome="no")).total == 0
    (question,) = book.questions()
    assert question.key == "reading AB12 A1"
    assert [said.split(" (")[0] for said in question.said] == [
        "through through, char 1",
        "through no",
    ]
    book.answer(question.key, "1", when=later(5))
    assert book.readings("AB12") == (read("through", 1),)
    # The other book takes the answer over without a question.
    assert import_text(other, export_text(book), when=later(6)).questions == ()
    assert other.readings("AB12") == (read("through", 1),)


def test_equal_answers_count_once(two: tuple[Book, Book]) -> None:
    book, other = two
    book.record("AB12", [read("through", 1)], when=later(2))
    other.record("AB12", [read("through", 1)], when=later(3))
    exchange(book, other, 4)
    assert book.questions() == ()
    assert len(book.burns("bench", "birch 3")) == len(other.burns("bench", "birch 3")) == 1


def test_through_and_char_of_one_look_are_one_slot_caliper_and_note_others(
    two: tuple[Book, Book],
) -> None:
    book, other = two
    book.record("AB12", [read("through", 1)], when=later(2))
    other.record("AB12", [Reading(cell="A1", width_mm=15.8, note="knot")], when=later(3))
    exchange(book, other, 4)
    whole = dataclasses.replace(read("through", 1), width_mm=15.8, note="knot")
    assert book.readings("AB12") == other.readings("AB12") == (whole,)
    assert book.questions() == ()


def test_undo_here_against_correction_there(two: tuple[Book, Book]) -> None:
    book, other = two
    book.record("AB12", [read("no")], when=later(2))
    exchange(book, other, 3)
    book.undo(when=later(4), board_id="AB12")
    other.record("AB12", [read("hanging")], when=later(4), why="held to the light")
    exchange(book, other, 5)
    assert book.readings("AB12") == other.readings("AB12") == (read("hanging"),)


def test_undo_withdraws_the_last_batch_and_redo_withdraws_that(pair: Book) -> None:
    first = (read("no"), Reading(cell="A2", through="no"))
    pair.record("AB12", first, when=later(1))
    pair.record("AB12", [read("hanging")], when=later(2), why="looked again")
    now = pair.readings("AB12")
    assert "cells A1, of" in pair.undo(when=later(3), board_id="AB12")
    assert pair.readings("AB12") == first
    assert "cells A1, A2, of" in pair.undo(when=later(3), board_id="AB12")
    assert pair.readings("AB12") == ()
    with pytest.raises(LogbookError, match="nothing to take back for board 'AB12'"):
        pair.undo(when=later(3), board_id="AB12")
    lines = pair.history("bench", "birch 3")
    assert [line.superseded for line in lines if line.kind == "reading"] == [True] * 3
    assert sum(line.kind == "withdrawal" for line in lines) == 2
    # Both cells at once; then the one that was corrected, by what it became.
    for minute, words in ((4, "readings"), (5, "through hanging")):
        assert f"{words} of board AB12" in pair.redo(when=later(minute), board_id="AB12")
    assert pair.readings("AB12") == now
    with pytest.raises(LogbookError, match="nothing to put back for board 'AB12'"):
        pair.redo(when=later(6), board_id="AB12")
    pair.undo(when=later(7), board_id="AB12")
    pair.record("AB12", [Reading(cell="A3", through="no")], when=later(8))
    with pytest.raises(LogbookError, match="nothing to put back"):
        pair.redo(when=later(9), board_id="AB12")


def test_striking_out_is_a_withdrawal_of_all_that_was_said_of_a_cell(pair: Book) -> None:
    pair.record("AB12", [read("no")], when=later(1))
    pair.record("AB12", [read("hanging")], when=later(2), why="looked again")
    pair.strike_out("AB12", ["A1"], when=later(3), why="not burnt")
    assert pair.readings("AB12") == ()
    assert "striking out of board AB12, cells A1" in pair.undo(when=later(4), board_id="AB12")
    assert pair.readings("AB12") == (read("hanging"),)


def test_a_change_follows_the_one_that_it_names_and_two_heads_are_a_question(
    two: tuple[Book, Book],
) -> None:
    book, other = two
    book.record("AB12", [read("through", 1)], when=later(1))
    exchange(book, other, 1)
    book.change_setup("bench", when=later(2), what="lens", lens_mm=38.1)
    book.record("AB12", [Reading(cell="A2", through="no")], when=later(3))
    other.change_setup("bench", when=later(4), what="tube", rated_w=55.0)
    other.record("AB12", [Reading(cell="A3", through="no")], when=later(5))
    exchange(book, other, 6)
    (question,) = book.questions()
    assert question.key == "set-up bench"
    assert [said.split(" (")[0] for said in question.said] == ["lens: 60 W", "tube: 55 W"]
    # Until then each book's new burns count for its own set-up only; the earlier one for both.
    assert len(book.burns("bench", "birch 3")) == 2
    book.answer("set-up bench", "1", when=later(7))
    assert book.machine("bench").lens_mm == 38.1
    assert book.questions() == ()
    assert len(book.burns("bench", "birch 3")) == 3
    import_text(other, export_text(book), when=later(8))
    assert other.machine("bench") == book.machine("bench")


def test_a_reading_names_the_set_up_and_the_lot_it_was_burnt_with(pair: Book) -> None:
    pair.record("AB12", [read("no")], when=later(1))
    pair.change_setup("bench", when=later(2), what="lens", lens_mm=38.1)
    # A correction leaves the burn where it was; no clock is asked.
    pair.record("AB12", [read("hanging")], when=later(3), why="looked again")
    pair.record("AB12", [Reading(cell="A2", through="no")], when=later(-60))
    first, second = pair.setups("bench")
    old = pair.burns("bench", "birch 3", setup=first.id)
    new = pair.burns("bench", "birch 3", setup=second.id)
    assert [burn.through for burn in old + new] == ["hanging", "no"]
    assert len(pair.burns("bench", "birch 3", lot="L1")) == 2
    assert pair.burns("bench", "birch 3", lot="L2") == ()


def test_two_things_of_one_name_are_a_question_answered_by_same(book: Book, other: Book) -> None:
    for minute, one in ((0, book), (1, other)):
        one.add_machine(BENCH, when=later(minute))
        one.add_sheet(BIRCH, when=later(minute))
        one.add_job("bench", "birch 3", JOB, when=later(minute))
    report = import_text(book, export_text(other), when=later(2))
    assert [one.key for one in report.questions] == ["machine bench (2)", "sheet birch 3 (2)"]
    assert book.pairs() == (("bench", "birch 3"), ("bench (2)", "birch 3 (2)"))
    # Until it is answered the burns of each count only for itself.
    assert book.burns("bench", "birch 3") == book.burns("bench (2)", "birch 3 (2)") == JOB
    for question in report.questions:
        book.answer(question.key, "same", when=later(3))
    assert book.questions() == ()
    assert book.pairs() == (("bench", "birch 3"),)
    assert book.burns("bench", "birch 3") == JOB + JOB
    book.add_board(some_grid(), when=later(4))
    import_text(other, export_text(book), when=later(5))
    assert other.burns("bench", "birch 3") == JOB + JOB
    assert other.board("AB12") == some_grid()


def test_two_things_of_one_name_are_told_apart_by_a_new_name(book: Book, other: Book) -> None:
    for minute, one in ((0, book), (1, other)):
        one.add_machine(BENCH, when=later(minute))
        one.add_sheet(BIRCH, when=later(minute))
        one.add_board(some_grid(), when=later(minute))
    answers = {"machine bench (2)": "rename: attic", "sheet birch 3 (2)": "rename: old birch"}
    report = import_text(book, export_text(other), when=later(2), answers=answers)
    assert [one.key for one in report.questions] == ["board AB12 (2)"]
    assert [machine.name for machine in book.machines()] == ["attic", "bench"]
    assert book.board("AB12 (2)").machine.name == "attic"
    with pytest.raises(LogbookError, match="'AB12' is taken already"):
        book.answer("board AB12 (2)", "rename: AB12", when=later(3))
    book.answer("board AB12 (2)", "rename: AT12", when=later(3))
    assert book.board("AT12").sheet.name == "old birch"
    assert {entry.id for entry in book.boards().entries} == {"AB12", "AT12"}
    # The names travel: for the other one its own machine has the new name now.
    import_text(other, export_text(book), when=later(4))
    assert [machine.name for machine in other.machines()] == ["attic", "bench"]


def test_what_is_about_a_withdrawn_thing_does_not_count_and_counts_again_after_a_redo(
    pair: Book,
) -> None:
    pair.record("AB12", [read("through", 1)], when=later(1))
    pair.add_note("knot", when=later(2), board_id="AB12")
    entries = [json.loads(line) for line in export_text(pair).splitlines()[1:]]
    for kind in ("board", "machine", "sheet"):
        (thing,) = [entry["id"] for entry in entries if entry["kind"] == kind]
        before = pair.burns("bench", "birch 3")
        assert len(before) == 1
        pair.withdraw([thing], when=later(3), why="planned by mistake")
        assert pair.pairs() == ()
        assert pair.search().total == 0
        assert pair.forecasts() == ()
        with pytest.raises(LogbookError, match="There is no"):
            pair.readings("AB12")
        (gone,) = [
            line
            for line in map(json.loads, export_text(pair).splitlines()[1:])
            if line["kind"] == "withdraw" and line["replaces"] == [thing]
        ]
        pair.withdraw([gone["id"]], when=later(4), why="no mistake")
        assert pair.burns("bench", "birch 3") == before
        assert pair.search().total == 2


def test_what_was_read_on_a_withdrawn_twin_hides_nothing(two: tuple[Book, Book]) -> None:
    book, other = two
    for minute, one, grade in ((2, book, "no"), (3, other, "hanging")):
        one.add_board(some_grid("CD34"), when=later(minute))
        one.record("CD34", [read(grade)], when=later(minute + 5))
    answers = {"board CD34 (2)": "same"}
    import_text(book, export_text(other), when=later(20), answers=answers)
    assert book.boards(Filters(outcome="no")).total == 0
    lines = [ledger.from_line(line) for line in export_text(book).splitlines()[1:]]
    twin = max(entry.id for entry in lines if (entry.kind, entry.slot) == ("board", "CD34"))
    book.withdraw([twin], when=later(21), why="planned twice")
    (found,) = book.boards(Filters(outcome="no")).entries
    assert (found.id, found.outcomes) == ("CD34", {"no": 1})


def test_a_reading_commits_to_the_forecasts_of_its_board(pair: Book) -> None:
    pair.record("AB12", [read("through", 1)], when=later(1))
    lines = [ledger.from_line(line) for line in export_text(pair).splitlines()[1:]]
    (board,) = [entry for entry in lines if entry.kind == "board"]
    (look,) = [entry for entry in lines if entry.kind == "look"]
    assert board.body["forecasts"] == {"A1": {"through": 830}}
    assert look.about == board.id
    other_forecast = {**board.body, "forecasts": {"A1": {"through": 999}}}
    assert dataclasses.replace(board, held_as="", body=other_forecast).id != look.about
    assert [one.chance for one in pair.forecasts()] == [0.83]


def test_a_setting_that_two_books_chose_differently_is_not_kept_until_answered(
    two: tuple[Book, Book],
) -> None:
    book, other = two
    slow = dataclasses.replace(SETTING, speed_mm_s=10.0)
    book.keep("bench", "birch 3", "cut", SETTING, when=later(2))
    other.keep("bench", "birch 3", "cut", slow, when=later(3))
    exchange(book, other, 4)
    assert book.kept() == other.kept() == ()
    book.answer("setting bench birch 3 cut", "2", when=later(5))
    (kept,) = book.kept("bench", "birch 3", "cut")
    assert kept.setting == slow


def test_a_question_has_only_its_answers(two: tuple[Book, Book]) -> None:
    book, other = two
    book.record("AB12", [read("through", 1)], when=later(2))
    other.record("AB12", [read("no")], when=later(3))
    exchange(book, other, 4)
    with pytest.raises(LogbookError, match="is 'same': give one of 1, 2"):
        book.answer("reading AB12 A1", "same", when=later(5))
    with pytest.raises(LogbookError, match="no question 'machine bench': there is 'reading AB"):
        book.answer("machine bench", "same", when=later(5))


def test_the_same_entries_in_any_order_give_the_same_book(
    two: tuple[Book, Book], tmp_path: Path
) -> None:
    book, other = two
    book.record("AB12", [read("no")], when=later(2))
    exchange(book, other, 3)
    book.record("AB12", [read("hanging")], when=later(4), why="light")
    other.undo(when=later(5), board_id="AB12")
    other.add_session("bench", Session(label="monday", air=True), when=later(6))
    kept = other.keep("bench", "birch 3", "cut", SETTING, when=later(7), advice=ADVICE)
    other.add_job("bench", "birch 3", JOB, when=later(8), kept_id=kept)
    exchange(book, other, 9)
    head, *lines = export_text(book).splitlines()
    states = set()
    for seed in range(12):
        random.Random(seed).shuffle(lines)
        with open_book(tmp_path / f"{seed}.sqlite3") as fresh:
            import_text(fresh, "\n".join([head, *lines]), when=later(10))
            check_book(fresh)
            states.add((
                fresh.readings("AB12"), fresh.burns("bench", "birch 3"), fresh.advised_jobs(),
                frozenset(fresh.sessions("bench")),
            ))  # fmt: skip
    ((readings, burns, jobs, sessions),) = states
    assert (readings, len(burns), len(jobs), len(sessions)) == ((read("hanging"),), 3, 1, 2)


def test_the_cache_takes_no_part_in_an_export_and_can_be_made_anew(pair: Book) -> None:
    pair.record("AB12", [read("no")], when=later(1))
    before = export_text(pair)
    assert "state" not in before
    with pair.change() as connection:
        connection.exec_driver_sql("DELETE FROM past")
        ledger.refresh(connection)
    assert export_text(pair) == before
    assert pair.readings("AB12") == (read("no"),)


def test_a_clock_that_goes_back_changes_nothing_but_the_dates(three: list[Book]) -> None:
    chance = random.Random(0)
    times = {
        "forwards": [float(minute) for minute in range(40)],
        "backwards": [-float(minute) for minute in range(40)],
        "jumping": [chance.uniform(-1e6, 1e6) for _ in range(40)],
    }
    states = []
    for book, minutes in zip(three, times.values(), strict=True):
        tick = iter(minutes)
        book.add_machine(BENCH, when=later(next(tick)))
        book.add_sheet(BIRCH, when=later(next(tick)))
        book.add_board(some_grid(), when=later(next(tick)))
        for grade in ("no", "hanging", "through"):
            reading = Reading(cell="A1", through=grade)
            book.record("AB12", [reading], when=later(next(tick)), why="again")
        book.record("AB12", [Reading(cell="A2", through="no")], when=later(next(tick)))
        for lens in (38.1, 50.8, 63.5):
            book.change_setup("bench", when=later(next(tick)), what="lens", lens_mm=lens)
        for _ in range(2):
            book.undo(when=later(next(tick)), board_id="AB12")
        book.undo(when=later(next(tick)), machine="bench")
        states.append((
            book.readings("AB12"),
            book.machine("bench").lens_mm,
            [(line.kind, line.text, line.superseded) for line in book.history("bench", "birch 3")],
            [entry.machine.lens_mm for entry in book.setups("bench")],
        ))
    assert states[0][:2] == ((Reading(cell="A1", through="hanging"),), 50.8)
    assert states[1] == states[0]
    assert states[2] == states[0]
