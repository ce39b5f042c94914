"""Calipers, lengths and ladders for the kept tests of joints."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import pytest

from calib.advise import caliper as caliper_module
from calib.advise.caliper import Caliper, Estimate
from calib.advise.feel import Ladder
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.records import Setting, Sheet

CUT = Setting(power_pct=60.0, speed_mm_s=12.0)
ACRYLIC = Sheet(name="clear 3", material="cast acrylic", thickness_mm=3.0)
COARSE = Caliper(resolution_mm=0.05, limit_mm=0.03, repeatability_mm=0.02)
SURE = Caliper(resolution_mm=0.0, limit_mm=0.0, repeatability_mm=0.001)


@pytest.fixture
def caliper_afresh() -> Iterator[None]:
    """Nothing that calipers remember from one time to the next."""
    caliper_module._half_width.cache_clear()
    yield
    caliper_module._half_width.cache_clear()


def refusal(of: Callable[[], object]) -> str:
    with pytest.raises((InvalidRecord, NotEnoughEvidence)) as caught:
        of()
    return f"{type(caught.value).__name__}: {caught.value}"


def length(value: float, random: float, **more: float) -> Estimate:
    return Estimate(value_mm=value, random_mm=random, **more)


def all_of(estimate: Estimate | None) -> object:
    if estimate is None:
        return None
    return [estimate, estimate.standard_mm, estimate.half_width_mm, str(estimate)]


def ladder(feels: str, *, wide: bool = False, widths: Iterable[float] = (), **more: Any) -> Ladder:
    """A ladder of letters, from narrow to wide; steps of 0.05 mm about 2.8 mm."""
    names = {"t": "tight", "s": "snug", "l": "loose"}
    drawn = tuple(widths) or tuple(2.8 + 0.05 * (n - len(feels) // 2) for n in range(len(feels)))
    given: dict[str, Any] = {
        "labels": tuple(f"S{n}" for n in range(1, len(feels) + 1)),
        "widths_mm": drawn,
        "feels": tuple(names[letter] for letter in feels),
        "middle_mm": 2.8,
        "sd_mm": 0.15,
        "wide_is_tight": wide,
    }
    return Ladder(**(given | more))
