"""Speeds along strokes against published moves, closed forms and a step-by-step integration."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.jobs.motion import (
    CORNER_SLIP_MM,
    course_of,
    step_times_s,
    stroke_times_s,
    travel_times_s,
)
from calib.jobs.outlines import NO_STROKES, Strokes
from calib.jobs.paths import strokes_of_paths
from calib.physics import mean_coupon_speed_mm_s
from calib.records import COUPON_CUT_MM

UNIT = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])


def line_through(points):
    points = np.asarray(points, dtype=float)
    step = np.hypot(*np.diff(points, axis=0).T)
    return Strokes(
        points_mm=points,
        step_mm=np.append(step, 0.0),
        first=np.array([0, len(points)]),
        closed=np.array([bool(np.allclose(points[0], points[-1]))]),
    )


def strokes_of(*paths):
    return strokes_of_paths(paths, np.repeat(UNIT, len(paths), axis=0))[0]


def time_of(strokes, speed, acceleration, **options):
    return float(stroke_times_s(course_of(strokes, **options), speed, acceleration).sum())


# d, v, a, T: moves from rest to rest. The first six are worked examples of the trapezoid and the
# triangle (own arithmetic from d/v + v/a and 2 √(d/a)); the last was published without a speed
# limit: 11.547 s for d 10, a 0.3 (answer 52803142 on a question site, seen).
MOVES = [
    (10.0, 0.5, 0.3, 21.666667),
    (1.0, 0.5, 0.3, 3.666667),
    (0.5, 0.5, 0.3, 2.581989),
    (100.0, 400.0, 3000.0, 0.383333),
    (100.0, 100.0, 1000.0, 1.1),
    (0.5, 300.0, 2000.0, 0.0316228),
    (0.5**2 / 0.3, 0.5, 0.3, 3.333333),
    (10.0, 1e6, 0.3, 11.547005),
]


@pytest.mark.parametrize(("d", "v", "a", "printed"), MOVES)
def test_moves_from_rest_to_rest(d, v, a, printed):
    assert time_of(line_through([(0, 0), (d, 0)]), v, a) == pytest.approx(printed, rel=1e-6)
    if d >= v * v / a:
        assert time_of(line_through([(0, 0), (0, d)]), v, a) == pytest.approx(
            d / v + v / a, rel=1e-9
        )


def test_cutting_a_straight_line_into_steps_changes_nothing():
    rng = random.Random(1)
    at = np.cumsum([0.0] + [rng.uniform(0.001, 0.4) for _ in range(500)])
    pieces = line_through(np.stack([0.6 * at, 0.8 * at], axis=1))
    whole = line_through([(0, 0), (0.6 * at[-1], 0.8 * at[-1])])
    assert time_of(pieces, 90.0, 700.0) == pytest.approx(time_of(whole, 90.0, 700.0), rel=1e-9)


@pytest.mark.parametrize("steps", [60, 600, 6000])
def test_a_circle_is_run_at_the_speed_its_radius_allows_however_fine_the_steps(steps):
    radius, a, v = 4.0, 1000.0, 200.0
    turn = np.linspace(0.0, 2.0 * math.pi, steps + 1)
    circle = line_through(radius * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    top = math.sqrt(a * radius)
    expected = 2.0 * math.pi * radius / top + top / a
    # A coarse circle has a shorter perimeter, by π²/6n².
    assert time_of(circle, v, a) == pytest.approx(expected, rel=2.0 / steps)


def largest_radius(before, corner, after, fits):
    """By trial: the largest circle touching both steps that fits (gap to corner, path used)."""
    one, two = (before - corner) / np.hypot(*(before - corner)), after - corner
    two = two / np.hypot(*two)
    middle = one + two
    if np.hypot(*middle) < 1e-12:
        return math.inf  # straight on
    cosine = float(one @ middle) / np.hypot(*middle)
    sine = math.sqrt(max(1.0 - cosine**2, 0.0))
    if sine < 1e-12:
        return 0.0  # straight back
    low, high = 0.0, 1e9
    for _ in range(200):
        r = (low + high) / 2.0
        centre = r / sine  # from the corner, along the bisector
        low, high = (r, high) if fits(centre - r, centre * cosine) else (low, r)
    return low


def radii_by_trial(points, slip):
    radii, on_curve = [], []
    for before, corner, after in zip(points, points[1:], points[2:], strict=False):
        half = min(np.hypot(*(corner - before)), np.hypot(*(after - corner))) / 2.0
        by_slip = largest_radius(before, corner, after, lambda gap, _: gap <= slip)
        by_step = largest_radius(before, corner, after, lambda _, used, h=half: used <= h)
        radii.append(min(by_slip, by_step))
        turn = math.acos(
            np.clip(
                (corner - before)
                @ (after - corner)
                / np.hypot(*(corner - before))
                / np.hypot(*(after - corner)),
                -1.0,
                1.0,
            )
        )
        on_curve.append(by_step < by_slip and turn < 0.6)
    radii = [0.0, *radii, 0.0]
    on_curve = [False, *on_curve, False]
    bends = [
        min(radii[i], radii[i + 1]) if on_curve[i] and on_curve[i + 1] else math.inf
        for i in range(len(radii) - 1)
    ]
    held = [min(r, *bends[max(i - 1, 0) : i + 1], math.inf) for i, r in enumerate(radii)]
    return np.array(held), np.array(bends)


def integrated_time(points, speed, a, dt, slip=CORNER_SLIP_MM):
    """March along the line in small steps of time, never faster than can still be braked."""
    points = np.asarray(points, dtype=float)
    at = np.append(0.0, np.cumsum(np.hypot(*np.diff(points, axis=0).T)))
    radii, bends = radii_by_trial(points, slip)
    s = v = t = 0.0
    while s < at[-1] - 1e-6:
        step = int(np.searchsorted(at, s, side="right")) - 1
        brake = a * radii[step + 1 :] + 2.0 * a * (at[step + 1 :] - s)
        allowed = math.sqrt(min(speed**2, float(brake.min()), a * bends[step]))
        v = min(v + a * dt, allowed)
        s += max(v, 1e-4) * dt
        t += dt
    return t


def wandering(seed, n, size):
    rng = random.Random(seed)
    points = [(0.0, 0.0)]
    for _ in range(n):
        points.append((points[-1][0] + rng.gauss(0, size), points[-1][1] + rng.gauss(0, size)))
    return points


LINES = {
    "square": [(0, 0), (6, 0), (6, 6), (0, 6), (0, 0)],
    "hairpin": [(0, 0), (9, 0), (0, 0.5), (9, 1)],
    "there and back": [(0, 0), (10, 0), (0, 0)],
    "short first": [(0, 0), (0.2, 0), (5, 3), (5.1, 3)],
    "zigzag": wandering(3, 12, 2.0),
    "scribble": wandering(4, 30, 0.5),
    "rounded": strokes_of("M2 0h4a2 2 0 012 2v2c0 5-8 5-8 0v-2a2 2 0 012-2z").points_mm,
}


@pytest.mark.parametrize("speed", [8.0, 60.0])
@pytest.mark.parametrize("name", LINES)
def test_time_within_one_per_cent_of_the_integrated_motion(name, speed):
    a = 1500.0
    ours = time_of(line_through(LINES[name]), speed, a)
    assert ours == pytest.approx(integrated_time(LINES[name], speed, a, dt=1e-4), rel=0.01)


def test_a_thousand_short_strokes_take_a_fifth_longer_than_length_over_speed():
    """Also within 2 % of the integrated motion; one stroke is integrated, all are equal."""
    paths = [f"M{3 * (i % 40)} {4 * (i // 40)}l1 .5 .2-1.1" for i in range(1000)]
    strokes = strokes_of(*paths)
    v, a = 60.0, 3000.0
    ours = time_of(strokes, v, a)
    assert ours > 1.2 * strokes.length_mm / v
    one = integrated_time(strokes.stroke(0), v, a, dt=2e-6)
    assert ours == pytest.approx(1000 * one, rel=0.02)


@pytest.mark.parametrize("speed", [5.0, 30.0, 120.0])
def test_the_coupon_agrees_with_the_formula_used_for_its_mean_speed(speed):
    """The formula leaves out start and stop, which are two ramps more."""
    a = 3000.0
    # Begun in the middle of a side, laid out twice so that one lap has no start and no stop.
    lap = "h5a3 3 0 013 3v10a3 3 0 01-3 3h-10a3 3 0 01-3-3v-10a3 3 0 013-3h5"
    once, thrice = (
        time_of(strokes_of(f"M8 0{lap}"), speed, a),
        time_of(strokes_of(f"M8 0{lap}{lap}{lap}"), speed, a),
    )
    formula = COUPON_CUT_MM / float(mean_coupon_speed_mm_s(speed, a))
    assert (thrice - once) / 2.0 == pytest.approx(formula, rel=0.005)


def test_a_hairpin_of_short_steps_is_slow_only_at_its_point():
    """A retrace between steps of 0.02 mm stops the head once; the steps themselves are quick."""
    turn = [(0, 0), (10, 0), (10.02, 0), (10, 1e-9), (0, 1e-9)]
    there = line_through([(0, 0), (10.02, 0)])
    assert time_of(line_through(turn), 50.0, 1000.0) == pytest.approx(
        2.0 * time_of(there, 50.0, 1000.0), rel=1e-4
    )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.2, 5.0))
def test_a_motion_scaled_up_takes_the_root_longer(seed, k):
    points = np.array(wandering(seed, 12, 2.0))
    plain = time_of(line_through(points), 40.0, 900.0)
    scaled = time_of(
        line_through(k * points), 40.0 * math.sqrt(k), 900.0, corner_slip_mm=k * CORNER_SLIP_MM
    )
    assert scaled == pytest.approx(math.sqrt(k) * plain, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(1.0, 200.0), st.floats(50.0, 9000.0))
def test_bounds_symmetry_and_order(seed, v, a):
    points = wandering(seed, 15, 2.0)
    line, back = line_through(points), line_through(points[::-1])
    time = time_of(line, v, a)
    assert time >= line.length_mm / v
    assert time == pytest.approx(time_of(back, v, a), rel=1e-6)
    assert time_of(line, 1.1 * v, a) <= time * (1 + 1e-9)
    assert time_of(line, v, 1.1 * a) <= time * (1 + 1e-9)


def test_steps_sum_to_strokes_and_the_mean_speed_is_never_above_the_set_one():
    strokes = strokes_of("M0 0h10v3l5 5c0 9-20 9-20 0z", "M0 0h1")
    course = course_of(strokes)
    steps = step_times_s(course, 60.0, 2000.0)
    assert steps.sum() == pytest.approx(stroke_times_s(course, 60.0, 2000.0).sum())
    assert (course.step_mm <= 60.0 * steps * (1 + 1e-9)).all()
    assert steps[course.first[1:] - 1].tolist() == [0.0, 0.0]


def test_travel_goes_from_end_to_start():
    strokes = strokes_of("M30 40h10", "M40 340v5")
    # 50 mm, then 300 mm: 50/100 + 100/1000, 300/100 + 100/1000
    assert travel_times_s(strokes, 100.0, 1000.0) == pytest.approx([0.6, 3.1])
    # From (30, 39) the first is 1 mm, too short for the speed: 2 √(1/1000).
    near = travel_times_s(strokes, 100.0, 1000.0, start_mm=(30.0, 39.0))
    assert near == pytest.approx([2.0 * math.sqrt(1e-3), 3.1])


def test_nothing_takes_no_time():
    assert stroke_times_s(course_of(NO_STROKES), 10.0, 100.0).tolist() == []
    assert travel_times_s(NO_STROKES, 10.0, 100.0).tolist() == []
