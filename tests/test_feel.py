"""Snug widths from tight, snug and loose."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from calib.joints import feel
from calib.joints.feel import Ladder, snug_of

SLOTS = tuple(round(2.6 + 0.05 * n, 2) for n in range(9))
CODES = {"t": "tight", "s": "snug", "l": "loose"}


def ladder(feels: str, widths=SLOTS, *, tongues=False, middle=2.8) -> Ladder:
    return Ladder(
        labels=tuple(f"{'T' if tongues else 'S'}{n}" for n in range(1, len(widths) + 1)),
        widths_mm=widths,
        feels=tuple(CODES[sign] for sign in feels),
        middle_mm=middle,
        sd_mm=0.15,
        wide_is_tight=tongues,
    )


def test_the_snug_slot_is_the_middle_one_of_those_that_felt_so():
    found = snug_of(ladder("tttsssl" + "ll"))
    assert found.label == "S5"
    assert found.middle_mm == pytest.approx(2.80, abs=0.005)
    assert found.low_mm < found.middle_mm < found.high_mm
    assert sum(p for _, p in found.chances) == pytest.approx(1.0)


def test_the_posterior_agrees_with_plain_integration():
    # Two readings, h and s integrated by another rule over their whole prior.
    widths, middle = (2.75, 2.85), 2.8

    z = np.linspace(-4, 4, 81)
    m = np.linspace(2.3, 3.3, 201)
    half = feel.HALF_SNUG_MM * np.exp(feel.LN_SD * z)[None, :, None]
    scatter = feel.SCATTER_MM * np.exp(feel.LN_SD * z)[None, None, :]
    at = m[:, None, None]
    tight = 0.98 * norm.cdf((-half - (widths[0] - at)) / scatter) + 0.02 / 3
    loose = 0.98 * norm.cdf((widths[1] - at - half) / scatter) + 0.02 / 3
    share = norm.pdf(z)[:, None] * norm.pdf(z)[None, :]
    density = (tight * loose * share).sum(axis=(1, 2)) * norm.pdf(m, middle, 0.15)
    density /= density.sum()
    mean = density @ m
    found = snug_of(ladder("tl", widths))
    assert found.middle_mm == pytest.approx(mean, abs=0.003)
    assert found.sd_mm == pytest.approx(math.sqrt(density @ (m - mean) ** 2), rel=0.03)


@pytest.mark.parametrize(
    ("feels", "edge", "in_order"),
    [
        ("", "unread", True),
        ("ttttttttt", "all_tight", True),
        ("lllllllll", "all_loose", True),
        ("sssssssss", "all_snug", True),
        ("tttttssss", "one_sided", True),
        ("ssllsllll", "one_sided", False),
        ("ttttsllll", "bracketed", True),
        ("tltllllll", "bracketed", False),
    ],
)
def test_edges(feels: str, edge: str, in_order: bool):
    tried = ladder(feels, SLOTS[: len(feels)])
    assert tried.edge == edge
    assert tried.in_order == in_order
