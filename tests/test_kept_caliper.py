"""What caliper readings and snug widths gave before."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from joint_cases import COARSE, all_of, ladder, length, refusal
from kept_results import same_as_kept
from scipy.stats import norm, t

from calib.advise import caliper as caliper_module
from calib.advise import feel
from calib.advise.caliper import Caliper, Scatter, scatter_of

pytestmark = pytest.mark.usefixtures("caliper_afresh")

# Caliper.


def test_intervals_of_lengths_are_what_they_were() -> None:
    kept = [
        all_of(length(0.2, random, degrees=degrees, inside=inside, outside=-0.5, limit_mm=0.02))
        for random in (0.0, 0.003, 0.02)
        for degrees in (1.0, 4.0, 40.0, math.inf)
        for inside in (0.0, 0.5, -1.0)
    ]
    same_as_kept("caliper_intervals", kept)


def test_half_an_interval_tends_to_what_is_known() -> None:
    """Quantiles of a normal, of Student's t, of the sum of two even errors (a triangle)."""
    half = caliper_module._half_width.__wrapped__
    assert half(0.01, math.inf, 0.0, 0.0) == pytest.approx(0.01 * norm.ppf(0.975), rel=1e-6)
    assert half(0.01, 5.0, 0.0, 0.0) == pytest.approx(0.01 * t.ppf(0.975, 5), rel=1e-6)
    assert half(1e-9, math.inf, 0.0, 0.0) == pytest.approx(1e-6 * norm.ppf(0.975), rel=1e-6)
    found, even = half(0.004, math.inf, 0.0, 0.02), np.linspace(-0.02, 0.02, 4001)
    within = norm.cdf((found - even) / 0.004) - norm.cdf((-found - even) / 0.004)
    assert within.mean() == pytest.approx(0.95, abs=2e-3)
    both = 2.0 * (1.0 - math.sqrt(0.05))
    assert half(0.003, math.inf, 0.02, 0.02) == pytest.approx(both * 0.02, rel=0.02)


def test_sums_of_lengths_are_what_they_were() -> None:
    one = length(0.2, 0.01, degrees=5.0, inside=1.0, limit_mm=0.02)
    two = length(0.3, 0.03, degrees=9.0, outside=-1.0, limit_mm=0.05)
    sure = length(0.1, 0.0)
    kept = [
        caliper_module.combine(terms)
        for terms in ([(2.0, one), (-1.0, two)], [(-1.0, sure)], [], [(0.5, one), (0.5, one)])
    ]
    kept += [caliper_module.weighted(some) for some in ([one], [one, two], [one, two, one])]
    same_as_kept("caliper_sums", kept)


PLACES = {
    "one": [[[0.20]]],
    "repeats": [[[0.20, 0.23, 0.19]], [[0.40, 0.41]]],
    "places": [[[0.20], [0.24], [0.17]], [], [[0.3, 0.33], [0.28]]],
    "many": [[[0.20], [0.22], [0.19], [0.25], [0.21], [0.18]]],
    "alike": [[[0.2], [0.2]], [[0.3]]],
}


def test_scatters_are_what_they_were() -> None:
    kept: dict[str, object] = {}
    for name, groups in PLACES.items():
        for tool in (Caliper(), COARSE):
            for fitted in (None, 2):
                scatter = scatter_of(groups, tool, fitted=fitted)
                estimate = caliper_module.mean_estimate(groups[0], scatter, tool, jaws="outside")
                kept[f"{name} {tool.resolution_mm} {fitted}"] = [scatter, estimate]
    kept["none"] = scatter_of([], Caliper())
    kept["inside"] = caliper_module.mean_estimate(
        PLACES["places"][0], scatter_of([], COARSE), COARSE, jaws="inside", sign=-1.0
    )
    same_as_kept("caliper_scatters", kept)


def test_from_five_degrees_on_the_places_speak_for_themselves() -> None:
    few, enough = (
        Scatter(within_mm=0.03, within_degrees=6.0, between_mm=0.1, between_degrees=n,
                resolution_mm=0.01)
        for n in (4, 5)
    )  # fmt: skip
    places = [[0.2], [0.3, 0.31], [0.25]]
    steps = 0.01**2 / 12
    uncertain, degrees = enough.of_mean(places)
    assert uncertain == pytest.approx(math.sqrt(0.1**2 / 3 + steps))
    assert degrees == pytest.approx(5 * (1 + steps * 3 / 0.1**2) ** 2)
    share = (1 + 1 / 2 + 1) / 9
    assert few.of_mean(places)[0] ** 2 == pytest.approx(0.03**2 * share + 0.01**2 / 3 + steps)
    sure = Scatter(within_mm=0, within_degrees=math.inf, between_mm=0, between_degrees=9,
                   resolution_mm=0)  # fmt: skip
    assert sure.of_mean([[1.0]]) == (1e-6, math.inf)
    same_as_kept("caliper_of_mean", [few.of_mean(places), few.of_mean(places[1:])])


def test_calipers_that_cannot_be_are_refused() -> None:
    wrong: list[dict[str, float]] = [
        {"resolution_mm": -0.01}, {"limit_mm": 1.01}, {"repeatability_mm": math.nan},
        {"resolution_mm": math.inf},
    ]  # fmt: skip
    same_as_kept("caliper_refusals", [refusal(lambda w=w: Caliper(**w)) for w in wrong])
    edge = Caliper(resolution_mm=0.0, limit_mm=1.0, repeatability_mm=0.0)
    assert edge.limit_mm == 1.0
    usual = Caliper()
    assert (usual.resolution_mm, usual.limit_mm, usual.repeatability_mm) == (0.01, 0.02, None)


# Feel.


def test_snug_widths_are_what_they_were() -> None:
    kept = {
        "slots": ladder("tttsslll"),
        "tongues": ladder("llsst", wide=True, sd_mm=0.25),
        "contradicting": ladder("tsltsll"),
        "one": ladder("s"),
        "far": ladder("tttt"),
        "twice": ladder("tsl", labels=("S1", "S2", "S1"), widths=(2.75, 2.8, 2.75)),
        "unsorted": ladder("lst", widths=(2.9, 2.82, 2.71)),
    }
    same_as_kept("snug_widths", {name: feel.snug_of(given) for name, given in kept.items()})


def test_snug_widths_follow_a_mirror_and_a_shift() -> None:
    slots = feel.snug_of(ladder("tttsslll"))
    tongues = feel.snug_of(ladder("tttsslll"[::-1], wide=True, widths=[
        5.6 - w for w in reversed(ladder("tttsslll").widths_mm)]))  # fmt: skip
    assert tongues.middle_mm == pytest.approx(5.6 - slots.middle_mm)
    assert tongues.sd_mm == pytest.approx(slots.sd_mm)
    moved = ladder("tttsslll", middle_mm=3.8)
    moved = replace(moved, widths_mm=tuple(w + 1.0 for w in moved.widths_mm))
    assert feel.snug_of(moved).low_mm == pytest.approx(slots.low_mm + 1.0)


def test_edges_and_orders_of_ladders_are_what_they_were() -> None:
    words = ("s", "ttt", "lll", "sss", "ts", "sl", "tsl", "tl", "tlt", "lst", "tst")
    kept = {
        f"{word}{' wide' * wide}": [
            (given := ladder(word, wide=wide)).edge,
            given.in_order,
        ]
        for word in words
        for wide in (False, True)
    }
    kept["same width"] = [(same := ladder("lt", widths=(2.8, 2.8))).edge, same.in_order]
    none = ladder("")
    assert none.edge == "unread"
    same_as_kept("ladder_edges", kept)
