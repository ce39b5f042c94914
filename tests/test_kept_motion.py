"""Speeds along lines, travel, and rows of a surface: whether any of them has changed."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from boards import CO2, DIODE
from drawings import strokes_of, through
from kept_results import refusal, same_as_kept

from calib.advise import motion, surface
from calib.advise.motion import course_of, step_times_s, stroke_times_s, travel_times_s
from calib.advise.outlines import NO_STROKES, Strokes, joined_strokes
from calib.advise.surface import rows_of, rows_time_s
from calib.physics import run_up_mm
from calib.records import Setting

UNKNOWN = replace(CO2, acceleration_mm_s2=None)


# ------------------------------------------------------------------------------ motion

COURSES = {
    "corners": strokes_of("M0 0h20v10l-15 3 5-9", "M30 3l4 4 5-4 6 0.5h9"),
    "curves": strokes_of("M0 0h10a5 5 0 0 1 5 5v10", "M9 9c2 6 9 6 12 0l1 1", flatness=0.02),
    "hairpins": through([0, 0], [5, 0], [10, 0], [2, 0], [2, 0.4], [9, 0.4], [9, 0.4 + 1e-9]),
    "slow turns": through(*([3.0 * math.sin(0.1 * i), 3.0 * math.cos(0.1 * i)] for i in range(30))),
    # Turns just below and above the 0.6 rad of a corner.
    "turns": through(*np.cumsum([[math.cos(t), math.sin(t)]
                                 for t in np.cumsum([0, 0.2, 0.59, 0.61, 0.3, 0.3, 1.2, 0, 0.4])],
                                axis=0).tolist()),
    "a line": through([0, 0], [7, 1]),
}  # fmt: skip


def test_courses_are_as_they_were() -> None:
    kept: dict[str, Any] = {name: course_of(strokes) for name, strokes in COURSES.items()}
    kept["loose"] = course_of(COURSES["turns"], 0.3)
    same_as_kept("courses", [motion.CORNER_SLIP_MM, motion._STRAIGHT_RAD, motion._CORNER_RAD, kept])
    for strokes in COURSES.values():
        found = course_of(strokes)
        assert found.radius_mm[0] == found.radius_mm[-1] == 0.0
    # Strokes know nothing of one another.
    joined = course_of(joined_strokes([*COURSES.values()]))
    alone = np.concatenate([course_of(s).radius_mm for s in COURSES.values()])
    assert np.array_equal(joined.radius_mm, alone)
    bends = np.concatenate([course_of(s).bend_mm for s in COURSES.values()])
    assert np.array_equal(joined.bend_mm, bends)


def test_strokes_that_go_on_where_another_ends_know_nothing_of_it() -> None:
    points = COURSES["slow turns"].points_mm.tolist()
    parts = [through(*points[i : i + 10]) for i in (0, 10, 20)]
    found, alone = course_of(joined_strokes(parts)), [course_of(part) for part in parts]
    assert np.array_equal(found.bend_mm, np.concatenate([c.bend_mm for c in alone]))
    assert np.array_equal(found.radius_mm, np.concatenate([c.radius_mm for c in alone]))
    assert np.isinf(found.bend_mm[[0, 8, 10, 18, 20, 28]]).all()
    assert np.isfinite(found.bend_mm[[1, 7, 11, 17, 21, 27]]).all()


def test_a_turn_is_straight_below_a_thousand_millionth() -> None:
    def radius(turn: float) -> float:
        return float(course_of(through([0, 0], [1, 0], [2, turn])).radius_mm[1])

    assert [radius(t) for t in (0.0, 1e-9, 1.9e-9)] == [math.inf] * 3
    # r tan(θ/2) = l/2 with small angles.
    assert radius(1e-8) == pytest.approx(1e8, rel=1e-6)


def test_times_of_steps_are_as_they_were() -> None:
    kept: dict[str, Any] = {}
    for name, strokes in COURSES.items():
        course = course_of(strokes)
        kept[name] = [
            [v, a, step_times_s(course, v, a), stroke_times_s(course, v, a)]
            for v, a in ((20.0, 800.0), (150.0, 3000.0), (400.0, 500.0))
        ]
    same_as_kept("step_times", kept)
    together = course_of(joined_strokes([*COURSES.values()]))
    alone = [stroke_times_s(course_of(s), 150.0, 3000.0) for s in COURSES.values()]
    assert stroke_times_s(together, 150.0, 3000.0) == pytest.approx(np.concatenate(alone))
    assert stroke_times_s(course_of(NO_STROKES), 10.0, 100.0).shape == (0,)


def test_times_of_steps_are_those_of_a_loop_over_the_points() -> None:
    # The same rule written as the textbook's two passes, forwards and backwards.
    v, a = 120.0, 2000.0
    for strokes in COURSES.values():
        course = course_of(strokes)
        for first, last in zip(course.first[:-1], course.first[1:], strict=True):
            length, top = course.step_mm[first : last - 1], course.bend_mm[first : last - 1]
            u = np.minimum(v * v, a * course.radius_mm[first:last])
            for i in range(1, len(u)):
                u[i] = min(u[i], u[i - 1] + 2.0 * a * length[i - 1])
            for i in reversed(range(len(u) - 1)):
                u[i] = min(u[i], u[i + 1] + 2.0 * a * length[i])
            seconds = 0.0
            for i, path in enumerate(length):
                most = min(v * v, a * top[i])
                peak = min(most, (u[i] + u[i + 1]) / 2.0 + a * path)
                speed = math.sqrt(peak)
                ramp = (2.0 * speed - math.sqrt(u[i]) - math.sqrt(u[i + 1])) / a
                rest = path - (2.0 * peak - u[i] - u[i + 1]) / (2.0 * a)
                seconds += ramp + (max(rest, 0.0) / speed if speed > 0.0 else 0.0)
            one = Strokes(
                points_mm=strokes.points_mm[first:last],
                step_mm=strokes.step_mm[first:last],
                first=np.array([0, last - first]),
                closed=np.array([False]),
            )
            assert stroke_times_s(course_of(one), v, a).sum() == pytest.approx(seconds, rel=1e-9)


def test_travel_takes_as_long_as_it_did() -> None:
    strokes = strokes_of("M3 4h20", "M20 30v9", "M20.1 39h1", "M300 39h1")
    kept = [
        travel_times_s(strokes, v, a, start)
        for v, a in ((400.0, 3000.0), (100.0, 800.0))
        for start in ((0.0, 0.0), (3.0, 4.0))
    ]
    same_as_kept("travel_times", kept)
    # From the origin to (3, 4): 2 √(d/a), as the speed isn't reached.
    assert kept[0][0] == pytest.approx(2.0 * math.sqrt(5.0 / 3000.0))
    assert travel_times_s(NO_STROKES, 100.0, 800.0).shape == (0,)


# ------------------------------------------------------------------------------ rows

AREAS = {
    "frame": ["M0 0.3h30v20h-30z", "M5 5.3h10v4h-10z"],
    "open": ["M1 1h9v9", "M20 1h9v9h-9z"],
    "slanted": ["M2 3l20 5 4 9-18 2z", "M30 1l9 3-4 7z", "M8 8l9 2-3 3z"],
    "thin": ["M0 0h30v0.2h-30z"],
    "none": ["M0 0h5"],
    "apart": ["M0 0h5v3h-5z", "M20 1h5v3h-5z", "M0 9h4v2h-4z"],
}


def test_rows_are_as_they_were() -> None:
    kept = {name: [rows_of(strokes_of(*paths), pitch) for pitch in (1.0, 0.37)]
            for name, paths in AREAS.items()}  # fmt: skip
    same_as_kept("rows", [str(surface.MAX_CROSSINGS), kept])
    for name, paths in AREAS.items():
        closed = [p for p in paths if p.endswith("z")]
        # The middle rule: lit length times pitch is the area, holes taken off.
        outlines = [shapely.polygons(strokes_of(p).stroke(0)) for p in closed]
        area = 0.0
        for i, outline in enumerate(outlines):
            inside = sum(other.contains(outline) for j, other in enumerate(outlines) if j != i)
            area += outline.area * (-1.0) ** inside
        fine = rows_of(strokes_of(*paths), 0.01).lit_mm.sum() * 0.01
        assert fine == pytest.approx(area, rel=2e-3), name


def test_too_many_rows_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    strokes = strokes_of("M0 0h5v5h-5z")
    monkeypatch.setattr(surface, "MAX_CROSSINGS", 20)
    assert len(rows_of(strokes, 0.5).lit_mm) == 10
    same_as_kept("too_many_rows", refusal(lambda: rows_of(strokes, 0.45)))


def test_times_of_rows_are_as_they_were() -> None:
    settings = [Setting(power_pct=20.0, speed_mm_s=v, line_pitch_mm=p)
                for v, p in ((200.0, 0.5), (90.0, 1.0), (60.0, None))]  # fmt: skip
    machines = [CO2, DIODE, UNKNOWN, replace(DIODE, acceleration_mm_s2=None)]
    kept = {}
    for name, paths in AREAS.items():
        rows = rows_of(strokes_of(*paths), 0.5)
        kept[name] = [rows_time_s(rows, m, s) for m in machines for s in settings]
    same_as_kept("row_times", kept)
    # A row of 5 mm both ways: run-ups at each end and a step, by hand.
    v, a = 200.0, 3000.0
    one = rows_of(strokes_of("M0 0h5v0.5h-5z"), 0.5)
    assert run_up_mm(v, a) == pytest.approx(1.2 * v * v / 2.0 / a)
    run_up = v / a + 0.2 * v / 2.0 / a
    beam_on, dark = rows_time_s(one, CO2, settings[0])
    assert beam_on == pytest.approx(5.0 / v)
    assert dark == pytest.approx(2.0 * run_up + 2.0 * math.sqrt(0.5 / a))
