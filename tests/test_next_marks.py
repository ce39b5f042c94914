"""Which marks and cuts are burnt next: within limits, wide at first, near the edge later."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_cut_fit import EVENING, MACHINE
from test_graded import marks

import calib
from calib.plan.next_burns import fastest_cut_mm_s, next_cuts
from calib.plan.next_marks import fastest_mark_mm_s, mark_pitch, next_marks

SHEET = calib.Sheet(name="mdf 3", material="MDF", thickness_mm=3.0)


def region(operation="line_mark", evidence=(), machine=MACHINE) -> calib.Region:
    return calib.fit_region(machine, SHEET, operation=operation, evidence=evidence)


def within(machine, settings) -> bool:
    return all(
        0 < s.power_pct <= machine.ceiling_pct and 0 < s.speed_mm_s <= machine.max_speed_mm_s
        for s in settings
    )


@pytest.mark.parametrize("n", [1, 3, 6, 12])
@pytest.mark.parametrize("operation", ["line_mark", "area_mark"])
def test_first_marks_span_power_and_speed_within_limits(operation, n):
    found = next_marks(region(operation), n)
    assert len(found) == n
    assert within(MACHINE, found)
    power, speed = np.array([(s.power_pct, s.speed_mm_s) for s in found]).T
    if n >= 3:
        assert power.max() / power.min() >= 2.0
        assert speed.max() / speed.min() >= 3.0
    pitches = {s.line_pitch_mm for s in found}
    assert (pitches == {None}) == (operation == "line_mark")


@pytest.mark.parametrize("off", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("watts", [40.0, 60.0])
@pytest.mark.parametrize("operation", ["line_mark", "area_mark"])
def test_six_first_marks_span_the_grades_though_the_table_be_off(operation, watts, off):
    """A clear mark takes half, or twice, the energy of the table; each grade is a factor of two."""
    machine = replace(MACHINE, rated_w=watts, max_speed_mm_s=500.0)
    found = next_marks(region(operation, machine=machine), 6, fastest_mm_s=500.0)
    clear = off * {"line_mark": 0.04, "area_mark": 0.3 * 0.1}[operation]
    energy = np.array([watts * s.power_pct / 100 / s.speed_mm_s for s in found])
    grades = np.clip(np.floor(np.log2(energy / clear) + 2.5), 0, 4)
    # Nothing fainter where the machine has nothing gentler.
    assert grades.min() <= 1 or (12.0, 500.0) in {(s.power_pct, s.speed_mm_s) for s in found}
    assert grades.max() >= 3
    assert len(set(grades)) >= 3
    assert max(s.speed_mm_s for s in found) == 500.0


def test_no_setting_comes_twice_and_all_powers_are_looked_at():
    known = region(evidence=marks())
    found = next_marks(known, 8)
    assert len({*found, *(burn.setting for burn in known.burns)}) == 8 + len(marks())
    powers = [s.power_pct for s in found]
    assert max(powers) / min(powers) > 2.0


def test_later_marks_lie_where_grades_are_in_doubt():
    """After a dozen marks, most of the next lie where no grade is as good as sure."""
    known = region(evidence=marks())
    found = next_marks(known, 6)
    likeliest = [
        max(known.chance_mark(g, s.power_pct, s.speed_mm_s) for g in range(5)) for s in found
    ]
    assert np.mean(likeliest) < 0.8


def test_another_wanted_grade_moves_the_marks():
    known = region(evidence=marks())
    faint, heavy = (
        np.mean([np.log(s.power_pct / s.speed_mm_s) for s in next_marks(known, 6, mark=m)])
        for m in (1, 3)
    )
    assert heavy > faint


def test_speed_keeps_to_the_room_for_a_run_up():
    lazy = replace(MACHINE, acceleration_mm_s2=100.0)
    top = fastest_mark_mm_s(lazy)
    # Run-up of 1.2 v² / 2a over 10 mm, by hand: v = sqrt(2 * 100 * 10 / 1.2).
    assert top == pytest.approx(40.82, abs=0.01)
    assert max(s.speed_mm_s for s in next_marks(region(machine=lazy), 6)) <= top
    room = [s.speed_mm_s for s in next_marks(region(), 6, fastest_mm_s=50.0)]
    assert max(room) <= 50.0


def test_pitch_is_the_wished_the_burnt_or_the_default():
    area = region("area_mark")
    assert mark_pitch(area) == 0.1
    assert mark_pitch(area, 0.2) == 0.2
    assert mark_pitch(region()) is None


def test_areas_are_planned_at_two_pitches_unless_one_is_wished():
    area = region("area_mark")
    first = next_marks(area, 6, fastest_mm_s=400.0)
    assert len({s.line_pitch_mm for s in first}) == 2
    assert {s.line_pitch_mm for s in next_marks(area, 6, line_pitch_mm=0.2)} == {0.2}
    burnt = [
        calib.Burn(operation="area_mark", **vars(setting), mark=min(number, 4))
        for number, setting in enumerate(first)
    ]
    later = next_marks(region("area_mark", burnt), 6, fastest_mm_s=400.0)
    assert len({s.line_pitch_mm for s in later}) == 2
    most = max((0.1, 0.15), key=[s.line_pitch_mm for s in first].count)
    assert mark_pitch(region("area_mark", burnt)) == most
    fine = [burn for burn in burnt if burn.line_pitch_mm == 0.1]
    assert {s.line_pitch_mm for s in next_marks(region("area_mark", fine), 6)} == {0.1}


@pytest.mark.parametrize("n", [1, 2, 4])
def test_a_few_first_areas_keep_to_one_pitch_that_advice_can_stay_at(n):
    first = next_marks(region("area_mark"), n, fastest_mm_s=400.0)
    assert {s.line_pitch_mm for s in first} == {0.15}
    assert {s.line_pitch_mm for s in next_marks(region("area_mark"), n, line_pitch_mm=0.1)} == {0.1}


@pytest.mark.parametrize("off", [0.5, 1.0, 2.0])
def test_first_cuts_bracket_an_expectation_off_by_two(off):
    """A sheet that needs half or twice the expected power: six burns hold both answers."""
    known = region("cut")
    expected = np.exp(known.cut.prior.location)
    speed0 = known.cut.prior.speed0_mm_s
    found = next_cuts(known, 6)
    assert within(MACHINE, found)
    watts = np.array([0.6 * s.power_pct for s in found])
    needed = off * expected * (0.2 + 0.8 * np.array([s.speed_mm_s for s in found]) / speed0)
    assert (watts > needed).any()
    assert (watts < needed).any()
    power = [s.power_pct for s in found]
    assert max(power) / min(power) >= 2.0


def test_later_cuts_lie_near_the_edge():
    evidence = [
        calib.Burn(operation="cut", power_pct=float(p), speed_mm_s=v, through=t)
        for p, v, t in EVENING[:12]
    ]
    known = region("cut", evidence)
    found = next_cuts(known, 6)
    chance = np.array([known.chance_through(s.power_pct, s.speed_mm_s) for s in found])
    assert ((chance > 0.02) & (chance < 0.995)).mean() >= 0.8


@pytest.mark.parametrize("n", [1, 2, 3])
def test_few_burns_find_the_edge_and_then_hold_what_could_be_advised(n):
    """Fewer than a board has lie high; after a board's worth one is slower than advice would be."""
    first = next_cuts(region("cut"), n)
    assert min(s.power_pct for s in first) >= 0.85 * MACHINE.ceiling_pct - 1.0
    fast = [
        calib.Burn(operation="cut", power_pct=80.0, speed_mm_s=v, through=t)
        for v, t in ((20.0, "through"), (22.0, "through"), (23.0, "hanging"), (25.0, "no"))
    ]
    known = region("cut", fast)
    found = next_cuts(known, n)
    sure = [s for s in found if known.chance_through(s.power_pct, s.speed_mm_s) >= 0.985]
    assert [s.power_pct for s in sure] == [80.0]
    # Where that is burnt already, all of them may teach.
    slow = calib.Burn(operation="cut", power_pct=80.0, speed_mm_s=5.0, through="through")
    assert len(next_cuts(region("cut", [*fast, slow]), n)) == n


