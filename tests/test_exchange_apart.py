"""Exchange: any two books that come from one and went apart come together again."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from postgres import emptied
from workshop_records import BENCH, BIRCH, EVENING, JOB, later, some_grid

from calib.errors import LogbookError
from calib.logbook import Book, export_text, import_text
from calib.records import Reading, Setting

_cells = st.sampled_from(["A1", "A2", "A3"])
_grades = st.sampled_from(["no", "hanging", "through"])
_steps = st.one_of(
    st.tuples(st.just("record"), _cells, _grades),
    st.tuples(st.just("strike"), _cells),
    st.tuples(st.just("undo board")),
    st.tuples(st.just("undo pair")),
    st.tuples(st.just("undo machine")),
    st.tuples(st.just("job"), st.integers(1, 3)),
    st.tuples(st.just("keep"), st.integers(10, 12)),
    st.tuples(st.just("lens"), st.sampled_from([38.1, 50.8, 63.5])),
    st.tuples(st.just("lot"), st.sampled_from(["L1", "L2", "L3"])),
    st.tuples(st.just("note"), st.text("äb =", min_size=1, max_size=3)),
)


def play(book: Book, steps: list[tuple[Any, ...]], minute: int) -> None:
    """Do what the steps say, a minute for each; what isn't possible is left out."""
    both = {"machine": "bench", "sheet": "birch 3"}
    job = dataclasses.replace(JOB[0], session="")
    for number, (kind, *given_) in enumerate(steps):
        at = later(minute + number)
        todo: dict[str, Callable[..., object]] = {
            "record": lambda cell, grade, at=at: book.record(
                "AB12", [Reading(cell=cell, through=grade)], when=at, why="again"
            ),
            "strike": lambda cell, at=at: book.strike_out("AB12", [cell], when=at, why="tape"),
            "undo board": lambda at=at: book.undo(when=at, board_id="AB12"),
            "undo pair": lambda at=at: book.undo(when=at, **both),
            "undo machine": lambda at=at: book.undo(when=at, machine="bench"),
            "job": lambda count, at=at: book.add_job(
                "bench", "birch 3", [dataclasses.replace(job, count=count)], when=at
            ),
            "keep": lambda speed, at=at: book.keep(
                "bench", "birch 3", "cut", Setting(power_pct=60.0, speed_mm_s=speed), when=at
            ),
            "lens": lambda lens, at=at: book.change_setup(
                "bench", when=at, what="lens", lens_mm=lens
            ),
            "lot": lambda lot, at=at: book.add_sheet(dataclasses.replace(BIRCH, lot=lot), when=at),
            "note": lambda text, at=at: book.add_note(f"note {text}", when=at),
        }
        try:
            todo[kind](*given_)
        except LogbookError as error:
            assert "take back" in str(error) or "another book" in str(error)  # noqa: PT017


def state(book: Book) -> dict[str, object]:
    """Give what counts now."""
    burns = book.burns("bench", "birch 3")
    return {
        "readings": book.readings("AB12"),
        "jobs": sorted(map(repr, burns)),
        "kept": [(s.setting, s.lot) for s in book.kept("bench", "birch 3")],
        "machine": book.machine("bench"),
        "sheet": book.sheet("birch 3"),
    }


def entries(book: Book) -> set[str]:
    """Every entry of a logbook, as a line."""
    return set(export_text(book).splitlines())


def test_what_both_took_back_stays_so_and_both_reasons_are_kept(three: list[Book]) -> None:
    a, b, _ = map(emptied, three)
    a.add_machine(BENCH, when=EVENING)
    a.add_sheet(BIRCH, when=EVENING)
    play(a, [("job", 1)], 10)
    import_text(b, export_text(a), when=later(20))
    both = {"machine": "bench", "sheet": "birch 3"}
    a.undo(when=later(100), why="the lid was open", **both)
    b.undo(when=later(200), why="wrong evening", **both)
    from_a = export_text(a)
    assert import_text(a, export_text(b), when=later(300)).questions == ()
    assert import_text(b, from_a, when=later(301)).questions == ()
    for book in (a, b):
        assert book.burns("bench", "birch 3") == ()
        assert {line.why for line in book.history("bench", "birch 3") if line.why} == {
            "the lid was open", "wrong evening"
        }  # fmt: skip
    assert entries(a) == entries(b)


@settings(max_examples=15, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    common=st.lists(_steps, max_size=5),
    ours=st.lists(_steps, max_size=5),
    theirs=st.lists(_steps, max_size=5),
)
@example(common=[("job", 1)], ours=[("undo pair",)], theirs=[("undo pair",)])
def test_two_books_that_went_apart_come_together(
    three: list[Book],
    common: list[tuple[Any, ...]],
    ours: list[tuple[Any, ...]],
    theirs: list[tuple[Any, ...]],
) -> None:
    a, b, c = map(emptied, three)
    a.add_machine(BENCH, when=EVENING)
    a.add_sheet(BIRCH, when=EVENING)
    a.add_board(some_grid(), when=EVENING)
    play(a, common, 10)

    # A round trip loses nothing, and twice adds nothing.
    document = export_text(a)
    assert import_text(b, document, when=later(20)).questions == ()
    assert export_text(b) == document
    assert state(b) == state(a)
    assert import_text(b, document, when=later(21)).added == {}

    # Each goes its own way; then each takes the other's book in.
    play(a, ours, 100)
    play(b, theirs, 200)
    before_a, before_b, state_a = entries(a), entries(b), state(a)
    from_a, from_b = export_text(a), export_text(b)
    report = import_text(a, from_b, when=later(300))
    mirrored = import_text(b, from_a, when=later(301))
    assert {c.key for c in report.questions} == {c.key for c in mirrored.questions}
    # Nothing is lost, nothing invented.
    assert entries(a) == entries(b) == before_a | before_b
    if not theirs:
        assert state(a) == state_a
    assert import_text(a, from_b, when=later(302)).added == {}

    # One decides for both, and they agree; a third who takes in both books agrees as well.
    answers = {one.key: ("1", "2")[n % 2] for n, one in enumerate(report.questions)}
    assert import_text(a, from_b, when=later(303), answers=answers).questions == ()
    assert import_text(b, export_text(a), when=later(304)).questions == ()
    assert state(a) == state(b)
    assert import_text(c, export_text(b), when=later(305)).questions == ()
    assert import_text(c, from_a, when=later(306)).added == {}
    assert state(c) == state(a)
