"""Files that calib writes for results: empty ones, plans, and text kept from running."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from result_boards import CUT, HEADER, grid

from calib.errors import BadFile
from calib.records import Operation
from calib.results import blank_results_csv, plan_csv, read_results
from calib.spreadsheet import plain_text, safe_cell_text


@pytest.mark.parametrize("operation", ["cut", "line_mark", "area_mark"])
def test_an_empty_result_file_has_every_cell_and_reads_back_as_not_burnt(
    operation: Operation,
) -> None:
    board = grid(operation)
    text = blank_results_csv(board)
    assert text.splitlines()[:2] == [f"{HEADER},board", "A1,,,,,K7QF"]
    assert text.count("\r\n") == text.count("\n") == 5
    readings = read_results(text, board)
    assert [reading.cell for reading in readings] == ["A1", "A2", "B1", "B2"]
    assert all(reading.is_empty for reading in readings)


def test_another_boards_empty_file_is_refused() -> None:
    filled = blank_results_csv(grid(board_id="M3XA")).replace("A1,", "A1,no")
    with pytest.raises(BadFile, match="Row 2: board is 'M3XA'"):
        read_results(filled, CUT)


def test_a_plan_lists_the_cells_with_their_settings() -> None:
    text = plan_csv(CUT)
    assert text.startswith(
        "cell,operation,power_pct,speed_mm_s,passes,line_pitch_mm,x_mm,y_mm,burn_order\r\n"
        "A1,cut,40,10,1,,5,7.5,4\r\n"
        "A2,cut,42.5,10.333333,2,,25,7.5,3\r\n"
    )
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    for row, cell in zip(rows, CUT.cells, strict=True):
        assert float(row["speed_mm_s"]) == pytest.approx(cell.speed_mm_s, abs=5e-7)
        assert float(row["power_pct"]) == cell.power_pct
    assert plan_csv(CUT) == text


def test_a_plan_of_a_surface_says_its_pitch() -> None:
    assert plan_csv(grid("area_mark")).splitlines()[1] == "A1,area_mark,40,10,1,0.1,5,7.5,4"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "  =x", "'=x", "\t=x", "=cmd|' /C calc'!A0"]
)
def test_text_that_a_spreadsheet_would_run_is_kept_from_it(text: str) -> None:
    guarded = safe_cell_text(text)
    assert guarded[0] == "'"
    assert plain_text(guarded) == " ".join(text.split())
    board = grid(board_id=text.replace("\t", " "))
    written = list(csv.reader(io.StringIO(blank_results_csv(board), newline="")))
    assert {row[-1][0] for row in written[1:]} == {"'"}


@given(text=st.text(max_size=80))
@settings(max_examples=200, deadline=None)
def test_guarded_text_comes_back(text: str) -> None:
    guarded = safe_cell_text(text)
    assert not guarded.lstrip().startswith(("=", "+", "-", "@"))
    once = plain_text(guarded)
    assert once in {" ".join(text.split()), " ".join(text.split())[1:]}