def test_cuts_keep_to_what_the_corners_allow():
    lazy = replace(MACHINE, acceleration_mm_s2=50.0)
    found = next_cuts(region("cut", machine=lazy), 6)
    assert max(s.speed_mm_s for s in found) <= fastest_cut_mm_s(lazy) + 1e-9
    # 1500 mm/s² is taken until told; corners of the coupon have a radius of 3 mm: v = √(a r).
    unknown = replace(MACHINE, acceleration_mm_s2=None)
    assert fastest_cut_mm_s(unknown) == pytest.approx(math.sqrt(1500.0 * 3.0))


@pytest.mark.parametrize(
    ("watts", "source", "material", "thickness"),
    [
        (60.0, "co2", "card", 0.4),
        (100.0, "co2", "veneer", 0.6),
        (10.0, "diode", "MDF", 3.0),
        (10.0, "diode", "vegetable tanned leather", 2.0),
    ],
)
def test_no_cut_is_planned_so_slow_that_it_only_burns(watts, source, material, thickness):
    """At most 16 times the energy expected; half of a first board is in doubt, even on card."""
    machine = replace(MACHINE, rated_w=watts, source=source, power_step_pct=1.0)
    sheet = calib.Sheet(name="s", material=material, thickness_mm=thickness)
    known = calib.fit_region(machine, sheet, operation="cut", evidence=())
    expected = np.exp(known.cut.prior.location) / known.cut.prior.speed0_mm_s
    found = next_cuts(known, 8)
    energy = [watts * s.power_pct / 100 / s.speed_mm_s for s in found]
    assert max(energy) < 17.0 * expected
    chance = np.array([known.chance_through(s.power_pct, s.speed_mm_s) for s in found])
    assert (chance < 0.9).mean() >= 0.5
