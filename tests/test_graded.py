"""Graded responses against brute force, Monte Carlo from the prior, and mathematics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from calib.fit.fits import fit as fit_graded
from calib.fit.model import counted_ln_share, grade_chances, set_ln_share, settings_of
from calib.fit.priors import MISREAD, GradedPrior
from calib.records import Burn, Machine

MACHINE = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
PRIOR = GradedPrior(location=math.log(6.0), speed0_mm_s=150.0)
# A dozen line marks: power [%], speed [mm/s], grade; as they might come out of two boards.
MARKS = (
    (12, 300, 0), (12, 150, 2), (12, 75, 3), (16, 300, 1), (16, 150, 3), (16, 75, 4),
    (22, 300, 2), (22, 220, 2), (14, 220, 1), (14, 200, 2), (18, 300, 1), (20, 240, 2),
)  # fmt: skip


def marks(rows=MARKS, **extra) -> list[Burn]:
    return [
        Burn(operation="line_mark", power_pct=float(p), speed_mm_s=float(v), mark=g, **extra)
        for p, v, g in rows
    ]


def chances(fit, settings, response="mark") -> np.ndarray:
    """Chance of each grade, (5, n)."""
    power, speed = np.array(settings, dtype=float).T
    columns = [power, speed, np.ones(len(power)), np.full(len(power), np.nan)]
    return grade_chances(fit.here, settings_of(MACHINE, columns, fit.prior, response))


def brute_force(settings, draws=3_000_000) -> tuple[np.ndarray, float]:
    """Chances of each grade by weighting plain draws of the prior, (5, n); its effective size.

    Shares no code with the library; the model is written out again from its definition.
    """
    rng = np.random.default_rng(11)
    total, size, squares = np.zeros((5, len(settings))), 0.0, 0.0
    for _ in range(draws // 100_000):
        alpha = PRIOR.location + 0.6 * rng.standard_t(4, 100_000)
        k, g = rng.normal(1, 0.1, 100_000), np.maximum(rng.normal(1, 0.25, 100_000), 0.05)
        s = np.exp(rng.normal(PRIOR.scatter_ln, 0.4, 100_000))
        low, middle, high = np.exp(rng.normal(PRIOR.width_ln, 0.5, (3, 100_000)))
        cuts = [-np.inf, -low, 0.0, middle, middle + high, np.inf]

        def chance_of(power, speed, grade, at=(alpha, k, g, s, cuts)):
            alpha, k, g, s, cuts = at
            y = math.log(60.0) + k * math.log(power / 100) - g * math.log(speed / 150.0) - alpha
            return special.ndtr((cuts[grade + 1] - y) / s) - special.ndtr((cuts[grade] - y) / s)

        weight = np.ones(100_000)
        for power, speed, grade in MARKS:
            weight *= (1 - MISREAD) * chance_of(power, speed, grade) + MISREAD / 5
        size, squares = size + weight.sum(), squares + (weight**2).sum()
        for i, (power, speed) in enumerate(settings):
            for grade in range(5):
                total[grade, i] += (weight * chance_of(power, speed, grade)).sum()
    return total / size, size**2 / squares


def test_agrees_with_brute_force():
    """Within 0.004, some ten times the yardstick's own error."""
    settings = [(12.0, 200.0), (16.0, 260.0), (22.0, 260.0), (25.0, 300.0)]
    drawn, effective = brute_force(settings)
    assert effective > 5000
    found = chances(fit_graded(MACHINE, marks(), PRIOR, "mark"), settings)
    np.testing.assert_allclose(found, drawn, rtol=0, atol=4e-3)


@pytest.mark.parametrize("most", [0.0, 0.1])
def test_without_burns_it_is_the_prior(most):
    """Plain Monte Carlo from the prior, drawn here with numpy; the beam starts at 0 to ``most``."""
    rng = np.random.default_rng(8)
    n = 400_000
    alpha = PRIOR.location + 0.6 * rng.standard_t(4, n)
    k, g = rng.normal(1, 0.1, n), np.maximum(rng.normal(1, 0.25, n), 0.05)
    s = np.exp(rng.normal(PRIOR.scatter_ln, 0.4, n))
    low, middle, high = np.exp(rng.normal(PRIOR.width_ln, 0.5, (3, n)))
    start = rng.uniform(0.0, most, n) if most else np.zeros(n)
    share = 0.3 * (0.12 - start) / (0.3 - start)
    y = math.log(60) + k * np.log(share) - g * math.log(200 / 150) - alpha
    y = y + s * rng.standard_normal(n)
    grade = (y > -low).astype(int) + (y > 0) + (y > middle) + (y > middle + high)
    drawn = np.bincount(grade, minlength=5) / n
    fit = fit_graded(MACHINE, [], replace(PRIOR, start_most=most), "mark")
    np.testing.assert_allclose(chances(fit, [(12.0, 200.0)])[:, 0], drawn, atol=6e-3)


