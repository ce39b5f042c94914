"""The logbook keeps what it is given, supersedes instead of overwriting, and takes back."""

from __future__ import annotations

import dataclasses
from datetime import datetime

import pytest
from workshop_records import (
    BENCH,
    BIRCH,
    EVENING,
    JOB,
    PROMISE,
    SETTING,
    later,
    some_cells,
    some_grid,
)

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book, Recorded, Sitting, open_book
from calib.records import COUPON_CUT_MM, Burn, Machine, Reading, Setting, Sheet


@pytest.fixture
def pair(book: Book) -> Book:
    """A logbook with one machine, one sheet and one planned board."""
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    book.add_board(some_grid(), when=EVENING, forecasts={"A1": {"through": 0.83}})
    return book


# --- machines and sheets -------------------------------------------------------------------------


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
    book.add_machine(BENCH, when=EVENING, note="new")
    book.change_setup("bench", when=later(1), what="lens", note="50 mm", lens_mm=50.8)
    book.change_setup("bench", when=later(2), what="tube")
    entries = book.setups("bench")
    assert [entry.what for entry in entries] == ["first", "lens", "tube"]
    assert [entry.machine.lens_mm for entry in entries] == [None, 50.8, 50.8]
    assert [entry.since for entry in entries] == [EVENING, later(1), later(2)]
    assert [entry.note for entry in entries] == ["new", "50 mm", ""]
    assert book.machine("bench") == dataclasses.replace(BENCH, lens_mm=50.8)


def test_the_last_set_up_taken_down_counts_even_when_the_clock_went_back(book: Book) -> None:
    book.add_machine(BENCH, when=EVENING)
    book.change_setup("bench", when=later(10), what="lens", lens_mm=50.8)
    book.change_setup("bench", when=later(-600), what="lens", lens_mm=63.5)
    assert book.machine("bench").lens_mm == 63.5
    assert len(book.setups("bench")) == 3


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
    book.add_sheet(measured, when=later(2), note="caliper")
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


def test_sheets_are_listed_by_material_and_thickness(book: Book) -> None:
    quarter = Sheet(name="mdf quarter", material="MDF", thickness_mm=6.35, measured_mm=6.0)
    for sheet in (quarter, BIRCH):
        book.add_sheet(sheet, when=EVENING)
    assert book.sheets() == (BIRCH, quarter)
    assert book.sheets(material="  mdf ") == (quarter,)
    assert book.sheets(thickness_mm=6.4) == (quarter,)
    assert book.sheets(thickness_mm=6.0) == (quarter,)
    assert book.sheets(thickness_mm=3.06) == ()


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
    assert book.settled() == ()
    assert book.boards().total == 0


@pytest.mark.parametrize("when", [datetime(2026, 3, 1), "2026-03-01"])  # noqa: DTZ001
def test_a_time_without_a_zone_is_refused(book: Book, when: datetime) -> None:
    with pytest.raises(InvalidRecord, match="2026.*with its zone"):
        book.add_machine(BENCH, when=when)
    assert book.machines() == ()


def test_words_that_cannot_be_kept_are_refused(pair: Book) -> None:
    with pytest.raises(InvalidRecord, match=r"note is 'a\\x00b'"):
        pair.change_setup("bench", when=later(1), what="lens", note="a\x00b")
    with pytest.raises(InvalidRecord, match="at most 2000 characters"):
        pair.change_setup("bench", when=later(1), what="lens", note="x" * 2001)
    with pytest.raises(InvalidRecord, match=r"udc80.*can't be stored"):
        pair.add_sheet(Sheet(name="oak \udc80", material="oak", thickness_mm=3.0), when=later(1))


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
    done = pair.record("AB12", [Reading(cell="A1"), full], when=later(1), sitting="monday")
    assert done == Recorded(added=1, unchanged=1)
    assert pair.readings("AB12") == (full,)
    assert len(pair.burns("bench", "birch 3")) == 1


