"""Sessions: described before or after their burns, corrected with a reason, taken back, merged."""

from __future__ import annotations

from dataclasses import replace

import pytest
from workshop_records import BENCH, EVENING, later

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book, Session, export_text, import_text
from calib.records import Reading

MONDAY = Session(label="monday", focus_mm=-0.5, air=True, support="pins", note="damp board")


@pytest.fixture
def monday(pair: Book) -> Book:
    """A pair with one board, read in a session that only has a label."""
    pair.record("AB12", [Reading(cell="A1", through="no")], when=later(1), session="monday")
    return pair


def test_a_session_may_be_described_after_its_burns_and_corrected(monday: Book) -> None:
    assert monday.sessions("bench") == (Session(label="monday"),)
    monday.add_session("bench", MONDAY, when=later(2))
    monday.add_session("bench", MONDAY, when=later(3))
    assert monday.sessions("bench") == (MONDAY,)
    off = replace(MONDAY, air=False)
    with pytest.raises(LogbookError, match="'monday' of 'bench' is described otherwise"):
        monday.add_session("bench", off, when=later(4))
    monday.add_session("bench", off, when=later(4), why="the pump was out")
    assert monday.sessions("bench") == (off,)
    # More burns of the session leave its description alone.
    monday.record("AB12", [Reading(cell="A2", through="no")], when=later(5), session="monday")
    assert monday.sessions("bench") == (off,)


def test_each_description_stays_in_the_history(monday: Book) -> None:
    monday.add_session("bench", MONDAY, when=later(2))
    monday.add_session("bench", replace(MONDAY, air=False), when=later(4), why="the pump was out")
    monday.add_session("bench", Session(label="of another pair", air=True), when=later(5))
    lines = [line for line in monday.history("bench", "birch 3") if line.kind == "session"]
    assert [(line.text, line.why, line.superseded) for line in lines] == [
        ("monday: focus -0.5 mm, air on, on pins, damp board", "", True),
        ("monday: focus -0.5 mm, air off, on pins, damp board", "the pump was out", False),
    ]


def test_descriptions_are_taken_back_one_after_the_other(monday: Book) -> None:
    monday.add_session("bench", MONDAY, when=later(2))
    monday.add_session("bench", replace(MONDAY, air=False), when=later(3), why="pump")
    assert "description of session 'monday'" in monday.undo(when=later(4), machine="bench")
    assert monday.sessions("bench") == (MONDAY,)
    monday.undo(when=later(5), machine="bench")
    assert monday.sessions("bench") == (Session(label="monday"),)
    with pytest.raises(LogbookError, match="nothing to take back for 'bench'"):
        monday.undo(when=later(6), machine="bench")


def test_sessions_are_listed_by_their_beginning_whenever_they_were_described(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    for number, label in enumerate(("zebra", "ant")):
        book.add_session("bench", Session(label=label), when=later(number))
    book.add_session("bench", Session(label="zebra", air=True), when=later(9))
    assert [session.label for session in book.sessions("bench")] == ["zebra", "ant"]


def test_wrong_descriptions_are_refused(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    with pytest.raises(InvalidRecord, match=r"support is 'bricks': give one of pins, flat, slats"):
        book.add_session("bench", replace(MONDAY, support="bricks"), when=EVENING)  # type: ignore[arg-type]
    with pytest.raises(InvalidRecord, match=r"focus_mm is 5000\.0"):
        book.add_session("bench", replace(MONDAY, focus_mm=5000.0), when=EVENING)
    with pytest.raises(InvalidRecord, match=r"focus_mm is nan"):
        book.add_session("bench", replace(MONDAY, focus_mm=float("nan")), when=EVENING)
    assert book.sessions("bench") == ()


@pytest.mark.parametrize("answer", ["1", "2"])
def test_two_books_that_describe_a_session_otherwise_ask(
    monday: Book, other: Book, answer: str
) -> None:
    import_text(other, export_text(monday), when=later(1))
    mine, theirs = MONDAY, replace(MONDAY, air=False, note="dry board")
    monday.add_session("bench", mine, when=later(2))
    other.add_session("bench", theirs, when=later(3))
    document = export_text(other)
    (question,) = import_text(monday, document, when=later(3)).questions
    assert question.key == "session monday bench"
    assert "air on, on pins, damp board" in question.said[0]
    assert "air off, on pins, dry board" in question.said[1]
    # Until somebody has answered, neither counts.
    assert monday.sessions("bench") == (Session(label="monday"),)
    answers = {question.key: answer}
    assert import_text(monday, document, when=later(4), answers=answers).questions == ()
    chosen = mine if answer == "1" else theirs
    assert monday.sessions("bench") == (chosen,)
    again = import_text(monday, document, when=later(5))
    assert (again.added, again.questions) == ({}, ())
    # The other book takes the decision over without a question.
    assert import_text(other, export_text(monday), when=later(6)).questions == ()
    assert other.sessions("bench") == (chosen,)
