"""Boards and readings in the logbook: nothing twice, corrected with a reason, struck out."""

from __future__ import annotations

import dataclasses

import pytest
from workshop_records import BENCH, later, some_cells, some_grid

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book, Recorded
from calib.records import Reading

# --- boards --------------------------------------------------------------------------------------


def test_a_board_comes_back_exactly(pair: Book) -> None:
    assert pair.board("AB12") == some_grid()


def test_the_same_board_again_adds_nothing_and_another_one_is_refused(pair: Book) -> None:
    pair.add_board(some_grid(), when=later(1))
    assert pair.boards().total == 1
    with pytest.raises(LogbookError, match="Another board 'AB12'"):
        pair.add_board(some_grid(cells=some_cells(7)), when=later(1))
    assert pair.board("AB12") == some_grid()


def test_a_board_needs_its_machine_and_sheet_in_the_book(pair: Book) -> None:
    other = dataclasses.replace(BENCH, name="attic")
    with pytest.raises(LogbookError, match="no machine 'attic'"):
        pair.add_board(some_grid("CD34", machine=other), when=later(1))
    assert pair.boards().total == 1


def test_two_cells_of_one_label_are_refused(pair: Book) -> None:
    cells = some_cells(3)
    twice = (*cells, dataclasses.replace(cells[0], x_mm=90.0))
    with pytest.raises(InvalidRecord, match="cell 'A1' stands twice"):
        pair.add_board(some_grid("CD34", cells=twice), when=later(1))


@pytest.mark.parametrize(
    ("forecasts", "words"),
    [
        ({"Z9": {"through": 0.5}}, "cell 'Z9'"),
        ({"A1": {"thru": 0.5}}, "event 'thru'"),
        ({"A1": {"through": 1.5}}, "chance of 'through' is 1.5"),
        ({"A1": {"through": float("nan")}}, "chance of 'through' is nan"),
    ],
)
def test_a_wrong_forecast_is_refused_and_nothing_is_stored(
    pair: Book, forecasts: dict[str, dict[str, float]], words: str
) -> None:
    with pytest.raises(InvalidRecord, match=words):
        pair.add_board(some_grid("CD34"), when=later(1), forecasts=forecasts)
    assert pair.boards().total == 1


# --- readings ------------------------------------------------------------------------------------


def test_what_was_read_is_kept_and_empty_cells_stay_not_burnt(pair: Book) -> None:
    full = Reading(cell="A2", through="through", char=1, note="fell out", width_mm=15.8,
                   height_mm=15.9)  # fmt: skip
    done = pair.record("AB12", [Reading(cell="A1"), full], when=later(1), session="monday")
    assert done == Recorded(added=1, unchanged=1)
    assert pair.readings("AB12") == (full,)
    assert len(pair.burns("bench", "birch 3")) == 1


def test_recording_the_same_twice_adds_nothing(pair: Book) -> None:
    readings = [Reading(cell="A1", through="no"), Reading(cell="A2", through="hanging", char=2)]
    pair.record("AB12", readings, when=later(1))
    assert pair.record("AB12", readings, when=later(2)) == Recorded(unchanged=2)
    assert sum(line.kind == "reading" for line in pair.history("bench", "birch 3")) == 2


def test_a_later_reading_fills_in_what_was_left_open(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="through")], when=later(1), session="monday")
    done = pair.record("AB12", [Reading(cell="A1", char=2)], when=later(2))
    assert done == Recorded(added=1)
    assert pair.readings("AB12") == (Reading(cell="A1", through="through", char=2),)
    assert pair.burns("bench", "birch 3")[0].session == "monday"


def test_a_correction_needs_a_reason_and_keeps_the_old_reading(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="through")], when=later(1))
    wrong = [Reading(cell="A2", through="no"), Reading(cell="A1", through="no")]
    with pytest.raises(LogbookError, match="A1 was read as through 'through'.*given as 'no'"):
        pair.record("AB12", wrong, when=later(2))
    assert pair.readings("AB12") == (Reading(cell="A1", through="through"),)
    done = pair.record("AB12", wrong, when=later(2), why="held to the light")
    assert done == Recorded(added=1, corrected=1)
    lines = [line for line in pair.history("bench", "birch 3", "cut") if line.cell == "A1"]
    assert [(line.text, line.superseded, line.why, line.at) for line in lines] == [
        ("through through", True, "", later(1)),
        ("through no", False, "held to the light", later(2)),
    ]


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([Reading(cell="A1", through="no"), Reading(cell="Q7", through="no")], "'Q7' isn't on"),
        ([Reading(cell="A1", through="no"), Reading(cell="A1", char=1)], "'A1' is given twice"),
    ],
)
def test_all_or_nothing_is_recorded(pair: Book, readings: list[Reading], words: str) -> None:
    with pytest.raises(InvalidRecord, match=words):
        pair.record("AB12", readings, when=later(1))
    assert pair.readings("AB12") == ()


def test_a_struck_out_cell_counts_as_not_burnt(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="no", char=0)], when=later(1))
    with pytest.raises(LogbookError, match="Say why"):
        pair.strike_out("AB12", ["A1"], when=later(2), why=" ")
    done = pair.strike_out("AB12", ["A1", "A2"], when=later(2), why="tape left on")
    assert done == Recorded(corrected=1, unchanged=1)
    assert pair.readings("AB12") == ()
    assert pair.burns("bench", "birch 3") == ()
    pair.record("AB12", [Reading(cell="A1", through="through")], when=later(3))
    assert pair.readings("AB12") == (Reading(cell="A1", through="through"),)