def test_recording_the_same_twice_adds_nothing(pair: Book) -> None:
    readings = [Reading(cell="A1", through="no"), Reading(cell="A2", through="hanging", char=2)]
    pair.record("AB12", readings, when=later(1))
    assert pair.record("AB12", readings, when=later(2)) == Recorded(unchanged=2)
    assert sum(line.kind == "reading" for line in pair.history("bench", "birch 3")) == 2


def test_a_later_reading_fills_in_what_was_left_open(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="through")], when=later(1), sitting="monday")
    done = pair.record("AB12", [Reading(cell="A1", char=2)], when=later(2))
    assert done == Recorded(added=1)
    assert pair.readings("AB12") == (Reading(cell="A1", through="through", char=2),)
    assert pair.burns("bench", "birch 3")[0].sitting == "monday"


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


def test_undo_goes_back_step_by_step_and_says_when_nothing_is_left(pair: Book) -> None:
    first, second = Reading(cell="A1", through="no"), Reading(cell="A1", through="hanging")
    pair.record("AB12", [first, Reading(cell="A2", through="no")], when=later(1))
    pair.record("AB12", [second], when=later(2), why="looked again")
    assert "cells A1" in pair.undo(when=later(3), board_id="AB12")
    assert pair.readings("AB12") == (first, Reading(cell="A2", through="no"))
    assert "cells A1, A2" in pair.undo(when=later(4), board_id="AB12")
    assert pair.readings("AB12") == ()
    with pytest.raises(LogbookError, match="nothing to take back for board 'AB12'"):
        pair.undo(when=later(5), board_id="AB12")
    assert sum(line.kind == "reading" for line in pair.history("bench", "birch 3")) == 6


def test_after_an_undo_one_can_record_and_undo_again(pair: Book) -> None:
    one, two = Reading(cell="A1", through="no"), Reading(cell="A1", through="through")
    pair.record("AB12", [one], when=later(1))
    pair.undo(when=later(2), board_id="AB12")
    pair.record("AB12", [two], when=later(3))
    assert pair.readings("AB12") == (two,)
    pair.undo(when=later(4), board_id="AB12")
    assert pair.readings("AB12") == ()


def test_the_latest_change_is_taken_back_even_when_the_clock_went_back(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="no")], when=later(10))
    pair.record("AB12", [Reading(cell="A2", through="no")], when=later(-500))
    pair.undo(when=later(-499), board_id="AB12")
    assert [reading.cell for reading in pair.readings("AB12")] == ["A1"]


# --- undo of the rest ----------------------------------------------------------------------------


def test_set_ups_lots_jobs_and_settled_settings_are_taken_back(pair: Book) -> None:
    pair.change_setup("bench", when=later(1), what="lens", lens_mm=50.8)
    pair.add_sheet(dataclasses.replace(BIRCH, lot="L2"), when=later(2))
    pair.add_job("bench", "birch 3", JOB, when=later(3))
    pair.settle("bench", "birch 3", "cut", SETTING, when=later(4))
    slower = dataclasses.replace(SETTING, speed_mm_s=11.0)
    pair.settle("bench", "birch 3", "cut", slower, when=later(5))

    both = {"machine": "bench", "sheet": "birch 3"}
    assert "settled setting for cut" in pair.undo(when=later(6), **both)
    assert pair.settled("bench", "birch 3")[0].setting == SETTING
    assert "settled setting for cut" in pair.undo(when=later(7), **both)
    assert pair.settled("bench", "birch 3") == ()
    assert "job" in pair.undo(when=later(8), **both)
    assert pair.burns("bench", "birch 3") == ()
    with pytest.raises(LogbookError, match="nothing to take back for 'bench' and 'birch 3'"):
        pair.undo(when=later(9), **both)

    assert "(lens) of 'bench'" in pair.undo(when=later(9), machine="bench")
    assert pair.machine("bench") == BENCH
    assert [entry.what for entry in pair.setups("bench")] == ["first", "lens", "undo"]
    assert "'birch 3'" in pair.undo(when=later(9), sheet="birch 3")
    assert pair.sheet("birch 3") == BIRCH
    with pytest.raises(LogbookError, match="nothing to take back for 'bench'"):
        pair.undo(when=later(10), machine="bench")
    with pytest.raises(LogbookError, match="Name a board"):
        pair.undo(when=later(10))


