"""Undo in the logbook: step by step, and what it says when nothing is left."""

from __future__ import annotations

import dataclasses

import pytest
from workshop_records import BENCH, BIRCH, JOB, SETTING, later

from calib.errors import LogbookError
from calib.logbook import Book
from calib.records import Reading


def test_set_ups_lots_jobs_and_kept_settings_are_taken_back(pair: Book) -> None:
    pair.change_setup("bench", when=later(1), what="lens", lens_mm=50.8)
    pair.add_sheet(dataclasses.replace(BIRCH, lot="L2"), when=later(2))
    pair.add_job("bench", "birch 3", JOB, when=later(3))
    pair.keep("bench", "birch 3", "cut", SETTING, when=later(4))
    slower = dataclasses.replace(SETTING, speed_mm_s=11.0)
    pair.keep("bench", "birch 3", "cut", slower, when=later(5))

    both = {"machine": "bench", "sheet": "birch 3"}
    assert "kept setting for cut" in pair.undo(when=later(6), **both)
    assert pair.kept("bench", "birch 3")[0].setting == SETTING
    assert "kept setting for cut" in pair.undo(when=later(7), **both)
    assert pair.kept("bench", "birch 3") == ()
    assert "job" in pair.undo(when=later(8), **both)
    assert pair.burns("bench", "birch 3") == ()
    with pytest.raises(LogbookError, match="nothing to take back for 'bench' and 'birch 3'"):
        pair.undo(when=later(9), **both)

    assert "(lens) of 'bench'" in pair.undo(when=later(9), machine="bench")
    assert pair.machine("bench") == BENCH
    assert [entry.what for entry in pair.setups("bench")] == ["first"]
    assert "'birch 3'" in pair.undo(when=later(9), sheet="birch 3")
    assert pair.sheet("birch 3") == BIRCH
    with pytest.raises(LogbookError, match="nothing to take back for 'bench'"):
        pair.undo(when=later(10), machine="bench")
    with pytest.raises(LogbookError, match="nothing to take back for the logbook"):
        pair.undo(when=later(10))
    assert "job" in pair.redo(when=later(10), **both)
    assert "job" in pair.undo(when=later(10))


def test_a_job_that_was_taken_back_can_be_added_at_another_time(pair: Book) -> None:
    pair.add_job("bench", "birch 3", JOB, when=later(3))
    pair.undo(when=later(4), machine="bench", sheet="birch 3")
    with pytest.raises(LogbookError, match="before and taken back"):
        pair.add_job("bench", "birch 3", JOB, when=later(3))
    pair.add_job("bench", "birch 3", JOB, when=later(5))
    assert pair.burns("bench", "birch 3") == JOB


def test_a_look_at_an_undo_stores_nothing_and_only_that_is_taken_back(pair: Book) -> None:
    pair.record("AB12", [Reading(cell=f"A{n}", through="no") for n in range(1, 6)], when=later(1))
    before = pair.history("bench", "birch 3")
    found = pair.next_undo(board_id="AB12")
    assert (found.things, "cells A1, A2, A3, A4, A5" in found.words) == (5, True)
    assert pair.history("bench", "birch 3") == before
    pair.record("AB12", [Reading(cell="A6", through="no")], when=later(3))
    with pytest.raises(LogbookError, match="Something else was stored for board 'AB12' meanwhile"):
        pair.undo(when=later(4), board_id="AB12", only=found.change_id)
    assert pair.next_undo(board_id="AB12").things == 1
    pair.undo(when=later(4), board_id="AB12")
    pair.undo(when=later(5), board_id="AB12", only=found.change_id)
    assert pair.readings("AB12") == ()


def test_a_stopped_time_is_taken_back_and_the_one_before_counts_again(pair: Book) -> None:
    from calib.tasks.costing import record_time, time_ratio

    good = record_time(pair, "bench", (600.0, 690.0), when=later(1), label="box")
    record_time(pair, "bench", (600.0, 1900.0), when=later(2), label="box")
    record_time(pair, "bench", (600.0, 1900.0), when=later(3), label="lamp")
    assert "timed job 'lamp'" in pair.undo(when=later(4), machine="bench")
    assert "timed job 'box'" in pair.undo(when=later(5), machine="bench")
    assert time_ratio(pair, "bench") == good
    pair.undo(when=later(6), machine="bench")
    assert time_ratio(pair, "bench") is None


def test_any_entry_is_withdrawn_by_its_id_and_put_again(pair: Book) -> None:
    time = pair.store("timed_job", {"measured_s": 60.0}, when=later(1), machine="bench", label="b")
    named = [line.id for line in pair.history("bench", "birch 3") if line.kind == "timed job"]
    assert named == [time]
    there = later(1).astimezone().strftime("%Y-%m-%d %H:%M")
    done = pair.withdraw([time.partition("-")[2][:8]], when=later(2), why="wrong stopwatch")
    assert (done.words, done.things) == (f"timed job 'b', of {there}", 1)
    assert pair.stored("timed_job") == ()
    with pytest.raises(LogbookError, match=f"{time}'.*there is one that was withdrawn already"):
        pair.withdraw([time], when=later(3), why="again")
    pair.withdraw([done.change_id], when=later(3), why="it was right")
    assert len(pair.stored("timed_job")) == 1
    pair.record("AB12", [Reading(cell="A1", through="no")], when=later(4))
    machine, sheet = (pair.history("bench", "birch 3")[place].id for place in (0, 1))
    gone = pair.withdraw([machine, sheet], when=later(5), why="tried out only")
    assert "machine 'bench', of" in gone.words
    assert "sheet 'birch 3', of" in gone.words
    assert (pair.machines(), pair.sheets(), pair.pairs()) == ((), (), ())
    # The two, their board, its reading, and the stopwatch with what was said of it.
    assert gone.things == 7
    pair.withdraw([gone.change_id], when=later(6), why="after all")
    assert pair.pairs() == (("bench", "birch 3"),)


@pytest.mark.parametrize(
    ("given", "said"),
    [("", "there is none"), ("2026", "give the first 6 letters"), ("202603", "there are")],
)
def test_an_entry_is_named_by_enough_of_its_id(pair: Book, given: str, said: str) -> None:
    with pytest.raises(LogbookError, match=f"is '{given}'.*{said}"):
        pair.withdraw([given], when=later(1), why="why")
    with pytest.raises(LogbookError, match="Say why"):
        pair.withdraw([given], when=later(1), why=" ")
