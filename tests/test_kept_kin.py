"""What kin share, and scores that pairs tell one another: whether any of it has changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import pytest
from kept_results import same_as_kept
from pooling_cases import DIODE, LENS, MDF, TARGET, THICK, summary_at

from calib.fit import coarse, kinship, shape_scores
from calib.fit.coarse import Moments
from calib.fit.pair_summary import Response

# Kin.


def units_told(response: Response, rows: Sequence[int]) -> object:
    target = kinship.Target(machine=TARGET[0], sheet=TARGET[1], speed_mm_s=6.0, table_variance=0.35)
    some = [summary_at(row, response) for row in rows]
    units, own = kinship.location_units(some, target, kinship.USUAL[response])
    told = {f.name: getattr(units, f.name) for f in fields(units)}
    told["effects"] = [list(row) for row in units.effects]
    return {"units": told, "own": own}


def test_what_pairs_share_is_what_it_was() -> None:
    found = {
        "cut": units_told("cut", range(8)),
        "char": units_told("char", (0, 1, 3)),
        "mark": units_told("area_mark", (2, 5)),
    }
    same_as_kept("kin_units", found)


def test_what_pairs_share_of_a_score_is_what_it_was() -> None:
    pairs = [(s.machine, s.sheet) for s in (summary_at(row) for row in range(8))]
    told = [Moments(mean=0.1 * i, variance=0.5 + 0.1 * i) for i in range(6)]
    some = {name: kinship.score_units(name, pairs, told) for name in ("floor", "exponent")}
    assert [sum(shares) for shares in kinship.SHARES.values()] == pytest.approx([1.0] * 11)
    kept = {"units": some, "shares": kinship.SHARES, "usual": kinship.USUAL}
    same_as_kept("kin_scores", kept)


def test_keys_tell_lasers_products_lots_and_pairs_apart() -> None:
    other_lens = replace(LENS, lens_mm=38.1)
    assert kinship.machine_key(LENS) == kinship.machine_key(other_lens)
    assert kinship.pair_key(LENS, MDF) != kinship.pair_key(other_lens, MDF)
    assert kinship.product_key(THICK) == kinship.product_key(replace(THICK, lot="z", name="mdf 6"))
    same_as_kept("kin_keys", [kinship.pair_key(m, s) for m in (LENS, DIODE) for s in (MDF, THICK)])


def test_the_beam_within_a_sheet_is_compared_with_a_usual_lens() -> None:
    usual = replace(LENS, lens_mm=50.8, beam_mm=6.5)
    assert kinship.ln_width(usual, 3.0) == pytest.approx(0.0)
    assert kinship.ln_width(DIODE, 3.0) is None
    assert kinship.ln_width(replace(DIODE, lens_mm=50.8, beam_mm=6.0), 3.0) is None
    assert kinship.ln_width(replace(LENS, beam_mm=None), 3.0) is None
    assert kinship.ln_width(replace(LENS, lens_mm=None), 3.0) is None
    lenses = [replace(LENS, lens_mm=f, beam_mm=b) for f in (38.1, 63.5, 101.6) for b in (4.0, 7.0)]
    same_as_kept("kin_width", [kinship.ln_width(m, t) for m in lenses for t in (1.0, 3.0, 8.0)])


# Scores that pairs tell one another.


def test_scores_told_by_pairs_together_are_what_they_were() -> None:
    some = [summary_at(row) for row in range(4)]
    pairs = [(s.machine, s.sheet) for s in some]
    draws = [s.draws["scatter"] for s in some]
    told = {n: shape_scores.told_scores("scatter", pairs[:n], draws[:n]) for n in (1, 2, 4)}
    assert told[1] == coarse.told_by(draws[:1], [Moments(mean=0.0, variance=1.0)])
    same_as_kept("told_scores", told)


def test_what_the_others_say_of_a_unit_is_what_they_say_without_it() -> None:
    """Against conditioning of one large normal on all values but one."""
    some = [summary_at(row) for row in range(5)]
    pairs = [(s.machine, s.sheet) for s in some]
    told = [Moments(mean=math.sin(i), variance=0.3 + 0.1 * i) for i in range(5)]
    units, _ = kinship.score_units("scatter", pairs, told)
    found = shape_scores._leaving_one_out(units)
    rows = units.effects * units.base
    before = rows @ rows.T + units.unit_base**2 * np.eye(5)
    for i in range(5):
        rest = [j for j in range(5) if j != i]
        known = before[np.ix_(rest, rest)] + np.diag(units.variance[rest])
        gain = before[i, rest] @ np.linalg.inv(known)
        assert found[i].mean == pytest.approx(gain @ units.value[rest])
        assert found[i].variance == pytest.approx(before[i, i] - gain @ before[rest, i])