def test_a_job_that_was_taken_back_can_be_added_at_another_time(pair: Book) -> None:
    pair.add_job("bench", "birch 3", JOB, when=later(3))
    pair.undo(when=later(4), machine="bench", sheet="birch 3")
    with pytest.raises(LogbookError, match="was taken back"):
        pair.add_job("bench", "birch 3", JOB, when=later(3))
    pair.add_job("bench", "birch 3", JOB, when=later(5))
    assert pair.burns("bench", "birch 3") == JOB


# --- burns, jobs, promises -----------------------------------------------------------------------


def test_burns_hold_the_setting_the_place_and_the_sitting(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A2", through="no", char=0)], when=later(1), sitting="m")
    cell = some_grid().cells[1]
    assert pair.burns("bench", "birch 3", "cut") == (
        Burn(operation="cut", power_pct=cell.power_pct, speed_mm_s=cell.speed_mm_s, through="no",
             char=0, sitting="m", x_mm=cell.x_mm, y_mm=cell.y_mm, burn_order=cell.burn_order),
    )  # fmt: skip
    assert pair.burns("bench", "birch 3", "line_mark") == ()


def test_burns_come_in_burning_order_then_jobs_and_check_strips(pair: Book) -> None:
    strip = (Burn(operation="cut", power_pct=50.0, speed_mm_s=15.0, through="no",
                  source="check_strip"),)  # fmt: skip
    pair.add_job("bench", "birch 3", JOB, when=later(9))
    pair.add_job("bench", "birch 3", strip, when=later(8))
    readings = [Reading(cell=cell.label, through="through") for cell in some_grid().cells]
    pair.record("AB12", readings, when=later(10))
    burns = pair.burns("bench", "birch 3")
    assert [burn.burn_order for burn in burns[:6]] == [1, 2, 3, 4, 5, 6]
    assert burns[6:] == strip + JOB
    assert pair.burns("bench", "birch 3", since=later(9)) == burns[:6] + JOB


def test_burns_can_be_asked_for_one_lot(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="no")], when=later(1))
    pair.add_sheet(dataclasses.replace(BIRCH, lot="L2"), when=later(2))
    pair.add_job("bench", "birch 3", JOB, when=later(3))
    assert len(pair.burns("bench", "birch 3", lot="L1")) == 1
    assert pair.burns("bench", "birch 3", lot="L2") == JOB


def test_a_coupon_of_another_size_tells_its_cut_length(pair: Book) -> None:
    small = [dataclasses.replace(cell, width_mm=12.0, height_mm=10.0) for cell in some_cells(2)]
    pair.add_board(some_grid("CD34", cells=small), when=later(1))
    pair.record("CD34", [Reading(cell="A1", through="no")], when=later(2))
    # Four sides of 12 and 10 instead of 16 and 16 mm: 20 mm less, with the same round corners.
    assert pair.burns("bench", "birch 3")[0].cut_length_mm == pytest.approx(COUPON_CUT_MM - 20.0)


def test_a_job_needs_burns_of_one_kind_and_operation(pair: Book) -> None:
    with pytest.raises(InvalidRecord, match="source none"):
        pair.add_job("bench", "birch 3", [], when=later(1))
    board = dataclasses.replace(JOB[0], source="board")
    with pytest.raises(InvalidRecord, match="source board, job"):
        pair.add_job("bench", "birch 3", [JOB[0], board], when=later(1))
    mark = dataclasses.replace(JOB[0], operation="line_mark")
    with pytest.raises(InvalidRecord, match="operations cut, line_mark"):
        pair.add_job("bench", "birch 3", [JOB[0], mark], when=later(1))


