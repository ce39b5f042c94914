"""Burns, and fits on a few points, of which the kept tests of the fit ask."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from boards import BIRCH, CO2

from calib.errors import InvalidRecord
from calib.fit import cut as cut_model
from calib.fit import graded, region
from calib.fit.cut_fit import CutFit, CutPoints
from calib.fit.graded import GradedFit
from calib.fit.numerics import even_scores
from calib.fit.priors import CutPrior, GradedPrior
from calib.fit.region import Region
from calib.records import Burn


@pytest.fixture
def fit_afresh() -> Iterator[None]:
    """Nothing that the fit remembers from one time to the next."""
    even_scores.cache_clear()
    cut_model._floor_table.cache_clear()
    yield
    even_scores.cache_clear()
    cut_model._floor_table.cache_clear()


def refusal(of: Callable[[], object]) -> str:
    with pytest.raises((InvalidRecord, ValueError)) as caught:
        of()
    return f"{type(caught.value).__name__}: {caught.value}"


def cut(power: float, speed: float, through: str | None, **more: Any) -> Burn:
    return Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through, **more)  # type: ignore[arg-type]


def line(power: float, speed: float, grade: int | None, **more: Any) -> Burn:
    return Burn(operation="line_mark", power_pct=power, speed_mm_s=speed, mark=grade, **more)


def area(power: float, speed: float, pitch: float, grade: int | None, **more: Any) -> Burn:
    return Burn(
        operation="area_mark", power_pct=power, speed_mm_s=speed, line_pitch_mm=pitch, mark=grade,
        **more,
    )  # fmt: skip


CUT_PRIOR = CutPrior(location=3.0, defects_per_m=0.4)
CUT_SCORES = np.array([
    [-1.2, 0.3, 0.5, -0.7, 1.1, 0.2],
    [0.4, -0.8, -1.5, 1.3, -0.2, -1.0],
    [1.7, 1.4, 0.1, 0.2, 0.6, 2.1],
    [0.0, -9.0, 0.9, -1.8, -1.4, 0.7],
    [-7.0, 0.0, 0.0, 0.0, 0.0, -9.0],
    [7.0, 0.2, -0.3, 0.6, 0.8, 9.0],
])  # fmt: skip


def mixed_burns() -> list[Burn]:
    return [
        cut(80, 20, "through"), cut(80, 20, "through"), cut(60, 12, "hanging", passes=2),
        cut(30, 25, "no", count=3), cut(70, 15, None), line(20, 100, 2),
        cut(50, 14, "through", sitting="b", cut_length_mm=300.0),
        cut(50, 14, "hanging", sitting="b", cut_length_mm=150.0),
        cut(90, 16, "through", source="job", count=70, cut_length_mm=900.0),
        cut(40, 30, "no", sitting="b", source="check_strip"),
        cut(40, 31, "no", sitting="c"),
    ]  # fmt: skip


def few_cut_points(spread: float = 0.0) -> CutPoints:
    shape = cut_model.shape_of(CUT_SCORES, CUT_PRIOR)
    return CutPoints(
        shape=shape,
        location=np.array([3.1, 3.3, 2.9, 3.0, 3.2, 3.05]),
        extra_sd=spread * np.array([1.0, 2.0, 0.5, 1.0, 0.0, 1.5]),
        weight=np.array([0.3, 0.1, 0.2, 0.15, 0.05, 0.2]),
    )


GRADED_PRIOR = GradedPrior(location=2.6)
GRADED_SCORES = np.array([
    [0.2, -0.5, 1.1, 0.4, -0.3, 0.9, 0.1, -1.2],
    [-1.0, 0.7, -0.4, -1.1, 0.6, 0.2, -0.8, 0.5],
    [-9.0, -9.0, 0.3, 0.8, 1.4, -0.6, 1.3, -9.0],
    [0.5, 0.1, -1.3, 0.2, -0.9, 0.4, 0.0, 0.6],
])  # fmt: skip


def marks() -> list[Burn]:
    return [
        area(20, 100, 0.1, 2), area(20, 100, 0.1, 2, count=2), area(30, 200, 0.2, 1),
        area(60, 100, 0.1, 4), area(10, 300, 0.2, 0, passes=2), line(20, 90, 3), line(25, 80, None),
    ]  # fmt: skip


def few_graded_points() -> GradedFit:
    return GradedFit(
        prior=GRADED_PRIOR,
        shape=graded.graded_shape(GRADED_SCORES, GRADED_PRIOR),
        location=np.array([2.5, 2.9, 2.7, 2.6]),
        weight=np.array([0.4, 0.1, 0.3, 0.2]),
        learned={"edge": 0.5},
        readings=3,
    )


def cut_region(**more: Any) -> Region:
    fit = CutFit(prior=CUT_PRIOR, here=few_cut_points(), elsewhere=few_cut_points(0.08),
                 learned={"edge": 0.4}, effective=6.0)  # fmt: skip
    burns = tuple(b for b in mixed_burns() if b.operation == "cut")
    given: dict[str, Any] = {
        "machine": CO2, "sheet": BIRCH, "operation": "cut", "burns": burns, "edge": "bracketed",
        "defects_per_m": 0.4, "cut": fit, "char": few_graded_points(), "mark": None,
        "hulls": region.burnt_hulls(burns),
    }  # fmt: skip
    return Region(**(given | more))


def mark_region(operation: str = "area_mark", **more: Any) -> Region:
    given: dict[str, Any] = {
        "operation": operation, "cut": None, "char": None, "mark": few_graded_points(),
        "burns": tuple(marks()[:5]), "hulls": region.burnt_hulls(marks()[:5]),
    }  # fmt: skip
    return cut_region(**(given | more))
