"""Small features of a job: narrow holes, bridges and strips, and slow small holes."""

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_jobs import BENCH, PANEL_SETTINGS, Stub, job_of, panel

from calib.jobs.features import KERF_MM, LISTED, least_widths_mm, small_features
from calib.jobs.paths import strokes_of_paths
from calib.records import Setting


def test_the_panel_has_one_narrow_hole_and_one_narrow_bridge():
    found = small_features(panel(), BENCH, PANEL_SETTINGS, kerf_mm=0.2)
    by_kind = {f.kind: f for f in found.features}
    assert found.counts["narrow outline"] == found.counts["narrow strip"] == 1
    assert by_kind["narrow outline"].size_mm == pytest.approx(0.5, rel=0.01)
    assert by_kind["narrow outline"].place_mm == (30.0, 22.0)
    strip = by_kind["narrow strip"]
    assert strip.size_mm == pytest.approx(0.6, abs=0.01)
    assert 60.0 < strip.place_mm[0] < 100.0
    assert strip.place_mm[1] == pytest.approx(56.3, abs=0.01)
    assert "0.40 mm is left" in strip.words
    assert found.notes == ()


@pytest.mark.parametrize(
    ("path", "strips"),
    [
        ("M0 0h30v30h-30z", 0),
        ("M0 0l30 10l-30 10z", 0),  # a corner of 37 degrees
        ("M0 0h30v.5h-29v9h-1z", 1),  # a finger half a millimetre wide
        ("M0 0h10v10h-10z M10.5 0h10v10h-10z", 1),
        ("M0 0h10v10h-10z M12 0h10v10h-10z", 0),
        ("M0 0a5 5 0 0 1 10 0a5 5 0 0 1-10 0z M10.4 0a5 5 0 0 1 10 0a5 5 0 0 1-10 0z", 1),
        ("M0 0h10 M10 0v10", 0),  # lines that meet
        ("M0 5h10 M5 0v10", 0),  # lines that cross
    ],
)
def test_strips_between_cuts(path, strips):
    found = small_features(job_of("cut", path), BENCH, {}, kerf_mm=0.2)
    assert found.counts["narrow strip"] == strips


def test_least_width_of_a_turned_slot():
    c, s = math.cos(0.7), math.sin(0.7)
    slot = strokes_of_paths(["M0 0h9v2h-9z"], np.array([[c, s, -s, c, 0.0, 0.0]]))[0]
    assert least_widths_mm(slot)[0] == pytest.approx(2.0, rel=0.01)
    assert least_widths_mm(slot)[0] >= 2.0 - 1e-9


def test_small_holes_that_stay_slow_are_named_with_their_energy():
    job = job_of("cut", "M50 50a1.5 1.5 0 1 0 .001 0z", "M0 0h100v100h-100z")
    setting = Setting(power_pct=50.0, speed_mm_s=120.0)
    machine = replace(BENCH, acceleration_mm_s2=1000.0, power_follows_speed=True)
    found = small_features(job, machine, {"a": setting}, kerf_mm=0.2, region=Stub())
    slow = [f for f in found.features if f.kind == "slow outline"]
    assert slow[0].place_mm == (50.0, 50.0)
    # On a radius of 1.5 mm the head runs at √(1000 × 1.5) = 38.7 mm/s at most.
    assert slow[0].energy_ratio > 120.0 / 38.8
    assert "times the energy per length, so more char" in slow[0].words
    assert "Chance of tan or cleaner" in slow[0].words
    assert "lowers the power with the speed" in " ".join(found.notes)


def test_only_the_worst_are_listed_and_a_guessed_kerf_is_said():
    paths = [f"M{3 * i} 0h.4v5h-.4z" for i in range(LISTED + 5)]
    found = small_features(job_of("cut", *paths), BENCH, {})
    assert found.counts["narrow outline"] == LISTED + 5
    assert sum(f.kind == "narrow outline" for f in found.features) == LISTED
    assert f"{KERF_MM:g} mm was taken, a guess" in found.notes[0]