def test_a_promise_is_stored_once_and_knows_its_jobs(pair: Book) -> None:
    stored = pair.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(1))
    assert pair.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(1)) == stored
    job = pair.add_job("bench", "birch 3", JOB, when=later(2), promise_id=stored)
    (entry,) = pair.promises(machine="bench", sheet="birch 3")
    assert (entry.id, entry.promise, entry.at, entry.lot) == (stored, PROMISE, later(1), "L1")
    assert entry.jobs == (job,)
    assert pair.promises(machine="attic") == ()
    with pytest.raises(LogbookError, match="no promise 'nonsense'"):
        pair.add_job("bench", "birch 3", JOB, when=later(3), promise_id="nonsense")


def test_settling_keeps_one_current_setting_for_each_operation(pair: Book) -> None:
    stored = pair.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(1))
    pair.settle("bench", "birch 3", "cut", SETTING, when=later(2), promise_id=stored)
    pair.settle("bench", "birch 3", "cut", SETTING, when=later(3), promise_id=stored)
    mark = Setting(power_pct=15.0, speed_mm_s=200.0)
    pair.settle("bench", "birch 3", "line_mark", mark, when=later(4))
    cut, line = pair.settled("bench", "birch 3")
    assert (cut.setting, cut.promise, cut.at, cut.lot) == (SETTING, PROMISE, later(2), "L1")
    assert (line.setting, line.promise) == (mark, None)
    assert pair.settled(operation="line_mark") == (line,)
    with pytest.raises(LogbookError, match="60 % and 12 mm/s,? .*not of 15 % and 200 mm/s"):
        pair.settle("bench", "birch 3", "cut", mark, when=later(5), promise_id=stored)
    with pytest.raises(LogbookError, match="no sheet 'oak'"):
        pair.settled("bench", "oak")


def test_forecasts_are_paired_with_what_came_out(pair: Book) -> None:
    assert pair.forecasts() == ()
    (open_one,) = pair.forecasts(unread=True)
    assert (open_one.chance, open_one.outcome, open_one.cell) == (0.83, None, "A1")
    pair.record("AB12", [Reading(cell="A1", through="hanging")], when=later(1))
    (known,) = pair.forecasts(machine="bench", sheet="birch 3")
    assert (known.outcome, known.event, known.board) == (False, "through", "AB12")
    pair.record("AB12", [Reading(cell="A1", through="through")], when=later(2), why="misread")
    assert pair.forecasts()[0].outcome is True


def test_sittings_are_described_once(pair: Book) -> None:
    monday = Sitting(label="monday", focus_mm=6.0, air=True, lens_cleaned=False, support="pins",
                     masked=True, note="door open")  # fmt: skip
    pair.add_sitting("bench", monday, when=later(1))
    pair.record("AB12", [Reading(cell="A1", through="no")], when=later(2), sitting="monday")
    pair.record("AB12", [Reading(cell="A2", through="no")], when=later(3), sitting="tuesday")
    assert pair.sittings("bench") == (monday, Sitting(label="tuesday"))
    with pytest.raises(LogbookError, match="'monday' of 'bench' is described otherwise"):
        pair.add_sitting("bench", dataclasses.replace(monday, air=False), when=later(4))
    with pytest.raises(InvalidRecord, match="label is empty"):
        pair.add_sitting("bench", Sitting(label=""), when=later(4))


def test_everything_is_there_after_closing_and_opening(place: str) -> None:
    with open_book(place) as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        book.add_board(some_grid(), when=EVENING)
        book.record("AB12", [Reading(cell="A1", through="no")], when=later(1))
    with open_book(place) as book:
        assert book.machines() == (BENCH,)
        assert book.board("AB12") == some_grid()
        assert book.readings("AB12") == (Reading(cell="A1", through="no"),)
