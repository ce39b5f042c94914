"""Surfaces: rows that fill an area, and their time."""

import math
from dataclasses import replace

import pytest
import shapely
from bench_jobs import BENCH, job_of, time_of
from drawings import strokes_of

from calib.errors import MachineLimit
from calib.jobs.motion import rows_of, rows_time_s
from calib.physics import move_time_s
from calib.records import Setting


def test_rows_fill_the_area_with_holes_left_out():
    ring = "M10 5h20v12h-20z M14 8v6h12v-6z"
    rows = rows_of(strokes_of(ring), 0.1)
    assert len(rows.lit_mm) == 120
    assert rows.sweep_mm == pytest.approx(20.0)
    assert rows.lit_mm.sum() * 0.1 == pytest.approx(20.0 * 12.0 - 12.0 * 6.0)


def test_rows_cover_the_area_that_shapely_finds():
    strokes = strokes_of("M5 0c30 0 9 40-5 22c-9-12-2-20 5-22z M60 3a9 5 30 1 1 .1 0z")
    area = sum(shapely.Polygon(strokes.stroke(i)).area for i in range(2))
    rows = rows_of(strokes, 0.05)
    assert rows.lit_mm.sum() * 0.05 == pytest.approx(area, rel=2e-3)


def test_rows_time_by_hand():
    """4 rows of 30 mm at 100 mm/s, a = 1000: 0.3 s lit each; 0.11 s run-up at each end."""
    machine = replace(BENCH, acceleration_mm_s2=1000.0)
    setting = Setting(power_pct=20.0, speed_mm_s=100.0, line_pitch_mm=0.5)
    rows = rows_of(strokes_of("M0 0h30v2h-30z"), 0.5)
    step = 2.0 * math.sqrt(0.5 / 1000.0)
    beam_on, dark = rows_time_s(rows, machine, setting)
    assert beam_on == pytest.approx(4 * 0.3)
    assert dark == pytest.approx(4 * (2 * 0.11 + step))
    one_way = replace(machine, area_both_ways=False)
    back = float(move_time_s(30.0 + 2 * 6.0, 400.0, 1000.0))
    assert rows_time_s(rows, one_way, setting)[1] == pytest.approx(dark + 4 * back)


def test_a_surface_of_open_lines_is_empty_and_a_hopeless_pitch_is_refused():
    assert len(rows_of(strokes_of("M0 0h5v5"), 0.1).lit_mm) == 0
    assert time_of(job_of("area_mark", "M0 0h5v5"), line_pitch_mm=0.1).marking_s == 0.0
    with pytest.raises(MachineLimit, match="a line pitch of 1e-06 mm"):
        rows_of(strokes_of("M0 0h5v500h-5z"), 1e-6)
