"""Regions of a sheet that is known, cut or marked, and what is promised of them."""

from __future__ import annotations

import math
from typing import Any

from boards import BIRCH, CO2

import calib
from calib.advise.promise import Promised
from calib.records import Burn, Machine, Sheet

CARD = Sheet(name="card", material="card", thickness_mm=0.4)
# Power [%], speed [mm/s], passes, char.
CUTS = [(80.0, 14.0, 1, 2), (80.0, 18.5, 1, 1), (80.0, 20.0, 1, 1), (80.0, 24.0, 1, 0),
        (80.0, 30.0, 1, 0), (60.0, 11.0, 1, 2), (60.0, 14.5, 1, 1), (40.0, 6.0, 1, 3),
        (40.0, 9.5, 1, 1), (70.0, 20.0, 2, 3), (70.0, 30.0, 2, 1), (50.0, 14.0, 2, 3)]  # fmt: skip
JOB = {"source": "job", "sitting": "job 1", "count": 38, "cut_length_mm": 240.0}
LINES = [(20.0, 400.0, 1), (20.0, 250.0, 2), (30.0, 400.0, 2), (20.0, 120.0, 3), (15.0, 300.0, 1),
         (12.0, 400.0, 0), (40.0, 150.0, 4)]  # fmt: skip


def cut(power: float, speed: float, passes: int = 1, char: int | None = None, **more: Any) -> Burn:
    """Half of the coupons drop at 20 mm/s and 80 %, of two passes at about 1.6 times that."""
    spare = math.log(power / 80.0) - math.log(0.2 + 0.04 * speed / passes**0.7)
    grade = "through" if spare > 0 else "hanging" if spare > -0.06 else "no"
    given = {"power_pct": power, "speed_mm_s": speed, "passes": passes, "through": grade} | more
    return Burn(operation="cut", char=None if grade == "no" else char, **given)


def known(passes: int = 1, machine: Machine = CO2) -> calib.Region:
    burns = [cut(*given) for given in CUTS if given[2] <= passes]
    return calib.fit_region(machine, BIRCH, evidence=burns)


def marked(operation: str = "line_mark") -> calib.Region:
    pitches = (0.1, 0.2) if operation == "area_mark" else (None,)
    burns = [
        Burn(operation=operation, power_pct=p, speed_mm_s=v, mark=m, line_pitch_mm=pitches[n % len(pitches)])  # type: ignore[arg-type] # noqa: E501
        for n, (p, v, m) in enumerate(LINES)
    ]  # fmt: skip
    return calib.fit_region(CO2, BIRCH, operation, evidence=burns)


def promised(region: calib.Region, **more: Any) -> Promised:
    given = {"char_at_most": None, "mark": 2, "cut_length_mm": None, "next_sheet": False}
    return Promised(region=region, **given | more)
