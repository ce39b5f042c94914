"""Settings on the machine's steps, and every combination of them."""

from __future__ import annotations

import pytest
from boards import CO2, machines
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import InvalidRecord, MachineLimit
from calib.limits import (
    gentle_first,
    power_limits_pct,
    snap_power,
    snap_setting,
    snap_speed,
    total_energies_j_mm,
)
from calib.plan.full import full_factorial
from calib.records import Machine, Setting


def make(**changes: object) -> Machine:
    values = {"name": "m", "rated_w": 60.0, "bed_mm": (600.0, 400.0), "max_speed_mm_s": 400.0}
    return Machine(**(values | changes))


@settings(max_examples=60, deadline=None)
@given(machines(), st.floats(0.0, 100.0), st.floats(1e-3, 2000.0))
def test_a_snapped_setting_is_on_the_steps_and_within_every_limit(
    machine: Machine, power: float, speed: float
):
    setting = snap_setting(machine, power, speed)
    assert machine.beam_starts_pct <= setting.power_pct <= machine.ceiling_pct
    assert 0 < setting.speed_mm_s <= machine.max_speed_mm_s
    for value, step in (
        (setting.power_pct, machine.power_step_pct),
        (setting.speed_mm_s, machine.speed_step_mm_s),
    ):
        assert value / step == pytest.approx(round(value / step), abs=2e-4)
    assert snap_setting(machine, setting.power_pct, setting.speed_mm_s) == setting


def test_rounding_goes_the_way_asked():
    machine = make(power_step_pct=5.0, speed_step_mm_s=0.5)
    assert [snap_power(machine, 62.4, way) for way in ("down", "nearest", "up")] == [60, 60, 65]
    assert [snap_speed(machine, 12.3, way) for way in ("down", "nearest", "up")] == [12, 12.5, 12.5]
    assert snap_power(machine, 99.0, "up") == 80.0
    assert snap_power(machine, 1.0, "down") == 10.0
    assert snap_speed(machine, 0.01, "down") == 0.5


def test_a_value_on_a_step_stays_though_floats_are_not_exact():
    machine = make(power_step_pct=0.1, speed_step_mm_s=0.1)
    assert snap_power(machine, 0.3 * 100, "down") == 30.0
    assert snap_speed(machine, 0.1 + 0.2, "up") == 0.3


def test_a_limit_on_a_step_of_many_decimals_is_not_crossed_by_rounding():
    machine = make(
        max_speed_mm_s=100.0 / 3.0,
        speed_step_mm_s=1.0 / 60.0,
        power_step_pct=100.0 / 255.0,
        ceiling_pct=170.0 / 255.0 * 100.0 + 1e-10,
    )
    setting = snap_setting(machine, 100.0, 100.0)
    assert setting.power_pct <= machine.ceiling_pct
    assert setting.speed_mm_s <= machine.max_speed_mm_s
    low = make(power_step_pct=100.0 / 255.0, beam_starts_pct=1700.0 / 255.0)
    assert snap_power(low, 0.0) >= low.beam_starts_pct


def test_no_power_between_start_and_ceiling_is_refused():
    with pytest.raises(MachineLimit, match="power step of m is 50 %"):
        power_limits_pct(make(power_step_pct=50.0, ceiling_pct=45.0))


def test_full_factorial_holds_every_combination_once():
    burns = full_factorial(CO2, (30, 50, 70), (10, 20), passes=(1, 2))
    assert len(burns) == 12 == len(set(burns))
    assert full_factorial(CO2, (50.1, 49.9), (10,)) == (Setting(power_pct=50.0, speed_mm_s=10.0),)
    areas = full_factorial(CO2, (30,), (100,), line_pitches_mm=(0.1, 0.2))
    assert {s.line_pitch_mm for s in areas} == {0.1, 0.2}


@pytest.mark.parametrize("name", ["powers_pct", "speeds_mm_s", "passes", "line_pitches_mm"])
def test_an_empty_list_is_refused_by_name(name: str):
    values = {
        "powers_pct": (30,),
        "speeds_mm_s": (10,),
        "passes": (1,),
        "line_pitches_mm": (None,),
    }
    values[name] = ()
    with pytest.raises(InvalidRecord, match=rf"{name} is \(\)"):
        full_factorial(CO2, values.pop("powers_pct"), values.pop("speeds_mm_s"), **values)


def test_gentle_first_heeds_the_power_curve_and_the_passes():
    weak_low = make(power_curve=((40.0, 5.0), (80.0, 50.0)))
    low = Setting(power_pct=40.0, speed_mm_s=10.0)  # 0.5 J/mm
    high = Setting(power_pct=80.0, speed_mm_s=80.0)  # 0.625 J/mm
    twice = Setting(power_pct=40.0, speed_mm_s=20.0, passes=3)  # 3 x 0.25 J/mm
    assert gentle_first(weak_low, (twice, high, low)) == (low, high, twice)
    assert total_energies_j_mm(weak_low, (low, high, twice)) == (0.5, 0.625, 0.75)
    assert gentle_first(make(), (low, high)) == (high, low)
