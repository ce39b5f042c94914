"""Time of a board against moves worked out by hand, and what it takes of the sheet."""

from __future__ import annotations

import dataclasses
import math

import pytest
from boards import BIRCH, CO2, some_settings

from calib.boards.board import board_of
from calib.boards.board_time import BoardTime, SheetUse, board_time, sheet_use
from calib.boards.layout import LayoutOptions, lay_out
from calib.records import Grid, Setting


def rest_to_rest(length: float, speed: float, acceleration: float) -> float:
    """Add up ds / v along the path, with v from the energy gained so far (none of the formulas)."""
    steps = 20000
    # s = u² keeps the sum finite where the head is at rest; the second half mirrors the first.
    width = math.sqrt(length / 2.0) / steps
    middles = ((number + 0.5) * width for number in range(steps))
    return 2.0 * sum(
        2.0 * u * width / min(speed, math.sqrt(2.0 * acceleration * u * u)) for u in middles
    )


def twice_burnt(grid: Grid) -> Grid:
    """Give the only cell of a board a second pass."""
    (cell,) = grid.cells
    return dataclasses.replace(grid, cells=(dataclasses.replace(cell, passes=2),))


def test_a_line_is_one_move_with_its_run_ups():
    setting = Setting(power_pct=20.0, speed_mm_s=100.0)
    grid = lay_out(CO2, BIRCH, "line_mark", [setting])
    one, two = board_time(grid), board_time(twice_burnt(grid))
    # 20 mm and 2 mm of run-up at both ends, at 100 mm/s and 3000 mm/s².
    expected = rest_to_rest(24.0, 100.0, 3000.0)
    assert two.burning_s - one.burning_s == pytest.approx(expected, rel=1e-4)
    # Back to the start for the second pass, at 400 mm/s.
    back = rest_to_rest(24.0, 400.0, 3000.0)
    assert two.travel_s - one.travel_s == pytest.approx(back, rel=1e-4)


def test_a_coupon_is_one_move_round_its_corners():
    setting = Setting(power_pct=60.0, speed_mm_s=20.0)
    grid = lay_out(CO2, BIRCH, "cut", [setting])
    time = board_time(grid)
    twice = board_time(twice_burnt(grid))
    outline = 4.0 * 10.0 + 2.0 * math.pi * 3.0
    expected = rest_to_rest(outline, 20.0, 3000.0)
    # The corners' chords are shorter than the arcs by 3 parts in 10,000 of the outline.
    assert twice.burning_s - time.burning_s == pytest.approx(expected, rel=3e-4)
    assert twice.travel_s == pytest.approx(time.travel_s)


def test_codes_are_counted_and_stop_at_sharp_bends():
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 12))
    time = board_time(grid)
    assert 0 < time.labels_s < time.total_s
    ink = sum(s.length_mm for s in board_of(grid).strokes if s.kind == "label")
    assert time.labels_s > ink / grid.label_setting.speed_mm_s


def test_an_offcut_keeps_what_is_below_the_last_row():
    options = LayoutOptions(offcut_mm=(300.0, 200.0))
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 12), options=options)
    use = sheet_use(grid)
    lowest = max(cell.y_mm + cell.height_mm for cell in grid.cells)
    assert use.taken_mm2 == pytest.approx(300.0 * (lowest + 5.0))
    assert use.taken_mm2 < 0.4 * use.board_mm2


def test_time_and_sheet_are_said_in_words():
    time = BoardTime(burning_s=60.0, travel_s=4.2, labels_s=3.0)
    assert time.words == "about 1 min 05 s"
    assert BoardTime(burning_s=40.0, travel_s=4.2, labels_s=3.0).words == "about 45 s"
    use = SheetUse(board_mm2=11200.0, taken_mm2=6810.0, cells_mm2=2048.0)
    assert use.words == "68 of 112 cm² taken, 70 % of it waste (gaps, margins, title)"
    whole = SheetUse(board_mm2=5000.0, taken_mm2=5000.0, cells_mm2=2500.0)
    assert whole.words == "50 cm² taken, 50 % of it waste (gaps, margins, title)"
