"""Kerf from coupons, and against the line energy."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from boards import BIRCH, CO2, TUBE_100, some_settings

from calib.boards.layout import lay_out
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.jobs.drawing import make_job, read_drawing
from calib.jobs.features import small_features
from calib.joints.caliper import Caliper
from calib.joints.kerf import (
    GROWTH_MM,
    GROWTH_SD_MM,
    kerf_by_energy,
    kerf_from_coupons,
    total_line_energy_j_mm,
)
from calib.physics import delivered_power_w
from calib.records import Cell, Reading, Setting

TRUE = Caliper(resolution_mm=0.0, limit_mm=0.0)


def cells_of(speeds, passes=1) -> list[Cell]:
    return [
        Cell(label=f"A{n}", power_pct=60.0, speed_mm_s=v, passes=passes, x_mm=0.0, y_mm=0.0,
             width_mm=16.0, height_mm=12.0, burn_order=n)
        for n, v in enumerate(speeds, 1)
    ]  # fmt: skip


def read(cell: Cell, kerf: float, more: float = 0.0) -> Reading:
    return Reading(
        cell=cell.label, width_mm=cell.width_mm - kerf, height_mm=cell.height_mm - kerf - more
    )


def test_a_coupon_is_smaller_by_one_kerf():
    cells = cells_of([12.0])
    (point,) = kerf_from_coupons(CO2, [read(cells[0], 0.21, more=0.02)], cells)
    assert point.kerf.value_mm == pytest.approx(0.22)
    assert point.setting == cells[0].setting
    assert point.kerf.low_mm < 0.21 < point.kerf.high_mm


def test_the_cells_of_a_board_go_from_little_to_much_energy():
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 12))
    readings = [Reading(cell=c.label, width_mm=15.8, height_mm=15.8) for c in grid.cells]
    points = kerf_from_coupons(CO2, readings, grid.cells)
    assert len(points) == len({cell.setting for cell in grid.cells})
    energies = [p.line_energy_j_mm for p in points]
    assert energies == sorted(energies)
    repeated = max(points, key=lambda p: len(p.places))
    assert len(repeated.places) == 6  # three cells, two sides each
    assert all(p.kerf.value_mm == pytest.approx(0.2) for p in points)


def test_what_was_not_measured_is_left_out():
    cells = cells_of([12.0, 14.0])
    readings = [Reading(cell="A1", through="through"), Reading(cell="A2", height_mm=11.8)]
    (point,) = kerf_from_coupons(CO2, readings, cells)
    assert point.places == (pytest.approx((0.2,)),)
    assert kerf_from_coupons(CO2, readings[:1], cells) == ()


def test_a_repeat_of_a_cell_is_one_place():
    cells = cells_of([12.0])
    (point,) = kerf_from_coupons(CO2, [read(cells[0], k) for k in (0.2, 0.22, 0.24)], cells)
    assert [len(place) for place in point.places] == [3, 3]
    assert point.kerf.value_mm == pytest.approx(0.22)


@pytest.mark.parametrize(("width", "shown"), [(18.5, "18.5 mm"), (12.0, "12 mm")])
def test_a_slip_is_refused_with_its_value(width: float, shown: str):
    message = f"of A1 measures {shown} and was drawn 16 mm: give a size from 14.00 to 16.20"
    with pytest.raises(InvalidRecord, match=re.escape(message)):
        kerf_from_coupons(CO2, [Reading(cell="A1", width_mm=width)], cells_of([12.0]))


def test_a_cell_of_another_board_is_refused():
    with pytest.raises(
        InvalidRecord, match="There is no cell 'C9' on this board: its cells are A1, A2"
    ):
        kerf_from_coupons(CO2, [Reading(cell="C9", width_mm=15.8)], cells_of([12.0, 14.0]))


def test_energy_counts_all_passes_and_the_power_curve():
    setting = Setting(power_pct=40.0, speed_mm_s=8.0, passes=2)
    expected = float(delivered_power_w(TUBE_100, 40.0)) / 8.0 * 2
    assert total_line_energy_j_mm(TUBE_100, setting) == pytest.approx(expected)


def law_of(kerf_at, speeds, tool=TRUE, repeats=1):
    cells = cells_of(speeds)
    readings = [read(c, kerf_at(c.speed_mm_s)) for c in cells for _ in range(repeats)]
    return kerf_by_energy(kerf_from_coupons(CO2, readings, cells, caliper=tool), caliper=tool)


def test_the_law_agrees_with_least_squares_where_the_prior_is_weak():
    rng = np.random.default_rng(3)
    speeds = np.geomspace(1.0, 50.0, 12)
    noise = dict(zip(speeds.tolist(), rng.normal(0, 0.01, 12), strict=True))
    law = law_of(lambda v: 0.3 + 0.05 * math.log(10 / v) + noise[v], speeds.tolist())
    x = np.log([total_line_energy_j_mm(CO2, c.setting) for c in cells_of(speeds.tolist())])
    slope, at = np.polyfit(
        x, [0.3 + 0.05 * math.log(10 / v) + noise[v] for v in speeds.tolist()], 1
    )
    assert law.growth_mm == pytest.approx(slope, abs=2e-4)
    assert law.at(math.exp(1.0)).value_mm == pytest.approx(at + slope, abs=5e-4)


def test_one_energy_leaves_the_growth_to_the_prior_and_says_so():
    law = law_of(lambda v: 0.21, (12.0,))
    assert law.growth_mm == pytest.approx(GROWTH_MM)
    assert law.growth_sd_mm == pytest.approx(GROWTH_SD_MM)
    assert law.learned == pytest.approx(1.0)
    assert any("still a guess" in note for note in law.notes)
    near, far = law.at(law.middle_j_mm), law.at(4 * law.middle_j_mm)
    assert near.value_mm == pytest.approx(0.21)
    assert far.value_mm == pytest.approx(0.21 + GROWTH_MM * math.log(4))
    assert far.half_width_mm > 2 * near.half_width_mm
    assert law.tested(law.middle_j_mm)
    assert not law.tested(1.1 * law.middle_j_mm)


def test_readings_without_any_scatter_do_no_harm():
    cells = cells_of([12.0] * 8)
    tool = Caliper(resolution_mm=0.0, limit_mm=0.0)
    points = kerf_from_coupons(CO2, [read(c, 0.25) for c in cells], cells, caliper=tool)
    law = kerf_by_energy(points, caliper=tool)
    assert law.kerf.value_mm == pytest.approx(0.25)
    assert 0.0 <= law.kerf.half_width_mm < 1e-4


def test_no_coupon_gives_no_law():
    with pytest.raises(NotEnoughEvidence, match="no coupon was measured"):
        kerf_by_energy([])


@pytest.mark.parametrize("energy", [0.0, -1.0, math.nan])
def test_an_energy_of_nothing_is_refused(energy: float):
    law = law_of(lambda v: 0.2, (12.0,))
    with pytest.raises(InvalidRecord, match=f"The line energy is {energy!r}"):
        law.at(energy)


def test_intervals_of_the_law_hold_what_they_say():
    """400 boards of six coupons, growth drawn wider than the prior's centre says."""
    held, near = 0, 0
    for seed in range(400):
        rng = np.random.default_rng([9, seed])
        growth, jaws = rng.normal(0.06, 0.05), rng.uniform(-0.02, 0.02)
        cells = cells_of([8.0, 10.0, 12.0, 14.0, 17.0, 20.0])
        readings = [
            Reading(
                cell=c.label,
                width_mm=round(16.0 - 0.2 - growth * math.log(12 / c.speed_mm_s) + jaws
                               + rng.normal(0, 0.03), 2),
                height_mm=round(12.0 - 0.2 - growth * math.log(12 / c.speed_mm_s) + jaws
                                + rng.normal(0, 0.03), 2),
            )
            for c in cells
        ]  # fmt: skip
        law = kerf_by_energy(kerf_from_coupons(CO2, readings, cells))
        kerf = law.at_setting(CO2, Setting(power_pct=60.0, speed_mm_s=12.0))
        held += kerf.low_mm <= 0.2 <= kerf.high_mm
        near += abs(kerf.value_mm - 0.2) <= 0.03
    # 95 % give or take three standard errors of a share among 400.
    assert 0.917 <= held / 400 <= 0.983
    assert near / 400 >= 0.93


def test_the_warning_of_small_features_takes_the_measured_kerf():
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="40mm" viewBox="0 0 60 40">'
        '<path stroke="#ff0000" fill="none" d="M10 10 H40 V11 H10 Z"/></svg>'
    )
    drawing = read_drawing(svg.encode())
    job = make_job(drawing, dict.fromkeys(drawing.classes, "cut"))
    law = law_of(lambda v: 0.3, (12.0,))
    setting = Setting(power_pct=60.0, speed_mm_s=12.0)
    wide = law.at_setting(CO2, setting).value_mm
    narrow = small_features(job, CO2, {}, kerf_mm=0.1)
    found = small_features(job, CO2, {}, kerf_mm=wide)
    assert narrow.counts["narrow outline"] == 0
    assert found.counts["narrow outline"] == 1
    assert "kerf of 0.30 mm" in found.features[0].words
    assert found.notes == ()
