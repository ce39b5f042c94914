"""What a region says beside its chances: its edge, its notes, and what the burns taught."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_cut_fit import EVENING, MACHINE

import calib
from calib.fit.consistency import surprise, trend_z

SHEET = calib.Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


def cut(p, v, through, **extra) -> calib.Burn:
    return calib.Burn(
        operation="cut", power_pct=float(p), speed_mm_s=float(v), through=through, **extra
    )


def fitted(burns) -> calib.Region:
    return calib.fit_region(MACHINE, SHEET, operation="cut", evidence=burns)


@pytest.mark.parametrize(
    ("outcomes", "edge", "way"),
    [
        (("through", "through"), "all_through", "Burn faster or with less power"),
        (("no", "no"), "none_through", "Burn slower or with more power"),
        (("through", "no"), "bracketed", None),
        (("hanging",), "none_through", "Burn slower"),
        ((), "unburnt", None),
    ],
)
def test_edge_is_named_and_the_way_told(outcomes, edge, way):
    speeds = (20.0, 40.0)
    region = fitted([cut(80, v, t) for v, t in zip(speeds, outcomes, strict=False)])
    assert region.edge == edge
    assert (way is None) or any(way in note for note in region.notes)


def test_scalars_give_a_float_and_arrays_broadcast():
    region = fitted([cut(*row) for row in EVENING])
    assert isinstance(region.chance_through(80.0, 30.0), float)
    grid = region.chance_through(np.array([[40.0], [80.0]]), np.array([10.0, 20.0, 30.0]))
    assert np.shape(grid) == (2, 3)
    assert grid[1][2] == pytest.approx(region.chance_through(80.0, 30.0), rel=1e-12)


def test_chance_rises_with_power_and_falls_with_speed():
    region = fitted([cut(*row) for row in EVENING])
    by_power = np.asarray(region.chance_through(np.linspace(40, 80, 21), 25.0))
    by_speed = np.asarray(region.chance_through(80.0, np.linspace(10, 60, 26)))
    assert (np.diff(by_power) >= 0).all()
    assert (np.diff(by_speed) <= 0).all()


def test_a_longer_job_and_the_next_sheet_have_lower_chances():
    region = fitted([cut(*row) for row in EVENING])
    coupon = region.chance_through(80.0, 28.0)
    short = region.chance_through(80.0, 28.0, cut_length_mm=500.0)
    long = region.chance_through(80.0, 28.0, cut_length_mm=20_000.0)
    elsewhere = region.chance_through(80.0, 28.0, next_sheet=True)
    one = region.chance_through(80.0, 28.0, cut_length_mm=calib.COUPON_CUT_MM)
    assert one == pytest.approx(coupon, rel=1e-9)
    assert coupon > short > long
    assert coupon > elsewhere


def test_power_is_averaged_not_the_average_raised_to_a_power():
    """E[p^n] is at least E[p]^n (Jensen), and more where the sheet isn't known well."""
    region = fitted([cut(*row) for row in EVENING[:6]])
    speed, coupons = 29.0, 50
    job = region.chance_through(80.0, speed, cut_length_mm=coupons * calib.COUPON_CUT_MM)
    assert job > region.chance_through(80.0, speed) ** coupons * 1.5


@pytest.mark.parametrize(
    ("call", "given"),
    [
        (lambda r: r.chance_through(0.0, 10.0), "0.0"),
        (lambda r: r.chance_through(50.0, -3.0), "-3.0"),
        (lambda r: r.chance_through(50.0, 10.0, cut_length_mm=0.0), "0.0"),
        (lambda r: r.chance_char_at_most(7, 50.0, 10.0), "7"),
        (lambda r: r.chance_char_at_most(True, 50.0, 10.0), "True"),
        (lambda r: r.chance_mark(2, 50.0, 10.0), "cut"),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_was_given(call, given):
    region = fitted([])
    with pytest.raises(calib.InvalidRecord, match=given):
        call(region)


def test_what_the_burns_taught_is_told_for_each_model():
    region = fitted([cut(*row, char=1 if row[2] != "no" else None) for row in EVENING])
    assert set(region.learned) == {"cut", "char"}
    assert region.learned["cut"]["edge"] < 0.1
    assert region.learned["cut"]["scatter"] < 0.95
    nothing = fitted([]).learned["cut"]
    assert all(ratio == pytest.approx(1.0, abs=0.03) for ratio in nothing.values())


def test_a_contradicting_result_is_pointed_at():
    odd = cut(80, 10.0, "no")
    notes = fitted([*(cut(*row) for row in EVENING), odd]).notes
    assert any("80 % and 10 mm/s contradicts" in note for note in notes)
    assert not any("contradicts" in note for note in fitted([cut(*r) for r in EVENING[:6]]).notes)


@pytest.mark.parametrize(
    ("name", "words"), [("x_mm", "left to right"), ("burn_order", "last burn")]
)
def test_a_drift_across_the_board_or_in_time_is_said(name, words):
    """Twenty burns at the edge: those late, or on the right, all dropped; the others did not."""
    burns = [
        replace(cut(80, 36.0, "no" if i < 10 else "through"), **{name: i + 1}) for i in range(20)
    ]
    steady = [
        replace(cut(80, 36.0, "no" if i % 2 else "through"), **{name: i + 1}) for i in range(20)
    ]
    assert any(words in note and "deeper" in note for note in fitted(burns).notes)
    assert not any(words in note for note in fitted(steady).notes)


def test_residuals_of_readings_are_centred_and_bounded():
    """Probability-scale residuals (Li and Shepherd 2012): mean 0 under the model."""
    chances = np.array([[0.2], [0.3], [0.5]])
    each = [surprise(chances, np.array([g]))[0] for g in range(3)]
    assert each == pytest.approx([-0.8, -0.3, 0.5])
    assert chances[:, 0] @ each == pytest.approx(0.0)


def test_trend_is_that_of_a_plain_regression_through_residuals():
    rng = np.random.default_rng(2)
    residual, place = rng.uniform(-1, 1, 30), rng.uniform(0, 200, 30)
    slope = np.polyfit(place, residual, 1)[0]
    assert np.sign(trend_z(residual, place)) == np.sign(slope)
    assert trend_z(residual, np.full(30, 5.0)) == 0.0
    drawn = [trend_z(rng.permutation(residual), place) for _ in range(2000)]
    assert np.std(drawn) == pytest.approx(1.0, abs=0.06)
