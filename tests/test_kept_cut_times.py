"""Small features of a job and times of its cuts: whether any of them has changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
import shapely
from boards import CO2
from drawings import strokes_of, through
from drawn_jobs import AT, job_of
from kept_results import refusal, same_as_kept

from calib.advise import cut_times, features
from calib.advise.cut_times import CutTimes
from calib.advise.features import least_widths_mm, small_features
from calib.advise.job import Job
from calib.advise.job_time import job_time_s
from calib.advise.outlines import joined_strokes
from calib.advise.stopwatch import calibrate_time
from calib.records import Machine, Setting

# ------------------------------------------------------------------------------ small features


@dataclass(frozen=True)
class Charring:
    """Chances of char by a plain formula."""

    machine: Machine = CO2
    defects_per_m: float = 0.0

    def chance_through(self, *_: Any, **__: Any) -> Any:
        raise AssertionError("not asked")

    def chance_char_at_most(
        self, grade: int, power_pct: Any, speed_mm_s: Any, passes: Any = 1
    ) -> Any:
        return 1.0 / (
            1.0 + np.exp(5.0 - speed_mm_s / 6.0 - grade + 0.5 * passes + power_pct / 90.0)
        )


def small_job() -> Job:
    return job_of(
        ("outline", "cut", [
            "M 10 10 h 60 v 40 h -60 z",  # a part
            "M 20 20 h 20 v 0.5 h -20 z", "M 20 30 l 9 5 0.1 -0.2 z", "M50 20 a 0.3 0.3 0 0 1 0.6 0"
            " a 0.3 0.3 0 0 1 -0.6 0 z",  # narrow ones
            "M 80 10 h 20 v 30 h -20 z", "M 100.7 12 h 15 v 20 h -15 z",  # a strip between two
            "M 130 10 h 10 v 20 h -4.7 v -19 h -0.6 v 19 h -4.7 z",  # a slot in one
            "M 130 50 l 20 1.5 l -20 1.5 z", "M 130 60 l 20 4 l -20 4 z",  # points
            "M 10 70 h 30", "M 10 70.3 h 30", "M 12 71.2 l 20 2", "M 50 70 h 10 M 60.3 66 v 9",
        ]),
        ("inner", "cut", ["M 15 15 h 2 v 2 h -2 z", "M 15 15.55 h 1", "M 30 69.5 h 8"]),
        ("drawn", "line_mark", ["M 0 0 h 0.1 v 0.1 h -0.1 z"]),
    )  # fmt: skip


def test_small_features_are_found_as_they_were() -> None:
    job = small_job()
    settings = {"outline": AT, "inner": replace(AT, speed_mm_s=60.0, passes=2)}
    region: Any = Charring()
    follows = replace(CO2, power_follows_speed=True)
    kept = {
        "as set": small_features(job, CO2, settings),
        "measured": small_features(job, CO2, settings, kerf_mm=0.15),
        "wide": small_features(job, CO2, {"inner": settings["inner"]}, kerf_mm=0.31),
        "char": small_features(job, follows, settings, kerf_mm=0.1, region=region),
        "steady": small_features(job, replace(follows, acceleration_mm_s2=None), settings),
        "no setting": small_features(job, follows, {}),
        "marks only": small_features(Job(classes=job.classes[2:]), CO2, {"drawn": AT}),
        "one stroke": small_features(job_of(("a", "cut", ["M0 0h0.3"])), CO2, {}),
    }
    assert kept["as set"].counts["narrow strip"] > 3
    same_as_kept("small_features", kept)
    numbers = ("KERF_MM", "FEW_KERFS", "LISTED", "_MAX_SAMPLES", "_NEIGHBOURS", "_DIRECTIONS",
               "_CLOSER", "_NEEDLE")  # fmt: skip
    same_as_kept("feature_bounds", {name: getattr(features, name) for name in numbers})


def test_only_the_worst_features_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    job = job_of(("a", "cut", [f"M {1.1 * i + 0.01 * i * i} 0 h 0.5 v {3 - 0.2 * i} h -0.5 z"
                            for i in range(8)]))  # fmt: skip
    fast = {"a": replace(AT, speed_mm_s=70.0)}
    monkeypatch.setattr(features, "LISTED", 3)
    region: Any = Charring()
    found = small_features(job, CO2, fast, region=region)
    same_as_kept("features_listed", found)
    limit = features.FEW_KERFS * features.KERF_MM
    monkeypatch.setattr(features, "_MAX_SAMPLES", job.cut_length_mm * 3.0 / limit + 1e-6)
    assert small_features(job, CO2, fast, region=region) == found
    monkeypatch.setattr(features, "_MAX_SAMPLES", job.cut_length_mm * 3.0 / limit - 1e-6)
    same_as_kept("features_of_long_cuts", small_features(job, CO2, fast))


def test_slow_outlines_that_are_listed_are_those_with_chances() -> None:
    # Equal ones go by their place, not by the order of the drawing.
    job = job_of(("a", "cut", [f"M {90 - 3 * i} 0 h 1 v 1 h -1 z" for i in range(25)]))
    region: Any = Charring()
    found = small_features(job, CO2, {"a": replace(AT, speed_mm_s=70.0)}, region=region)
    slow = [f for f in found.features if f.kind == "slow outline"]
    assert [f.place_mm[0] for f in slow] == [18.0 + 3 * i for i in range(20)]
    assert all("Chance of tan or cleaner" in f.words for f in slow)
    assert found.counts["slow outline"] == 25


def test_least_widths_are_those_square_to_an_edge() -> None:
    # The least width of a convex shape is square to one of its edges (Freeman and Shapira 1975,
    # of rectangles, from memory).
    some = np.random.default_rng(11)
    strokes, expected = [], []
    for _ in range(12):
        hull = shapely.convex_hull(shapely.multipoints(some.uniform(0, 9, (7, 2))))
        corners = shapely.get_coordinates(hull)
        strokes.append(through(*corners.tolist()))
        edge = np.diff(corners, axis=0)
        normal = np.stack([-edge[:, 1], edge[:, 0]], axis=1) / np.hypot(*edge.T)[:, None]
        across = corners @ normal.T
        expected.append((across.max(axis=0) - across.min(axis=0)).min())
    found = least_widths_mm(joined_strokes(strokes))
    assert (found >= np.array(expected) - 1e-9).all()
    assert found == pytest.approx(expected, rel=0.01)
    shapes = [*strokes, strokes_of("M0 0l9 1"), strokes_of("M0 0l20 3-0.1 0.4z")]
    same_as_kept("least_widths", least_widths_mm(joined_strokes(shapes)))


def test_places_along_cuts_are_as_they_were() -> None:
    cuts = [
        strokes_of("M0 0h10v4", "M3 3l3 1", flatness=0.1),
        strokes_of("M20 1h2v2h-2z"),
        strokes_of("M30 0a4 4 0 0 1 8 0", "M40 0h0.4v0.3h0.2v0.5l0.3 0.4", flatness=0.1),
    ]
    kept = [features._sampled(cuts, spacing) for spacing in (2.0, 0.9)]
    same_as_kept("cut_samples", kept)
    for found, spacing in zip(kept, (2.0, 0.9), strict=True):
        # Every stroke is cut into equal parts of at most the spacing; points lie in their middles.
        assert np.hypot(*found.direction.T) == pytest.approx(1.0)
        counts = np.unique(found.stroke, return_counts=True)[1]
        lengths = np.concatenate([c.lengths_mm for c in cuts])
        assert counts.tolist() == np.ceil(lengths / spacing).tolist()
        line = shapely.linestrings(cuts[0].stroke(0))
        own = found.stroke == 0
        there = shapely.line_interpolate_point(line, found.along[own])
        assert shapely.get_coordinates(there) == pytest.approx(found.point[own])


# ------------------------------------------------------------------------------ times of cuts


def timed_job() -> Job:
    return job_of(
        ("outline", "cut", ["M 10 10 h 100 v 60 h -100 z", "M 20 20 a 5 5 0 0 1 10 0"]),
        ("holes", "cut", ["M 40 40 h 2 v 2 h -2 z"]),
        ("letters", "line_mark", ["M 30 30 L 35 50 L 40 30 L 45 50"]),
        ("badge", "area_mark", ["M 60 40 h 20 v 10 h -20 z"]),
    )


MARKS = {
    "letters": Setting(power_pct=20.0, speed_mm_s=150.0, passes=2),
    "badge": Setting(power_pct=20.0, speed_mm_s=200.0, line_pitch_mm=0.5),
}


def test_times_of_cuts_are_as_they_were() -> None:
    job, ratio = timed_job(), calibrate_time([(600.0, 700.0), (900.0, 1000.0)])
    speeds = np.array([5.0, 12.0, 20.0, 60.0, 333.0])
    passes = np.array([1.0, 2.0, 1.0, 3.0, 2.0])
    given: list[dict[str, Any]] = [
        {}, {"marks": MARKS}, {"marks": MARKS, "ratio": ratio, "start_up_s": 45.0},
        {"marks": {"badge": MARKS["badge"]}},
    ]  # fmt: skip
    kept = []
    for more in given:
        times = CutTimes(job=job, machine=CO2, **more)
        told = times.seconds(speeds, passes)
        kept.append([times.notes, [c.name for c in times.counted.classes], told,
                     times.settings(AT), times.on_curve(5.0, 333.0).seconds(speeds, passes),
                     times.on_curve(20.0, 20.0).seconds(np.full(2, 20.0), np.ones(2))])  # fmt: skip
        # What is read off in one go is what each setting takes by itself.
        for v, n, seconds in zip(speeds, passes, told, strict=True):
            setting = Setting(power_pct=1.0, speed_mm_s=float(v), passes=int(n))
            alone = job_time_s(times.counted, CO2, times.settings(setting),
                               start_up_s=times.start_up_s, ratio=times.ratio)  # fmt: skip
            assert seconds == pytest.approx(alone.total_s)
    same_as_kept("cut_times", kept)
    marks = Job(classes=job.classes[2:], name="only marks")
    same_as_kept("cut_times_refused", [
        refusal(lambda: CutTimes(job=marks, machine=CO2)),
        refusal(lambda: CutTimes(job=job, machine=CO2).seconds(np.array([401.0]), np.ones(1))),
    ])  # fmt: skip


def test_curves_of_many_points_have_fewer_speeds(monkeypatch: pytest.MonkeyPatch) -> None:
    times = CutTimes(job=timed_job(), machine=CO2)
    kept: list[Any] = [cut_times._CURVE_SPEEDS, cut_times._FEW_SPEEDS, cut_times._MANY_POINTS]
    points = sum(len(c.strokes.points_mm) for c in times.job.cuts)
    for many in (points, points + 1):
        monkeypatch.setattr(cut_times, "_MANY_POINTS", many)
        kept.append(times.on_curve(5.0, 100.0)._curve)
    same_as_kept("cut_time_curves", kept)
    # Between its own speeds the curve is off by less than 0.3 %.
    speeds = np.geomspace(5.0, 100.0, 37)
    read = times.on_curve(5.0, 100.0).seconds(speeds, np.ones(37))
    assert read == pytest.approx(times.seconds(speeds, np.ones(37)), rel=3e-3)
