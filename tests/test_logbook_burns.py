"""Burns, jobs, kept settings and forecasts as the logbook gives them back."""

from __future__ import annotations

import dataclasses
import math

import pytest
from workshop_records import ADVICE, BIRCH, JOB, SETTING, later, some_cells, some_grid

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book
from calib.records import COUPON_CUT_MM, Burn, Reading, Setting


def test_burns_hold_the_setting_the_place_and_the_session(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A2", through="no", char=0)], when=later(1), session="m")
    cell = some_grid().cells[1]
    assert pair.burns("bench", "birch 3", "cut") == (
        Burn(operation="cut", power_pct=cell.power_pct, speed_mm_s=cell.speed_mm_s, through="no",
             char=0, session="m", x_mm=cell.x_mm, y_mm=cell.y_mm, burn_order=cell.burn_order),
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


def test_burns_can_be_asked_for_one_lot(pair: Book) -> None:
    pair.record("AB12", [Reading(cell="A1", through="no")], when=later(1))
    pair.add_sheet(dataclasses.replace(BIRCH, lot="L2"), when=later(2))
    pair.add_job("bench", "birch 3", JOB, when=later(3))
    assert len(pair.burns("bench", "birch 3", lot="L1")) == 1
    assert pair.burns("bench", "birch 3", lot="L2") == JOB


@pytest.mark.parametrize(
    ("width_mm", "height_mm", "cut_mm"),
    [
        (12.0, 10.0, COUPON_CUT_MM - 20.0),  # four sides instead of 16 and 16 mm, the same corners
        (20.0, 16.0, COUPON_CUT_MM + 8.0),
        (4.0, 4.0, 4.0 * math.pi),  # corners can't be rounder than it is narrow: a circle
        (16.0, 16.0, None),
    ],
)
def test_a_coupon_of_another_size_tells_its_cut_length(
    pair: Book, width_mm: float, height_mm: float, cut_mm: float | None
) -> None:
    sized = [
        dataclasses.replace(cell, width_mm=width_mm, height_mm=height_mm) for cell in some_cells(2)
    ]
    pair.add_board(some_grid("CD34", cells=sized), when=later(1))
    pair.record("CD34", [Reading(cell="A1", through="no")], when=later(2))
    told = pair.burns("bench", "birch 3")[0].cut_length_mm
    assert told == (None if cut_mm is None else pytest.approx(cut_mm))


def test_a_job_needs_burns_of_one_kind_and_operation(pair: Book) -> None:
    with pytest.raises(InvalidRecord, match="source none"):
        pair.add_job("bench", "birch 3", [], when=later(1))
    board = dataclasses.replace(JOB[0], source="board")
    with pytest.raises(InvalidRecord, match="source board, job"):
        pair.add_job("bench", "birch 3", [JOB[0], board], when=later(1))
    mark = dataclasses.replace(JOB[0], operation="line_mark")
    with pytest.raises(InvalidRecord, match="operations cut, line_mark"):
        pair.add_job("bench", "birch 3", [JOB[0], mark], when=later(1))


def test_a_setting_is_kept_once_with_its_advice_and_its_jobs(pair: Book) -> None:
    kept = pair.keep("bench", "birch 3", "cut", SETTING, when=later(1), advice=ADVICE)
    again = pair.keep("bench", "birch 3", "cut", SETTING, when=later(2), advice=ADVICE)
    assert again == kept
    pair.add_job("bench", "birch 3", JOB, when=later(2), kept_id=kept)
    (entry,) = pair.kept("bench", "birch 3")
    assert (entry.id, entry.advice, entry.at, entry.lot) == (kept, ADVICE, later(1), "L1")
    (job,) = pair.advised_jobs()
    assert (job.advice, job.advised_at, job.burns) == (ADVICE, later(1), tuple(JOB))
    with pytest.raises(LogbookError, match="no machine 'attic'"):
        pair.kept("attic")
    with pytest.raises(LogbookError, match="no sheet 'oak'"):
        pair.kept("bench", "oak")
    with pytest.raises(LogbookError, match="no kept setting 'nonsense'"):
        pair.add_job("bench", "birch 3", JOB, when=later(3), kept_id="nonsense")


def test_one_setting_is_kept_for_each_operation_or_none_any_more(pair: Book) -> None:
    first = pair.keep("bench", "birch 3", "cut", SETTING, when=later(1), advice=ADVICE)
    mark = Setting(power_pct=15.0, speed_mm_s=200.0)
    pair.keep("bench", "birch 3", "line_mark", mark, when=later(2))
    by_hand = pair.keep("bench", "birch 3", "cut", mark, when=later(3))
    cut, line = pair.kept("bench", "birch 3")
    assert (cut.id, cut.setting, cut.advice) == (by_hand, mark, None)
    assert pair.kept(operation="line_mark") == (line,)
    pair.keep("bench", "birch 3", "cut", None, when=later(4))
    assert pair.kept() == (line,)
    with pytest.raises(LogbookError, match="No setting is kept for cut of 'birch 3' on 'bench'"):
        pair.keep("bench", "birch 3", "cut", None, when=later(5))
    assert [one.id for one in pair.kept(operation="cut", earlier=True)] == [by_hand, first]
    pair.undo(when=later(6), machine="bench", sheet="birch 3")
    assert pair.kept(operation="cut") == (cut,)
    with pytest.raises(InvalidRecord, match="of another operation or setting than what is kept"):
        pair.keep("bench", "birch 3", "cut", mark, when=later(7), advice=ADVICE)


def test_forecasts_are_paired_with_what_came_out(pair: Book) -> None:
    assert pair.forecasts() == ()
    (open_one,) = pair.forecasts(unread=True)
    assert (open_one.chance, open_one.outcome, open_one.cell) == (0.83, None, "A1")
    pair.record("AB12", [Reading(cell="A1", through="hanging")], when=later(1))
    (known,) = pair.forecasts(machine="bench", sheet="birch 3")
    assert (known.outcome, known.event, known.board) == (False, "through", "AB12")
    pair.record("AB12", [Reading(cell="A1", through="through")], when=later(2), why="misread")
    assert pair.forecasts()[0].outcome is True
