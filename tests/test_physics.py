"""Formulas against published and worked values, their limits and each other."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.physics import (
    areal_dose_j_mm2,
    delivered_power_w,
    line_energy_j_mm,
    mean_coupon_speed_mm_s,
    move_time_s,
    run_up_mm,
    severance_energy_j_mm2,
    spot_mm,
)
from calib.records import Machine

REFERENCE = Path(__file__).parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def machine(**fields: object) -> Machine:
    base = {"name": "m", "rated_w": 60.0, "bed_mm": (600.0, 400.0), "max_speed_mm_s": 400.0}
    return Machine(**(base | fields))  # type: ignore[arg-type]


@pytest.mark.parametrize("row", rows("moves_from_rest.csv"), ids=lambda r: f"{r['distance']} mm")
def test_moves_from_rest_take_the_published_time(row: dict[str, str]) -> None:
    d, v, a, t, tolerance = (
        float(row[k]) for k in ("distance", "speed", "acceleration", "time", "tolerance")
    )
    assert float(move_time_s(d, v, a)) == pytest.approx(t, abs=tolerance)


def test_the_move_formula_to_nine_digits() -> None:
    assert float(move_time_s(10.0, 0.5, 0.3)) == pytest.approx(20.0 + 5.0 / 3.0, rel=1e-9)
    assert float(move_time_s(0.5, 300.0, 2000.0)) == pytest.approx(1.0 / math.sqrt(1e3), rel=1e-9)


def integrated_time(distance: float, speed: float, acceleration: float) -> float:
    """Time of the same move by adding up small steps of path, from the speed at each."""
    edges = np.linspace(0.0, distance, 200_001)
    middle = (edges[1:] + edges[:-1]) / 2.0
    ramp = np.minimum(middle, distance - middle)
    return float(np.sum(np.diff(edges) / np.minimum(speed, np.sqrt(2.0 * acceleration * ramp))))


@pytest.mark.parametrize("row", rows("moves_from_rest.csv"), ids=lambda r: f"{r['distance']} mm")
def test_moves_agree_with_step_by_step_integration(row: dict[str, str]) -> None:
    d, v, a = (float(row[k]) for k in ("distance", "speed", "acceleration"))
    # The steps next to standstill are the coarse ones: 0.3 % is what the source's check reached.
    assert float(move_time_s(d, v, a)) == pytest.approx(integrated_time(d, v, a), rel=3e-3)


POSITIVE = st.floats(0.1, 1000.0)


@given(d=POSITIVE, v=POSITIVE, a=st.floats(10.0, 20000.0))
@settings(max_examples=200, deadline=None)
def test_a_move_is_never_faster_than_without_ramps(d: float, v: float, a: float) -> None:
    time, peak = float(move_time_s(d, v, a)), min(v, math.sqrt(a * d))
    assert time >= d / v
    assert time >= 2.0 * math.sqrt(d / a) * (1 - 1e-12)
    # Mean speed of a move lies between half its peak and its peak.
    assert peak / 2.0 * (1 - 1e-12) <= d / time <= peak


def test_a_run_up_is_a_fifth_longer_than_the_ramp() -> None:
    run_up = run_up_mm(300.0, 3000.0)
    assert run_up == pytest.approx(18.0)
    # From rest over the run-up alone the head gets past the speed.
    assert math.sqrt(2.0 * 3000.0 * run_up) == pytest.approx(300.0 * math.sqrt(1.2))


@pytest.mark.parametrize("row", rows("energies.csv"), ids=lambda r: f"{r['quantity']} {r['value']}")
def test_energies_by_their_definitions(row: dict[str, str]) -> None:
    formula = {"severance": severance_energy_j_mm2, "areal": areal_dose_j_mm2}[row["quantity"]]
    power, speed, length = (float(row[k]) for k in ("power_w", "speed_mm_s", "length_mm"))
    expected = pytest.approx(float(row["value"]), abs=float(row["tolerance"]))
    assert float(formula(power, speed, length)) == expected


def test_energies_take_arrays_of_any_shape() -> None:
    energy = line_energy_j_mm(np.array([[10.0], [20.0]]), np.array([5.0, 10.0, 20.0]))
    assert energy.shape == (2, 3)
    assert energy.tolist() == [[2.0, 1.0, 0.5], [4.0, 2.0, 1.0]]


@pytest.mark.parametrize("speed_mm_s", [10.0, 80.0, 150.0, 400.0])
def test_the_mean_speed_round_a_coupon_is_that_of_its_integral(speed_mm_s: float) -> None:
    a = 1500.0
    # Sides of 10 mm between quarter circles of 3 mm, on which v² / r may not exceed a.
    corner = min(speed_mm_s, math.sqrt(a * 3.0))
    edges = np.linspace(0.0, 10.0, 20_001)
    middle = (edges[1:] + edges[:-1]) / 2.0
    ramp = np.sqrt(corner**2 + 2.0 * a * np.minimum(middle, 10.0 - middle))
    side_s = float(np.sum(np.diff(edges) / np.minimum(speed_mm_s, ramp)))
    arc_mm = math.pi * 3.0 / 2.0
    expected = (10.0 + arc_mm) / (side_s + arc_mm / corner)
    assert float(mean_coupon_speed_mm_s(speed_mm_s, a)) == pytest.approx(expected, rel=1e-6)


# Worked values of 4 M² λ f / (π D), M² 1.2, 10.6 um, aberration ignored (our arithmetic).
@pytest.mark.parametrize(
    ("lens_mm", "beam_mm", "expected_mm"),
    [(38.1, 7.0, 0.0882), (50.8, 7.0, 0.1175), (50.8, 6.0, 0.1371), (63.5, 7.0, 0.1469)],
)
def test_spot_of_a_lens(lens_mm: float, beam_mm: float, expected_mm: float) -> None:
    assert spot_mm(lens_mm, beam_mm) == pytest.approx(expected_mm, abs=6e-5)


def test_power_without_a_curve_is_a_share_of_the_rating() -> None:
    watts = delivered_power_w(machine(rated_w=50.0), [15.0, 50.0, 100.0])
    assert watts == pytest.approx([7.5, 25.0, 50.0])


def test_power_follows_the_measured_curve() -> None:
    curve = ((20.0, 8.0), (50.0, 32.0), (80.0, 44.0))
    watts = delivered_power_w(machine(power_curve=curve), [20.0, 35.0, 50.0, 65.0, 80.0])
    assert watts == pytest.approx([8.0, 20.0, 32.0, 38.0, 44.0])


def test_power_outside_the_curve_stays_in_proportion() -> None:
    curve = ((20.0, 8.0), (80.0, 44.0))
    watts = delivered_power_w(machine(power_curve=curve), [10.0, 100.0])
    assert watts == pytest.approx([4.0, 55.0])


@given(pct=st.lists(st.floats(1.0, 100.0), min_size=2, max_size=20))
@settings(max_examples=100, deadline=None)
def test_more_per_cent_never_gives_fewer_watts(pct: list[float]) -> None:
    curve = ((15.0, 3.0), (40.0, 25.0), (70.0, 50.0), (100.0, 52.0))
    watts = delivered_power_w(machine(power_curve=curve), sorted(pct))
    assert np.all(np.diff(watts) >= 0.0)
