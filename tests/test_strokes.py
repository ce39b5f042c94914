"""The list of strokes: what stands where, and in which order it is burnt."""

from __future__ import annotations

import pytest
from boards import BIRCH, CO2, some_settings

from calib.boards.board import board_of
from calib.boards.layout import LayoutOptions, lay_out
from calib.boards.lettering import text_strokes
from calib.records import COUPON_CUT_MM, Setting


def box(points):
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def burns_of(grid, label):
    return [s for s in board_of(grid).strokes if s.kind != "label" and s.cell == label]


def test_a_cut_cell_is_one_closed_outline_whose_box_is_the_cell():
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 6))
    for cell in grid.cells:
        (stroke,) = burns_of(grid, cell.label)
        assert stroke.closed
        assert stroke.points[0] == stroke.points[-1]
        assert stroke.setting == cell.setting
        expected = (cell.x_mm, cell.y_mm, cell.x_mm + cell.width_mm, cell.y_mm + cell.height_mm)
        assert box(stroke.points) == pytest.approx(expected, abs=1e-9)
        assert stroke.length_mm == pytest.approx(COUPON_CUT_MM, rel=5e-4)
        assert stroke.run_up_mm == 0


def test_the_code_stands_above_the_cell_and_on_the_coupon():
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 6))
    cell = grid.cells[3]
    codes = [s for s in board_of(grid).strokes if s.kind == "label" and s.cell == cell.label]
    letters = len(text_strokes(cell.label, 3.0, 0.0, 0.0))
    assert len(codes) == 2 * letters
    _, top, _, bottom = box([p for s in codes[:letters] for p in s.points])
    assert bottom == pytest.approx(cell.y_mm - 1.5)
    assert bottom - top == pytest.approx(3.0, abs=1e-3)
    left, top, right, bottom = box([p for s in codes[letters:] for p in s.points])
    # Well inside: at least 3 mm of bare coupon all round.
    assert left > cell.x_mm + 3.0
    assert right < cell.x_mm + cell.width_mm - 3.0
    assert top > cell.y_mm + 3.0
    assert bottom < cell.y_mm + cell.height_mm - 3.0


def test_the_head_says_board_round_operation_and_sheet_and_which_way_is_up():
    options = LayoutOptions(round=3)
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 18), options=options)
    head = [s for s in board_of(grid).strokes if s.kind == "label" and not s.cell]
    bar, shaft, tip = head[:3]
    assert bar.points[0][1] == bar.points[1][1] == box([*bar.points, *shaft.points, *tip.points])[1]
    assert tip.points[1] == shaft.points[1]
    assert tip.points[1][1] < tip.points[0][1]  # the arrow points up, to the bar
    words = f"{grid.board_id} R3 cut birch 3"
    assert len(head) - 3 == len(text_strokes(words, 3.0, 0.0, 0.0))


def test_a_mark_runs_up_in_the_dark_straight_on_both_sides():
    setting = Setting(power_pct=20.0, speed_mm_s=120.0)
    grid = lay_out(CO2, BIRCH, "line_mark", [setting])
    (stroke,) = burns_of(grid, "A1")
    run_up = 1.2 * 120.0**2 / (2 * 3000.0)
    assert stroke.run_up_mm == pytest.approx(run_up)
    path = stroke.path
    assert path[1:3] == stroke.points
    assert path[0] == pytest.approx((stroke.points[0][0] - run_up, stroke.points[0][1]))
    assert path[3] == pytest.approx((stroke.points[1][0] + run_up, stroke.points[1][1]))


def test_an_area_mark_is_close_lines_there_and_back_at_the_pitch():
    setting = Setting(power_pct=20.0, speed_mm_s=100.0, line_pitch_mm=0.25)
    grid = lay_out(CO2, BIRCH, "area_mark", [setting])
    cell = grid.cells[0]
    lines = burns_of(grid, "A1")
    assert len(lines) == 33  # 8 mm / 0.25 mm and one
    ys = [line.points[0][1] for line in lines]
    assert [round(b - a, 6) for a, b in zip(ys, ys[1:], strict=False)] == [0.25] * 32
    directions = [line.points[1][0] > line.points[0][0] for line in lines]
    assert directions == [place % 2 == 0 for place in range(33)]
    left, top, right, bottom = box([p for line in lines for p in line.points])
    assert (left, right) == (cell.x_mm + 1.0, cell.x_mm + cell.width_mm - 1.0)
    assert top >= cell.y_mm + 1.0 - 1e-9
    assert bottom <= cell.y_mm + cell.height_mm - 1.0 + 1e-9
    assert all(line.run_up_mm == 2.0 for line in lines)
