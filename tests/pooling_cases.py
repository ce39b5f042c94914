"""Machines, sheets, burns and summaries of pairs for the kept tests of pooling."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import norm

from calib.fit import coarse
from calib.fit.coarse import Draws, Moments
from calib.fit.expectation import cut_prior, mark_prior
from calib.fit.pair_summary import PairSummary, Response
from calib.records import Burn, Machine, Sheet

BENCH = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
LENS = replace(BENCH, name="lens", lens_mm=50.8, beam_mm=5.0, acceleration_mm_s2=3000.0)
METERED = replace(BENCH, name="metered", power_curve=((10.0, 4.0), (50.0, 31.0), (100.0, 52.0)))
SLOW = replace(BENCH, name="slow", max_speed_mm_s=20.0)
DIODE = replace(BENCH, name="diode", source="diode", rated_w=10.0)
MDF = Sheet(name="MDF 3", material="MDF", thickness_mm=3.0)
THICK = Sheet(name="MDF 6", material="MDF", thickness_mm=6.0, measured_mm=6.3, lot="a")
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
ACRYLIC = Sheet(name="clear 4", material="cast acrylic", thickness_mm=4.0)


@pytest.fixture
def double(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compute in double precision: in single, the sixth digit depends on the processor."""
    monkeypatch.setattr(coarse, "_single", lambda values: np.asarray(values, float))


def cut_burns(machine: Machine, sheet: Sheet, off: float, *, passes: int = 1) -> list[Burn]:
    """Burns about the edge of a sheet that needs e^off times the table's power."""
    prior = cut_prior(machine, sheet)
    found = []
    for number, (power, away) in enumerate(
        [(80.0, 0.5), (80.0, 0.15), (80.0, 0.02), (80.0, -0.1), (60.0, 0.1), (60.0, -0.06),
         (45.0, 0.2), (45.0, -0.03), (45.0, -0.4)]
    ):  # fmt: skip
        needed = machine.rated_w * power / 100.0 * math.exp(-prior.location - off - away)
        speed = prior.speed0_mm_s * max((needed - 0.2) / 0.8, 0.05)
        through = "through" if away > 0 else "hanging" if away > -0.07 else "no"
        found.append(
            Burn(
                operation="cut",
                power_pct=power,
                speed_mm_s=round(speed, 2),
                passes=1 + (passes - 1) * (number % 2),
                through=through,
                char=None if away < -0.3 else min(int(2.5 + 4 * away), 4),
                sitting=str(number // 5),
            )
        )
    return found


def marks(operation: str, pitch: float | None, sheet: Sheet = BIRCH) -> list[Burn]:
    prior = mark_prior(BENCH, sheet, operation)
    rows = [(12.0, 1.6, 1), (15.0, 1.0, 2), (20.0, 1.0, 3), (30.0, 0.9, 4), (20.0, 2.5, 0)]
    return [
        Burn(operation=operation, power_pct=p, speed_mm_s=round(prior.speed0_mm_s * r, 1), mark=g,
             line_pitch_mm=None if pitch is None else pitch * (1 + (i % 2)), passes=1 + (i == 3))
        for i, (p, r, g) in enumerate(rows)
    ]  # fmt: skip


def short(summary: PairSummary) -> dict[str, object]:
    """All numbers of a summary; of draws, two moments each."""
    found = {f.name: getattr(summary, f.name) for f in fields(summary)}
    found["draws"] = {
        name: (d.weight @ d.value, d.weight @ d.value**2) for name, d in summary.draws.items()
    }
    # Partly in single precision: compared where it is made.
    del found["sure_expected"]
    return found | {"machine": summary.machine.name, "sheet": summary.sheet.name}


SOURCES = (
    (BENCH, MDF, "cut", 0.3, 8.0),
    (LENS, THICK, "cut", 0.1, 4.0),
    (METERED, BIRCH, "cut", -0.2, 12.0),
    (BENCH, replace(THICK, lot="b"), "cut", 0.25, 5.0),
    (LENS, replace(MDF, name="MDF 3b"), "cut", 0.2, 9.0),
    (DIODE, BIRCH, "cut", 0.5, 2.0),
    (SLOW, ACRYLIC, "cut", -0.4, 15.0),
    (BENCH, BIRCH, "cut", 0.05, 11.0),
)


def summary_at(
    row: int, response: Response = "cut", names: Sequence[str] = ("floor", "scatter", "shared")
) -> PairSummary:
    """An invented summary; its draws are narrower than before the burns, and moved."""
    machine, sheet, _, mean, speed = SOURCES[row]
    z = norm.ppf((np.arange(30) + 0.5) / 30)
    draws = {}
    for place, name in enumerate(names):
        bump = np.exp(-0.5 * (z - 0.8 * math.sin(2.0 * row + place)) ** 2 / 0.6)
        draws[name] = Draws(value=z, weight=bump / bump.sum())
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response=response,
        speed_mm_s=speed,
        speed0_mm_s=0.8 * speed,
        excess=Moments(mean=mean, variance=0.01 + 0.002 * row),
        table=Moments(mean=0.0, variance=0.2 + 0.05 * row),
        draws=draws,
        floor=0.15 + 0.02 * row,
        floor_sd=0.05,
        slope=0.1 - 0.03 * row,
        sure_mm=3000.0 * row,
        sure_failures=float(row % 3),
        sure_expected=0.1 * row,
        readings=10,
    )


TARGET = (replace(LENS, name="new", lens_mm=63.5), replace(THICK, lot="new"))