def test_order_does_not_matter_and_count_two_is_two_burns():
    at = [(15.0, 200.0), (20.0, 300.0)]
    usual = chances(fit_graded(MACHINE, marks(), PRIOR, "mark"), at)
    backwards = chances(fit_graded(MACHINE, marks()[::-1], PRIOR, "mark"), at)
    np.testing.assert_array_equal(usual, backwards)
    twice = chances(fit_graded(MACHINE, marks() + marks(), PRIOR, "mark"), at)
    counted = chances(fit_graded(MACHINE, marks(count=2), PRIOR, "mark"), at)
    np.testing.assert_allclose(twice, counted, atol=1e-12)


def test_chances_sum_to_one_and_deeper_with_power():
    fit = fit_graded(MACHINE, marks(), PRIOR, "mark")
    found = chances(fit, [(float(p), 200.0) for p in range(5, 81, 5)])
    np.testing.assert_allclose(found.sum(axis=0), 1.0, atol=1e-12)
    at_most = np.cumsum(found, axis=0)[:4]
    assert (np.diff(at_most, axis=1) <= 1e-12).all()


def test_char_counts_only_where_something_was_cut():
    """Char of a coupon that was not cut says nothing; hanging counts."""
    prior = GradedPrior(location=math.log(50.0), speed0_mm_s=20.0)

    def cut(through, char):
        return Burn(operation="cut", power_pct=60.0, speed_mm_s=15.0, through=through, char=char)

    fit = fit_graded(MACHINE, [cut("no", 4), cut("no", 3)], prior, "char")
    assert fit.readings == 0
    fit = fit_graded(MACHINE, [cut("no", 4), cut("hanging", 2), cut("through", 1)], prior, "char")
    assert fit.readings == 2


def test_what_a_power_counts_for_and_back():
    """At the pivot all starts agree; where nothing comes out it is still a number."""
    start = np.array([0.0, 0.05, 0.15])
    for share in (0.2, 0.3, 0.8):
        counted = counted_ln_share(np.log(share), start, 0.3)
        # By hand: (p - d) / (p0 - d) of p0.
        by_hand = 0.3 * (share - start) / (0.3 - start)
        np.testing.assert_allclose(np.exp(counted), by_hand, rtol=1e-12)
        np.testing.assert_allclose(np.exp(set_ln_share(counted, start, 0.3)), share, rtol=1e-12)
    assert np.isfinite(counted_ln_share(np.log(0.1), start, 0.3)).all()


@pytest.mark.parametrize("grade", range(5))
def test_many_alike_readings_draw_the_chance_to_their_grade(grade):
    rows = [(15, 200, grade)] * 12
    fit = fit_graded(MACHINE, marks(rows), PRIOR, "mark")
    found = chances(fit, [(15.0, 200.0)])[:, 0]
    assert found.argmax() == grade
    assert found[grade] > 0.8


def test_finer_lines_mark_deeper():
    """An area's dose is shared by its pitch: the same setting at half the pitch goes deeper."""

    def area(power, pitch, grade):
        return Burn(
            operation="area_mark",
            power_pct=power,
            speed_mm_s=200.0,
            line_pitch_mm=pitch,
            mark=grade,
        )

    burns = [area(12.0, 0.1, 2), area(12.0, 0.2, 1), area(20.0, 0.1, 3), area(20.0, 0.2, 2)] * 2
    fit = fit_graded(MACHINE, burns, PRIOR, "mark")
    columns = [np.full(3, 15.0), np.full(3, 200.0), np.ones(3), np.array([0.08, 0.15, 0.3])]
    at = settings_of(MACHINE, columns, PRIOR, "mark")
    depth = np.arange(5) @ grade_chances(fit.here, at)
    assert (np.diff(depth) < 0).all()
    assert fit.learned["pitch"] < 0.95
