"""Outlines of chances are closed and enclose what is above; read-outs agree with the region."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from shell import cut_cleanly

from calib.errors import InvalidRecord
from calib.fit.region import Region
from calib.pictures.region import outlines_above
from calib.records import Burn, Machine, Setting, Sheet
from calib.tasks.library import fit_region
from calib.tasks.regions import LEVELS, read_out, region_view, somewhere
from calib.tasks.wishes import RegionWish

BENCH = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


@pytest.fixture(scope="module")
def region() -> Region:
    """A grid of eighteen cuts."""
    burns = []
    for power in (40.0, 60.0, 80.0):
        for speed in (4.0, 8.0, 11.0, 14.0, 18.0, 26.0):
            through, char, _ = cut_cleanly(power, speed)
            burns.append(
                Burn(
                    operation="cut",
                    power_pct=power,
                    speed_mm_s=speed,
                    through=through,  # type: ignore[arg-type]
                    char=int(char) if char else None,
                )
            )
    return fit_region(BENCH, BIRCH, "cut", burns)


def inside(loops: object, power: float, speed: float) -> bool:
    """Whether a point lies inside an odd number of loops (speeds by their logarithm)."""
    crossings = 0
    for loop in loops:  # type: ignore[attr-defined]
        for (p, v), (q, w) in zip(loop, (*loop[1:], loop[0]), strict=True):
            if (v > speed) != (w > speed):
                share = (math.log(speed) - math.log(v)) / (math.log(w) - math.log(v))
                crossings += p + share * (q - p) > power
    return bool(crossings % 2)


@given(chance=arrays(float, (6, 7), elements=st.floats(0.0, 1.0)), level=st.sampled_from(LEVELS))
@settings(max_examples=60, deadline=None)
def test_outlines_enclose_exactly_the_grid_points_above(chance: np.ndarray, level: float) -> None:
    powers, speeds = np.linspace(10.0, 80.0, 6), np.geomspace(1.0, 50.0, 7)
    loops = outlines_above(powers, speeds, chance, level)
    # Points on the rim lie on an outline themselves; those within lie clearly on one side.
    for i in range(1, 5):
        for j in range(1, 6):
            if abs(chance[i, j] - level) > 1e-6:
                at = (float(powers[i]), float(speeds[j]) * 1.000001)
                assert inside(loops, *at) == (chance[i, j] >= level)


def test_an_outline_of_a_plane_lies_where_the_plane_is(region: Region) -> None:
    powers, speeds = np.linspace(1.0, 10.0, 10), np.geomspace(1.0, 100.0, 21)
    chance = np.broadcast_to(powers[:, None] / 10.0, (10, 21)).copy()
    (loop,) = outlines_above(powers, speeds, chance, 0.55)
    inner = [p for p, v in loop if 1.0001 < v < 99.999 and p < 10.0]
    assert len(inner) > 15
    assert inner == pytest.approx([5.5] * len(inner))


def test_what_is_drawn_is_what_the_region_says(region: Region) -> None:
    view = region_view(region, RegionWish())
    powers, speeds = view.power_pct, view.speed_mm_s
    assert view.levels == LEVELS
    for level in view.levels:
        rim = {
            (p, v)
            for loop in outlines_above(view.power_pct, view.speed_mm_s, view.chance, level)
            for p, v in loop
            if powers[0] < p < powers[-1] and speeds[0] * 1.0001 < v < speeds[-1] * 0.9999
        }
        assert len(rim) > 20
        chances = [float(region.chance_through(p, v)) for p, v in rim]
        assert chances == pytest.approx([level] * len(chances), abs=0.05)
    assert len(view.shown) == 18
    assert view.hull is not None
    assert sorted({round(float(p)) for p, _ in view.hull}) == [40, 80]


def test_one_begins_to_look_where_it_was_tested() -> None:
    """Lines along one side of power and speed: the middle of the picture lies far from them."""
    rows = [(12.0, 300.0, 0), (14.0, 300.0, 1), (40.0, 290.0, 3), (39.0, 300.0, 2)]
    burns = [Burn(operation="line_mark", power_pct=p, speed_mm_s=v, mark=g) for p, v, g in rows]
    lines = fit_region(BENCH, BIRCH, "line_mark", burns)
    start = somewhere(region_view(lines, RegionWish()))
    assert lines.tested(start.power_pct, start.speed_mm_s)


@pytest.mark.parametrize(("power", "speed"), [(60.0, 8.0), (80.0, 20.0), (75.5, 15.5)])
def test_a_read_out_agrees_with_the_region(region: Region, power: float, speed: float) -> None:
    wish = RegionWish(cut_length_mm=4200.0)
    out = read_out(region, wish, Setting(power_pct=power, speed_mm_s=speed))
    assert out.chance == pytest.approx(region.chance_through(power, speed, 1, 4200.0), abs=0.01)
    assert out.expected_char == pytest.approx(region.expected_char(power, speed), abs=0.02)
    reach = region.median_reach(power, speed)
    assert out.energy_margin_pct == pytest.approx(100 * math.expm1(float(reach)), abs=0.5)
    assert out.job_time_s == pytest.approx(4200.0 / speed)
    assert out.tested
    assert out.allowed


def test_what_lies_outside_is_said_to(region: Region) -> None:
    wish = RegionWish()
    far = read_out(region, wish, Setting(power_pct=80.0, speed_mm_s=100.0))
    assert (far.tested, far.allowed, far.job_time_s) == (False, True, None)
    assert far.chance < 0.01
    above = read_out(region, wish, Setting(power_pct=95.0, speed_mm_s=10.0))
    assert (above.tested, above.allowed) == (False, False)


def test_an_area_needs_its_pitch() -> None:
    region = fit_region(BENCH, BIRCH, "area_mark")
    with pytest.raises(InvalidRecord, match="line_pitch_mm is None"):
        read_out(region, RegionWish(), Setting(power_pct=20.0, speed_mm_s=200.0))
