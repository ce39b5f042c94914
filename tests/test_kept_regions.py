"""What hulls and regions gave before, whole and thinned."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from fit_cases import cut_region, mark_region, refusal
from kept_results import same_as_kept

from calib.fit import cut_fit, graded, hull, region, thinning
from calib.fit.cut_fit import CutPoints

pytestmark = pytest.mark.usefixtures("fit_afresh")

# Hulls.

BURNT = [(80, 10), (40, 20), (80, 40), (40, 10), (60, 20), (40, 40), (60, 10), (80, 10)]


def test_hulls_and_their_speeds_are_what_they_were() -> None:
    sets = {"square": BURNT, "none": [], "one": [(50, 9)], "two": [(50, 9), (60, 12)],
            "line": [(50, 10), (50, 20), (50, 40)], "triangle": [(30, 50), (90, 8), (60, 100)],
            "slope": [(20, 10), (40, 20), (80, 40)]}  # fmt: skip
    kept = {}
    for name, points in sets.items():
        found = hull.burnt_hull(points)
        speeds = [hull.speed_range(found, p) for p in (29, 30, 40, 50, 55, 60, 80, 81, 90)]
        kept[name] = [found, speeds]
    same_as_kept("hulls", kept)


def test_a_hair_outside_the_hull_counts_as_on_it() -> None:
    found = hull.burnt_hull(BURNT)
    hairs = (1e-8, 1e-10, 0.0, -1e-10, -1e-8)
    slow = [hull.inside(found, 50, 10 * (1 - h)) for h in hairs]
    fast = [hull.inside(found, 50, 40 * (1 + h)) for h in hairs]
    weak = [hull.inside(found, 40 * (1 - h), 20) for h in hairs]
    strong = [hull.inside(found, 80 * (1 + h), 20) for h in hairs]
    assert slow == fast == weak == strong == [False, True, True, True, True]
    assert not hull.inside(hull.burnt_hull([]), 50, 10)
    # Two powers that differ by a hair are one column.
    thin = np.log([[50.0, 10.0], [50.0 * (1 + 5e-10), 20.0]])
    assert hull.speed_range(thin, 50.0) == pytest.approx((10.0, 20.0))
    wide = np.log([[50.0, 10.0], [50.0 * (1 + 5e-9), 20.0]])
    assert hull.speed_range(wide, 50.0) == pytest.approx((10.0, 10.0))
    assert len(hull.burnt_hull([(50, 10), (60, 10 * (1.2 + 1e-12)), (72, 14.4)])) == 2


# Regions.


def test_what_regions_answer_is_what_it_was() -> None:
    of = cut_region()
    grid = (np.array([[80.0], [50.0]]), np.array([8.0, 20.0, 33.0]))
    kept: dict[str, object] = {
        "through": of.chance_through(*grid),
        "one": of.chance_through(60, 12),
        "twice": of.chance_through(*grid, 2),
        "job": [of.chance_through(60, 12, cut_length_mm=n) for n in (56.0, 560.0)],
        "next": of.chance_through(*grid, next_sheet=True),
        "next job": of.chance_through(60, 12, 2, 560.0, True),
        "reach": of.median_reach(*grid),
        "char": [of.chance_char_at_most(g, *grid) for g in range(5)],
        "expected": of.expected_char(*grid, 2),
        "worth": of.mean_over_char((0.0, 1.0, 5.0, 9.0, 30.0), 60, 12),
        "learned": of.learned,
        "hulls": of.hulls,
        "empty": of.chance_through(np.zeros((0, 3)) + 1.0, 8.0),
    }
    tested = [of.tested(*s) for s in ((60, 16), (60, 16, 2), (60, 12, 2), (95, 16), (60, 5, 3))]
    kept["tested"] = tested
    assert np.isscalar(kept["one"])
    assert np.shape(kept["empty"]) == (0, 3)
    same_as_kept("region_cuts", kept)


def test_what_regions_of_marks_answer_is_what_it_was() -> None:
    areas, lines = mark_region(), mark_region("line_mark")
    speeds = np.array([50.0, 150.0, 400.0])
    kept = {
        "areas": [areas.chance_mark(g, 20, speeds, 1, 0.15) for g in range(5)],
        "pitches": areas.chance_mark(2, 20, 100, 2, [0.1, 0.2]),
        "at most": [areas.chance_mark_at_most(g, 20, speeds, 1, 0.1) for g in range(5)],
        "lines": [lines.chance_mark(g, 20, speeds) for g in range(5)],
        "lines at most": lines.chance_mark_at_most(3, 20, speeds, 2),
        "learned": areas.learned,
    }
    assert kept["at most"][4] == pytest.approx(np.ones(3))  # type: ignore[index]
    same_as_kept("region_marks", kept)


def test_what_regions_refuse_is_what_it_was() -> None:
    cuts, areas = cut_region(), mark_region()
    kept = [
        refusal(lambda: areas.chance_through(60, 12)),
        refusal(lambda: areas.chance_char_at_most(1, 60, 12)),
        refusal(lambda: areas.expected_char(60, 12)),
        refusal(lambda: cuts.chance_mark(1, 60, 12)),
        refusal(lambda: areas.chance_mark(1, 20, 100)),
        refusal(lambda: cuts.chance_through(0, 12)),
        refusal(lambda: cuts.chance_through(60, [12.0, -1.0])),
        refusal(lambda: cuts.chance_through(60, 12, 0)),
        refusal(lambda: cuts.chance_through(math.nan, 12)),
        refusal(lambda: areas.chance_mark(1, 20, 100, 1, 0.0)),
        *(
            refusal(lambda n=n: cuts.chance_through(60, 12, cut_length_mm=n))
            for n in (0, -5.0, math.inf)
        ),
        *(refusal(lambda g=g: cuts.chance_char_at_most(g, 60, 12)) for g in (-1, 5, True, 1.5)),
    ]
    same_as_kept("region_refusals", kept)
    assert np.isfinite(areas.chance_mark(1, 20, 100, 1, [0.1, math.nan])).all()
    assert cuts.chance_through(60, 12, cut_length_mm=0.5) > cuts.chance_through(60, 12)


def test_regions_are_asked_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    same_as_kept("region_parts", [region._parts(9, n) for n in (0, 1, 500_000, 1_000_000, 9e6)])
    of, speeds = cut_region(), np.linspace(5.0, 40.0, 11)
    whole = [of.chance_through(80, speeds), of.expected_char(80, speeds)]
    seen: list[int] = []
    plain = cut_fit.coupon_chance
    monkeypatch.setattr(cut_fit, "coupon_chance",
                        lambda p, at: seen.append(len(at.ln_share)) or plain(p, at))  # fmt: skip
    rows: list[int] = []
    chances = graded.grade_chances
    monkeypatch.setattr(graded, "grade_chances",
                        lambda f, at: rows.append(len(at.ln_share)) or chances(f, at))  # fmt: skip
    monkeypatch.setattr(region, "_BLOCK", 60)
    parts = [of.chance_through(80, speeds), of.expected_char(80, speeds)]
    assert np.array(parts) == pytest.approx(np.array(whole))
    assert (seen, rows) == ([10, 1], [3, 3, 3, 2])


def test_medians_are_weighted() -> None:
    values = np.array([[3.0, 1.0], [1.0, 2.0], [2.0, 3.0], [4.0, 4.0]])
    assert list(region._weighted_median(values, np.array([0.2, 0.3, 0.2, 0.3]))) == [2.0, 2.0]
    assert list(region._weighted_median(values, np.array([2.0, 2.0, 1.0, 1.0]))) == [2.0, 2.0]
    assert list(region._weighted_median(values, np.array([0.0, 0.0, 9.0, 1.0]))) == [2.0, 3.0]
    assert list(region._weighted_median(values, np.array([0.25, 0.25, 0.25, 0.25]))) == [2.0, 2.0]


# Thinning.


def many_points(fit: Any, times: int) -> Any:
    """The same points over and over."""
    shape = type(fit.shape)(**{
        f.name: np.repeat(getattr(fit.shape, f.name), times, axis=0) for f in fields(fit.shape)
    })
    more = {"shape": shape, "location": np.repeat(fit.location, times),
            "weight": np.repeat(fit.weight, times) / times}  # fmt: skip
    if isinstance(fit, CutPoints):
        more["extra_sd"] = np.repeat(fit.extra_sd, times)
    return replace(fit, **more)


def test_regions_are_thinned_to_what_a_look_needs() -> None:
    of = cut_region()
    assert of.cut is not None
    long = replace(of.cut, here=many_points(of.cut.here, 300),
                   elsewhere=many_points(of.cut.elsewhere, 300))  # fmt: skip
    wide = replace(of, cut=long, char=many_points(of.char, 400), mark=many_points(of.char, 400))
    thin = thinning.thinned_region(wide)
    found = [len(f.weight) for f in (thin.cut.here, thin.cut.elsewhere, thin.char, thin.mark)]  # type: ignore[union-attr]
    assert found == [1500] * 4
    assert thin.chance_through(60, 12) == pytest.approx(of.chance_through(60, 12), abs=0.005)
    few = thinning.thinned_region(mark_region(), 3)
    assert few.cut is few.char is None
    assert few.mark is not None
    assert len(few.mark.weight) == 3
    none = thinning.thinned_region(replace(mark_region(), mark=None, char=few.mark), 2)
    assert none.mark is None
    assert none.char is not None
    assert len(none.char.weight) == 2
