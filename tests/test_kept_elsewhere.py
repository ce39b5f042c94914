"""Starting points on other machines: whether any of them has changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from advice_cases import known, marked
from boards import BIRCH, CO2, DIODE
from kept_results import refusal, same_as_kept

import calib
from calib.advise import transfer
from calib.fit import graded
from calib.records import Setting


def told(start: calib.StartingPoint) -> list[object]:
    names = ("setting", "interval_mm_s", "reliability", "chance", "notes", "confirm")
    same = (start.power_pct, start.speed_mm_s, start.passes, start.line_pitch_mm)
    return [*(getattr(start, name) for name in names), same]


def test_starting_points_of_cuts_are_as_they_were() -> None:
    region = known(machine=replace(CO2, lens_mm=50.8, beam_mm=6.5))
    kept = []
    for changes in ({"rated_w": 120.0}, {"rated_w": 121.0, "lens_mm": None}, {"rated_w": 29.9},
                    {"rated_w": 8.0, "acceleration_mm_s2": 400.0}):  # fmt: skip
        there = replace(region.machine, name="there", **changes)  # type: ignore[arg-type]
        kept.append(told(transfer.starting_point(transfer.transfer_region(region, there), 0.95)))
    same_as_kept("starts_of_cuts", kept)


def test_starting_points_of_marks_are_as_they_were() -> None:
    there = replace(CO2, name="there", rated_w=40.0)
    kept = []
    for operation, mark in (("line_mark", 2), ("area_mark", 3)):
        other = transfer.transfer_region(marked(operation), there)
        kept.append(told(transfer.starting_point(other, mark=mark)))
    assert other.mark is not None
    fit = graded.thinned(other.mark, 100)
    for pitch in (None, 0.15):
        at = Setting(power_pct=30.0, speed_mm_s=90.0, line_pitch_mm=pitch)
        kept += [transfer.middle_speeds_mm_s(other, fit, at, m) for m in range(5)]
    same_as_kept("starts_of_marks", kept)


def test_speeds_elsewhere_are_as_they_were() -> None:
    region = known()
    kept: list[object] = [
        transfer.reliable_speeds_mm_s(region, p, r) for p, r in ((80.0, 0.99), (45.0, 0.8))
    ]
    kept.append(transfer._quantiles(np.linspace(1.0, 2.0, 1001)))
    assert transfer._quantiles(np.linspace(0.0, 1.0, 1001)) == pytest.approx((0.05, 0.5, 0.95))
    pool = transfer.carried_pool(region)
    both = transfer.carried_pool(region, transfer.carried_pool(marked()))
    kept.append([pool.pairs, both.pairs])
    unburnt = calib.fit_region(CO2, BIRCH)
    kept.append(transfer._transfer_notes(unburnt, replace(CO2, name="b", rated_w=30.0)))
    kept.append(transfer._transfer_notes(unburnt, replace(CO2, name="b", rated_w=29.0)))
    kept.append(refusal(lambda: transfer.transfer_region(region, DIODE)))
    kept.append(refusal(lambda: transfer.expected_start(region)))
    same_as_kept("speeds_elsewhere", kept)


def test_a_sheet_that_may_not_be_cut_at_all_is_said_to_be() -> None:
    """From a slow end of the interval below the slowest speed that is safe, 1.5 mm/s, on."""
    weak = transfer.expected_start(replace(calib.fit_region(DIODE, BIRCH), notes=("a", "a")))
    enough = transfer.expected_start(replace(calib.fit_region(CO2, BIRCH), notes=("a", "a")))
    assert weak.slowest_mm_s < 1.5 < enough.slowest_mm_s
    notes = [weak.notes, enough.notes]
    assert [len(some) for some in notes] == [2, 1]
    same_as_kept("starts_too_slow", notes)
