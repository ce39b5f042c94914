"""What readings that contradict a fit, and trends on a board, gave before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from fit_cases import cut, cut_region, line, mark_region, marks, mixed_burns
from kept_results import same_as_kept
from scipy.special import ndtr

from calib.fit import consistency, cut_fit
from calib.records import Burn

pytestmark = pytest.mark.usefixtures("fit_afresh")


def test_readings_and_their_chances_are_what_they_were() -> None:
    of = cut_region()
    assert of.cut is not None
    chances = consistency.read_chances(of)
    assert chances.sum(axis=0) == pytest.approx(np.ones(len(of.burns)))
    lines = mark_region("line_mark", burns=tuple(marks()[5:]))
    kept = [chances, *(consistency.read_chances(r) for r in (mark_region(), lines))]
    grade = np.array([consistency._grade(b) for b in of.burns])
    grades = [consistency._grade(b) for b in (*marks(), *mixed_burns())]
    kept += [consistency.surprise(chances, grade), grades]
    same_as_kept("read_chances", kept)


def test_how_many_points_readings_are_judged_on(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []
    plain = cut_fit.thinned
    for place in (consistency, cut_fit):
        monkeypatch.setattr(place, "thinned", lambda p, n: seen.append(n) or plain(p, n))
    of = cut_region()
    consistency.read_chances(of)
    of.median_reach(60, 12)
    assert seen == [2000, 4000]


def test_scores_of_trends_are_what_they_were() -> None:
    residual = np.array([-0.5, 0.1, 0.4, -0.2, 0.6, 0.3])
    place = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 8.0])
    assert consistency.trend_z(residual, np.ones(6)) == 0.0
    assert consistency.trend_z(np.zeros(6), place) == 0.0
    assert consistency.trend_z(residual, -place) == -consistency.trend_z(residual, place)
    same_as_kept("trend_scores", [consistency.trend_z(residual, place), consistency._TREND_Z])
    # Two-sided, one board in a hundred.
    assert 2 * ndtr(-consistency._TREND_Z) == pytest.approx(0.01, rel=1e-2)


def told_odd(
    monkeypatch: pytest.MonkeyPatch, z: float, burns: Sequence[Burn], chance: float = 0.5
) -> list[str]:
    grades = np.full((5, len(burns)), 0.5)
    grades[:, -1] = chance
    monkeypatch.setattr(consistency, "trend_z", lambda residual, variable: z)
    monkeypatch.setattr(consistency, "read_chances", lambda of: grades)
    return consistency.inconsistencies(cut_region(burns=tuple(burns)))


def test_contradictions_are_said_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    placed = [
        cut(60, 10 + n, "through", burn_order=n + 1, x_mm=9.0 * n if n else 0.0, y_mm=3.0 * n)
        for n in range(6)
    ]
    unplaced = [*placed[:5], replace(placed[5], x_mm=None)]
    marked = [line(20, 90.5 + n, n % 5, burn_order=n + 1) for n in range(7)]
    kept = {
        "five": told_odd(monkeypatch, 9.0, placed[:5]),
        "six": told_odd(monkeypatch, 9.0, placed),
        "six down": told_odd(monkeypatch, -9.0, placed),
        "unplaced": told_odd(monkeypatch, 9.0, unplaced),
        "below": told_odd(monkeypatch, 2.5759, placed),
        "above": told_odd(monkeypatch, 2.5761, placed),
        "unlikely": told_odd(monkeypatch, 0.0, placed, 0.0049),
        "likely": told_odd(monkeypatch, 0.0, placed, 0.0051),
        "marks": told_odd(monkeypatch, 0.0, marked, 0.001),
    }
    assert kept["five"] == []
    same_as_kept("contradictions", kept)


def test_trends_are_found_in_burns_of_a_made_up_board() -> None:
    """Through on the left, not on the right, whatever the setting: nothing else is said."""
    burns = tuple(
        cut(58.0, 14.0, "through" if n % 8 < 4 else "no", x_mm=10.0 * (n % 8), y_mm=5.0 * (n % 3))
        for n in range(24)
    )
    same_as_kept("trend_left_to_right", consistency.inconsistencies(cut_region(burns=burns)))
