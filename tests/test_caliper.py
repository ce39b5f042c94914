"""Uncertainty against the worked examples of the GUM, and intervals against plain simulation.

GUM: JCGM 100:2008, Evaluation of measurement data, Guide to the expression of uncertainty in
measurement. Its figures are from memory; where its printed steps are rounded, that is said.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import InvalidRecord
from calib.joints.caliper import (
    GUESSED_REPEATABILITY_MM,
    PLACE_SCATTER_MM,
    Caliper,
    Estimate,
    combine,
    effective_degrees,
    scatter_of,
    weighted,
)

# Table 1 of 4.4.3: twenty readings of a temperature.
TEMPERATURES = (
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
)  # fmt: skip
# Table H.1: length of an end gauge; nm and degrees of freedom.
END_GAUGE = {
    "standard": (25.0, 18.0),
    "comparison": (9.7, 25.6),
    "expansion": (2.9, 50.0),
    "temperature": (16.6, 2.0),
}
IDEAL = Caliper(resolution_mm=0.0, limit_mm=0.0)


def test_repeated_readings_as_in_4_4_3():
    places = [(t,) for t in TEMPERATURES]
    scatter = scatter_of([places], IDEAL)
    assert np.mean(TEMPERATURES) == pytest.approx(100.145)
    assert f"{scatter.between_mm:.2f}" == "1.49"
    assert scatter.between_degrees == 19
    estimate = scatter.mean(places, outside=1.0)
    assert estimate.value_mm == pytest.approx(100.145)
    assert f"{estimate.random_mm:.2f}" == "0.33"
    assert estimate.degrees == pytest.approx(19)


def test_a_rectangular_error_as_in_4_4_5():
    # 4 degrees either way, evenly likely: 2.3 degrees.
    assert (
        f"{Estimate(value_mm=100.0, random_mm=0.0, outside=1.0, limit_mm=4.0).standard_mm:.1f}"
        == "2.3"
    )


def test_a_resolution_is_worth_0_29_of_its_step_as_in_f_2_2_1():
    tool = Caliper(resolution_mm=0.5, limit_mm=0.0, repeatability_mm=1e-9)
    scatter = scatter_of([[(1.0,)] * 9], tool)
    estimate = scatter.mean([(1.0,)] * 9, outside=1.0)
    assert estimate.random_mm == pytest.approx(0.29 * 0.5, abs=0.001)


def test_the_end_gauge_as_in_h_1():
    combined = math.sqrt(sum(u**2 for u, _ in END_GAUGE.values()))
    assert round(combined) == 32
    degrees = effective_degrees(END_GAUGE.values())
    # Printed as 16.7; with the parts as printed, to two digits, it is 16.76.
    assert degrees == pytest.approx(16.7, abs=0.1)
    # H.1.6: t99(16) = 2.92, U99 = 93 nm. Our interval is the 95 % one: t95(16) = 2.12 (table G.2).
    terms = [(1.0, Estimate(value_mm=0.0, random_mm=u, degrees=v)) for u, v in END_GAUGE.values()]
    length = combine(terms)
    assert length.standard_mm == pytest.approx(combined)
    assert length.degrees == pytest.approx(degrees)
    assert length.half_width_mm == pytest.approx(2.11 * combined, rel=2e-3)


@pytest.mark.parametrize(
    ("degrees", "factor"),
    [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (30, 2.04), (math.inf, 1.960)],
)
def test_factors_of_table_g_2(degrees: float, factor: float):
    estimate = Estimate(value_mm=0.0, random_mm=0.01, degrees=degrees)
    assert estimate.half_width_mm == pytest.approx(0.01 * factor, rel=2.5e-3)


@pytest.mark.parametrize(
    ("random_mm", "degrees", "inside", "outside"),
    [(0.01, 4.0, 1.0, -1.0), (0.003, math.inf, 1.0, 0.0), (0.003, math.inf, 0.5, -0.5),
     (0.0174, 2.0, 0.0, -1.0), (0.03, 12.0, 0.3, 2.0)],
)  # fmt: skip
def test_the_interval_is_that_of_the_sum_of_the_errors(random_mm, degrees, inside, outside):
    rng = np.random.default_rng(7)
    n = 400_000
    scatter = rng.standard_normal(n) if math.isinf(degrees) else rng.standard_t(degrees, n)
    errors = random_mm * scatter + 0.02 * (
        inside * rng.uniform(-1, 1, n) + outside * rng.uniform(-1, 1, n)
    )
    estimate = Estimate(
        value_mm=0.0, random_mm=random_mm, degrees=degrees, inside=inside, outside=outside,
        limit_mm=0.02,
    )  # fmt: skip
    # 400,000 draws put the 95 % point within some 0.3 %.
    assert estimate.half_width_mm == pytest.approx(np.quantile(np.abs(errors), 0.95), rel=0.01)


def test_the_jaws_error_of_two_lengths_cancels_in_their_difference():
    one = Estimate(value_mm=3.0, random_mm=0.003, outside=1.0, limit_mm=0.02)
    difference = combine([(1.0, one), (-1.0, one)])
    assert difference.value_mm == 0.0
    assert difference.standard_mm == pytest.approx(0.003 * math.sqrt(2))


def test_the_jaws_error_of_two_lengths_adds_up_in_their_sum():
    one = Estimate(value_mm=3.0, random_mm=0.0, outside=1.0, limit_mm=0.03)
    assert combine([(2.0, one), (1.0, one)]).standard_mm == pytest.approx(0.09 / math.sqrt(3))


def test_nothing_repeated_rests_on_a_guess():
    scatter = scatter_of([[(0.2,)]], Caliper())
    assert scatter.within_mm == GUESSED_REPEATABILITY_MM
    estimate = scatter.mean([(0.2,)], inside=1.0)
    assert estimate.random_mm == pytest.approx(
        math.hypot(GUESSED_REPEATABILITY_MM, PLACE_SCATTER_MM), rel=1e-2
    )


def test_readings_that_happen_to_agree_do_not_make_the_caliper_perfect():
    scatter = scatter_of([[(0.2, 0.2, 0.2)]], Caliper())
    assert scatter.within_mm == pytest.approx(GUESSED_REPEATABILITY_MM * math.sqrt(4 / 6))
    many = scatter_of([[(0.2, 0.21) * 50]], Caliper())
    squares = 4 * GUESSED_REPEATABILITY_MM**2 + 99 * np.var((0.2, 0.21) * 50, ddof=1)
    assert many.within_mm == pytest.approx(math.sqrt(squares / 103))
    assert many.within_degrees == 103


def test_many_places_tell_their_own_scatter():
    places = [(0.2 + 0.02 * (-1) ** n,) for n in range(8)]
    scatter = scatter_of([places], IDEAL)
    assert scatter.between_mm == pytest.approx(np.std([p[0] for p in places], ddof=1))
    estimate = scatter.mean(places, inside=1.0)
    assert estimate.random_mm == pytest.approx(scatter.between_mm / math.sqrt(8))
    assert estimate.degrees == pytest.approx(7)


def test_the_weighted_mean_is_nearer_to_the_surer_one():
    sure = Estimate(value_mm=0.20, random_mm=0.01, inside=1.0, limit_mm=0.0)
    vague = Estimate(value_mm=0.26, random_mm=0.02, outside=-1.0, limit_mm=0.0)
    both = weighted([sure, vague])
    assert both.value_mm == pytest.approx((4 * 0.20 + 0.26) / 5)
    assert both.random_mm == pytest.approx(math.sqrt(1 / (0.01**-2 + 0.02**-2)))
    assert (both.inside, both.outside) == pytest.approx((0.8, -0.2))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-3, 3), st.floats(-1, 1), st.floats(1e-4, 0.1), st.floats(1, 100),
            st.floats(-1, 1), st.floats(-1, 1),
        ),
        min_size=1,
        max_size=5,
    )
)  # fmt: skip
def test_sums_hold_their_terms_and_do_not_mind_the_order(rows):
    terms = [
        (f, Estimate(value_mm=v, random_mm=u, degrees=d, inside=i, outside=o, limit_mm=0.02))
        for f, v, u, d, i, o in rows
    ]
    total, turned = combine(terms), combine(terms[::-1])
    assert total.value_mm == pytest.approx(sum(f * e.value_mm for f, e in terms), abs=1e-12)
    assert total.standard_mm == pytest.approx(turned.standard_mm)
    assert total.low_mm <= total.value_mm <= total.high_mm
    assert total.standard_mm <= sum(abs(f) * e.standard_mm for f, e in terms) * (1 + 1e-9) + 1e-12


@pytest.mark.parametrize("field", ["resolution_mm", "limit_mm", "repeatability_mm"])
@pytest.mark.parametrize("value", [-0.01, 1.5, math.nan])
def test_a_caliper_out_of_range_is_refused(field: str, value: float):
    with pytest.raises(InvalidRecord, match=f"{field} is {value!r}: give a number from 0 to 1 mm"):
        Caliper(**{field: value})
