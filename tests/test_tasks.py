"""The tasks behind the shells, called as a shell calls them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boards import BIRCH, CO2

from calib.errors import (
    InvalidRecord,
    LogbookError,
    RefusedMaterial,
)
from calib.logbook import Book, open_book
from calib.records import Machine, Reading, Setting, Sheet
from calib.tasks.boards import Planned, forecasts, plan_boards, store
from calib.tasks.library import plan_grid
from calib.tasks.pairs import OpenPair, find_board
from calib.tasks.regions import advised_view, region_pictures, summarise
from calib.tasks.results import CellByCell, session_label
from calib.tasks.wishes import BoardWish, RegionWish
from calib.tasks.workshop import add_machine, add_sheet, assumptions, change_sheet

NOW = datetime(2026, 3, 1, 20, 15, tzinfo=UTC)
BENCH = replace(CO2, slat_gap_mm=None)
SETTING = Setting(power_pct=60.0, speed_mm_s=12.0)


def planned(pair: OpenPair, wish: BoardWish, when: datetime) -> tuple[Planned, ...]:
    """Plan boards and store them, as a shell has it done."""
    boards = plan_boards(pair, wish)
    store(pair.book, boards, when)
    return boards


@pytest.fixture
def bench(tmp_path: Path) -> Any:
    """A logbook with one machine and one sheet."""
    with open_book(tmp_path / "b.sqlite3") as book:
        add_machine(book, BENCH, when=NOW)
        add_sheet(book, BIRCH, when=NOW)
        yield book


@pytest.fixture
def burnt(stocked: Path, tmp_path: Path) -> Any:
    """A copy of the logbook with a burnt full grid."""
    path = tmp_path / "burnt.sqlite3"
    path.write_bytes(stocked.read_bytes())
    with open_book(path) as book:
        yield book


def test_assumptions_are_those_fields_that_were_left_alone() -> None:
    bare = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    assert len(assumptions(bare)) == len(assumptions(BENCH)) + 2
    assert any("80 %" in said for said in assumptions(bare))


def test_a_refused_sheet_is_not_stored(bench: Book) -> None:
    with pytest.raises(RefusedMaterial, match="PVC"):
        add_sheet(bench, Sheet(name="x", material="PVC", thickness_mm=3.0), when=NOW)
    with pytest.raises(RefusedMaterial, match="bromine"):
        change_sheet(bench, "birch 3", when=NOW, declaration="it holds bromine")
    assert [sheet.name for sheet in bench.sheets()] == ["birch 3"]
    assert bench.sheet("birch 3").declaration == ""


@pytest.mark.parametrize(
    ("clock", "label"),
    [
        (datetime(2026, 3, 1, 18, 0, tzinfo=UTC), "2026-03-01"),
        (datetime(2026, 3, 2, 4, 59, tzinfo=UTC), "2026-03-01"),
        (datetime(2026, 3, 2, 5, 0, tzinfo=UTC), "2026-03-02"),
    ],
)
def test_an_evening_past_midnight_is_still_that_evening(clock: datetime, label: str) -> None:
    assert session_label(clock) == label


def test_a_pair_is_looked_up_when_it_is_asked_for(bench: Book, tmp_path: Path) -> None:
    pair = OpenPair(bench, "BENCH")
    assert pair.names == ("bench", "birch 3")
    assert pair.kept is None
    bench.keep(*pair.key, SETTING, when=NOW)
    assert pair.kept is not None, "what is kept is looked up each time"
    assert pair.region is pair.to("cut").region, "a region is fitted once"
    with open_book(tmp_path / "empty.sqlite3") as empty:
        nothing = OpenPair(empty, "bench")
        with pytest.raises(LogbookError, match="no machine in the logbook"):
            nothing.machine  # noqa: B018


def test_the_same_plan_in_two_books_is_the_same_board(bench: Book, tmp_path: Path) -> None:
    wish = BoardWish(burns=3)
    (one,) = planned(OpenPair(bench, "bench", "birch 3"), wish, when=NOW)
    with open_book(tmp_path / "other.sqlite3") as other:
        add_machine(other, BENCH, when=NOW + timedelta(days=9))
        add_sheet(other, BIRCH, when=NOW + timedelta(days=9))
        (two,) = planned(OpenPair(other), wish, when=NOW + timedelta(days=10))
    assert one.grid == two.grid
    assert one.forecasts == two.forecasts


def test_a_board_of_a_machine_that_was_changed_since_is_planned_anew(bench: Book) -> None:
    """An unread board is offered again as it was stored; a program of it would say old powers."""
    wish = BoardWish(burns=3)
    (one,) = planned(OpenPair(bench), wish, when=NOW)
    (again,) = planned(OpenPair(bench), wish, when=NOW + timedelta(days=1))
    assert again.again
    assert again.grid == one.grid
    changed = replace(BENCH, power_word_full=255.0)
    later = NOW + timedelta(days=2)
    bench.change_setup("bench", when=later, what="other", power_word_full=255.0)
    (anew,) = planned(OpenPair(bench), wish, when=NOW + timedelta(days=3))
    assert not anew.again
    assert anew.grid.machine == changed
    assert (one.grid.round, anew.grid.round) == (1, 2)
    assert bench.board(one.grid.board_id) == one.grid


@pytest.mark.parametrize("operation", ["cut", "line_mark", "area_mark"])
def test_forecasts_are_what_the_region_says_of_each_cell(bench: Book, operation: Any) -> None:
    region = OpenPair(bench, operation=operation).region
    grid = plan_grid(BENCH, BIRCH, operation, burns=3)
    stated = forecasts(region, grid)
    assert set(stated) == {cell.label for cell in grid.cells}
    for cell in grid.cells:
        at = (cell.power_pct, cell.speed_mm_s, cell.passes)
        if operation == "cut":
            expected = {
                "through": region.chance_through(*at),
                "char_at_most_1": region.chance_char_at_most(1, *at),
            }
        else:
            expected = {
                "mark_2": region.chance_mark(2, *at, cell.line_pitch_mm),
                "mark_at_most_2": region.chance_mark_at_most(2, *at, cell.line_pitch_mm),
            }
        for event, chance in expected.items():
            # A forecast is made on fewer points of the posterior than a promise.
            assert stated[cell.label][event] == pytest.approx(chance, abs=0.02)


def test_boards_are_found_by_code_in_any_case_and_the_last_one_by_last(bench: Book) -> None:
    with pytest.raises(LogbookError, match="no board"):
        find_board(bench, "last")
    (first,) = planned(OpenPair(bench), BoardWish(burns=2), when=NOW)
    (second,) = planned(OpenPair(bench), BoardWish(burns=3), when=NOW + timedelta(minutes=1))
    assert second.grid.round == 1
    assert second.unread == (first.grid.board_id,)
    assert find_board(bench, "LAST") == second.grid
    assert find_board(bench, f" {first.grid.board_id.lower()}") == first.grid


def test_cell_by_cell_goes_on_where_it_was_left(bench: Book) -> None:
    grid = planned(OpenPair(bench), BoardWish(burns=3), when=NOW)[0].grid
    first, second, third = (cell.label for cell in grid.cells)
    bench.record(grid.board_id, [Reading(cell=first, through="no")], when=NOW)
    bench.record(grid.board_id, [Reading(cell=second, through="through")], when=NOW)
    cells = CellByCell(bench, grid, "evening")
    assert cells.question is not None
    assert (cells.question.cell.label, cells.question.field) == (second, "char")
    with pytest.raises(InvalidRecord, match=f"char of cell {second} is 'h{{100,119}}…: give"):
        cells.answer("h" * 5000, NOW)
    cells.answer("2", NOW)
    cells.answer("", NOW)
    assert cells.question is None, "a cell that wasn't read has no char to ask for"
    with pytest.raises(InvalidRecord, match="'h'"):
        cells.answer("h", NOW)
    with pytest.raises(InvalidRecord, match="^'h{100,119}… answers nothing"):
        cells.answer("h" * 5000, NOW)
    cells.undo(NOW)
    assert cells.question is not None
    assert cells.question.cell.label == third
    cells.undo(NOW)
    assert bench.readings(grid.board_id)[1].char is None
    with pytest.raises(LogbookError, match="no answer"):
        cells.undo(NOW)


@pytest.mark.parametrize("operation", ["cut", "line_mark", "area_mark"])
def test_a_region_can_be_shown_before_any_burn(bench: Book, operation: Any) -> None:
    region = OpenPair(bench, operation=operation).region
    view = advised_view(region, RegionWish())
    assert view.recommendation is None
    assert "burnt yet" in view.said
    assert view.chance.min() >= 0.0
    assert view.chance.max() - view.chance.min() > 0.2, "the picture shows where it is in doubt"
    assert (view.expected_mark is None) == (operation == "cut")
    summary = summarise(region, RegionWish())
    assert summary.edge == "unburnt"
    assert not any(any(row.tested) for row in summary.rows)


def test_a_summary_says_the_speeds_at_which_the_chances_are_met(burnt: Book) -> None:
    region = OpenPair(burnt).region
    for row in summarise(region, RegionWish()).rows:
        for speed, level in zip(row.speeds_mm_s, (0.5, 0.9, 0.99), strict=True):
            assert speed is not None
            assert region.chance_through(row.power_pct, speed) == pytest.approx(level, abs=0.05)


def test_the_picture_is_of_the_promise_that_is_asked_for(burnt: Book) -> None:
    region = OpenPair(burnt).region
    plain = advised_view(region, RegionWish(reliability=0.95))
    joint = advised_view(region, RegionWish(reliability=0.95, char_at_most=1))
    assert plain.levels == (0.5, 0.9, 0.95)
    through = region.chance_through(joint.power_pct[:, None], joint.speed_mm_s[None, :])
    assert np.all(joint.chance <= np.asarray(through) + 0.02)  # drawn from fewer points
    assert "char at most 1" in joint.chance_words
    assert plain.recommendation is not None
    assert plain.power_pct.min() < 40.0
    assert plain.power_pct.max() > 80.0
    with pytest.raises(InvalidRecord, match=r"region\.gif"):
        region_pictures(region, RegionWish(), ["region.gif"])
