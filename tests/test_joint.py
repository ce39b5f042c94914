"""Joints: what comes out of readings whose truth is known."""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from boards import BIRCH, CO2

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
from joint_figures import joint_of

from calib.boards.comb import CombBoard, plan_comb
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.joints.caliper import Caliper, Estimate, scatter_of
from calib.joints.comb_reading import Faces, FitReading
from calib.joints.joint import GLUE_GAP_MM, fit_joint
from calib.records import Setting, Sheet

CUT = Setting(power_pct=60.0, speed_mm_s=12.0)
BOARD = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0)
STOCK = (3.0, 3.0, 3.0)
SURE = Caliper(resolution_mm=0.0, limit_mm=0.0, repeatability_mm=0.001)


def felt(board: CombBoard, slot_mm: float, tongue_mm: float | None = None, half=0.06):
    """Readings of a hand that never errs, for snug widths as drawn."""
    readings = []
    for step in board.steps:
        middle = {"slot": slot_mm, "tongue": tongue_mm}.get(step.kind)
        if middle is None:
            continue
        play = step.width_mm - middle if step.kind == "slot" else middle - step.width_mm
        word = "tight" if play < -half else "loose" if play > half else "snug"
        readings.append(FitReading(label=step.label, feel=word))
    return readings


def measured(board: CombBoard, top: float, bottom: float, labels=("G", "T4", "T5", "T6")):
    steps = {step.label: step for step in board.steps}
    readings = []
    for label in labels:
        sign = -1 if steps[label].kind == "tongue" else 1
        width = steps[label].width_mm
        readings.append(
            FitReading(
                label=label,
                top_mm=(width + sign * top,) * 3,
                bottom_mm=(width + sign * bottom,) * 3,
            )
        )
    return readings


def test_feel_alone_gives_the_kerf_whatever_snug_means_to_the_hand():
    # Kerf 0.18; this hand calls snug what is 0.04 narrower than the stock.
    for pinch in (-0.04, 0.0, 0.04):
        slot, tongue = 3.0 - 0.18 - pinch, 8.0 + 2 * 0.18 + pinch
        joint = fit_joint(BOARD, felt(BOARD, slot, tongue), STOCK, caliper=SURE)
        assert joint.kerf_from == "the feel of slots and tongues"
        assert joint.kerf.value_mm == pytest.approx(0.18, abs=0.02)
        assert joint.kerf.low_mm < 0.18 < joint.kerf.high_mm
        assert joint.interference.value_mm == pytest.approx(pinch, abs=0.035)
        assert joint.press.difference.value_mm == pytest.approx(tongue - 8.0, abs=0.02)


def test_a_caliper_gives_the_kerf_of_each_face():
    readings = measured(BOARD, 0.25, 0.17) + felt(BOARD, 2.81, 8.36)
    joint = fit_joint(BOARD, readings, STOCK)
    assert joint.kerf_top.value_mm == pytest.approx(0.25)
    assert joint.kerf_bottom.value_mm == pytest.approx(0.17)
    assert joint.taper.value_mm == pytest.approx(0.08)
    # What sits in an opening meets it where it is narrowest.
    assert joint.kerf.value_mm == pytest.approx(0.17, abs=1e-3)
    assert joint.kerf_from == "the caliper on this comb"


def test_the_narrower_of_two_faces_has_clarks_moments():
    """Mean and variance of the least of two normals (Clark 1961, from memory), by drawing."""
    kerf = {
        "top": Estimate(value_mm=0.25, random_mm=0.03),
        "bottom": Estimate(value_mm=0.27, random_mm=0.04),
    }
    found = Faces(kerf=kerf, scatter=scatter_of([], Caliper())).narrowest
    draws = np.random.default_rng(1).normal([0.25, 0.27], [0.03, 0.04], (200_000, 2)).min(axis=1)
    assert found.value_mm == pytest.approx(draws.mean(), abs=3e-4)
    assert found.random_mm == pytest.approx(draws.std(), rel=0.01)


def test_slots_and_tongues_cancel_what_both_jaws_show_too_much():
    readings = [
        FitReading(label="G", across_mm=(8.22,) * 3),
        FitReading(label="T5", across_mm=(8.22,) * 3),
    ]
    both = fit_joint(BOARD, readings, STOCK).kerf
    assert both.value_mm == pytest.approx(0.2)
    assert (both.inside, both.outside) == (pytest.approx(0.5), pytest.approx(-0.5))


def test_the_kerf_of_coupons_is_taken_when_it_is_surer():
    coupon = Estimate(value_mm=0.19, random_mm=0.006, outside=-1.0, limit_mm=0.01)
    joint = fit_joint(BOARD, felt(BOARD, 2.8, 8.4), STOCK, coupon_kerf=coupon)
    assert joint.kerf == coupon
    assert joint.kerf_from == "the measured size of coupons"


def test_fits_stand_to_one_another_as_they_should():
    readings = measured(BOARD, 0.24, 0.18) + felt(BOARD, 2.80, 8.38)
    joint = fit_joint(BOARD, readings, STOCK, caliper=SURE)
    press, glue, inlay = joint.press, joint.glue, joint.inlay
    assert press.difference.value_mm == pytest.approx(8.38 - 8.0, abs=0.02)
    assert press.slot_minus_stock.value_mm == pytest.approx(-0.20, abs=0.02)
    assert glue.difference.value_mm == pytest.approx(2 * joint.kerf.value_mm - GLUE_GAP_MM)
    assert glue.slot_minus_stock.value_mm == pytest.approx(GLUE_GAP_MM - joint.kerf.value_mm)
    assert inlay.difference.value_mm == pytest.approx(0.24 + 0.18, abs=1e-3)
    for fit in (press, glue, inlay):
        assert fit.both_outlines_mm == pytest.approx(fit.difference.value_mm / 4)
        assert fit.one_outline_mm == pytest.approx(fit.difference.value_mm / 2)


def test_glue_is_never_tighter_than_what_felt_snug():
    # This hand calls snug what has 0.2 mm of play.
    readings = measured(BOARD, 0.2, 0.2) + felt(BOARD, 3.0, 8.2)
    joint = fit_joint(BOARD, readings, STOCK, caliper=SURE)
    assert joint.glue.difference == joint.press.difference
    assert "drawn as the press fit" in joint.glue.assumes


def section(
    width: float, top: float, bottom: float, thickness=3.0, *, hole: bool
) -> shapely.Polygon:
    """Cross section through a hole or an insert, cut by a beam wider at one face; x over depth."""
    sign = 1 if hole else -1
    above, below = (width + sign * top) / 2, (width + sign * bottom) / 2
    return shapely.Polygon([(-above, 0), (above, 0), (below, -thickness), (-below, -thickness)])


@pytest.mark.parametrize(("top", "bottom"), [(0.26, 0.14), (0.14, 0.26), (0.2, 0.2)])
def test_an_inlay_drawn_as_advised_closes_over_the_whole_thickness(top: float, bottom: float):
    joint = fit_joint(BOARD, measured(BOARD, top, bottom), STOCK)
    drawn = 20.0
    hole = section(drawn, top, bottom, hole=True)
    insert = section(drawn + joint.inlay.difference.value_mm, top, bottom, hole=False)
    turned = shapely.affinity.scale(insert, yfact=-1, origin=(0, -1.5))
    assert hole.symmetric_difference(turned).area < 1e-3
    # Laid in as it was cut, it can only be so wide that it doesn't jam: then it gapes elsewhere.
    jams_at = 20.0 + 2 * min(top, bottom)
    upright = section(jams_at, top, bottom, hole=False)
    assert hole.buffer(1e-6).contains(upright)
    gape = abs(top - bottom)
    assert hole.difference(upright).area == pytest.approx(2 * gape * 3.0 / 2, abs=1e-6)
    if gape:
        assert f"a gap of {gape:.2f} mm a side" in joint.inlay.assumes


@pytest.mark.parametrize(
    ("feel", "edge", "words"),
    [
        ("tight", "all_tight", "All slots were tight: the snug one isn't among them. Plan another"
         " comb with a kerf of 0.02 mm instead of 0.2."),
        ("loose", "all_loose", "All slots were loose: the snug one isn't among them. Plan another"
         " comb with a kerf of 0.60 mm instead of 0.2."),
    ],
)  # fmt: skip
def test_a_ladder_that_misses_the_snug_slot_says_which_way_to_go(feel, edge, words):
    readings = [FitReading(label=slot.label, feel=feel) for slot in BOARD.slots]
    joint = fit_joint(BOARD, readings, STOCK)
    assert joint.slot is None
    assert joint.slot_edge == edge
    assert joint.press is None
    assert words in joint.notes
    # The next comb lies on the side that is called for.
    again = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0, kerf_mm=0.02 if feel == "tight" else 0.6)
    middle, old = again.slots[4].width_mm, BOARD.slots[4].width_mm
    assert (middle > old) == (feel == "tight")


def test_nothing_read_gives_nothing():
    with pytest.raises(NotEnoughEvidence, match=f"nothing was read off comb {BOARD.board_id}"):
        fit_joint(BOARD, [FitReading(label="S1")], STOCK)


def test_slips_are_refused_with_their_value():
    with pytest.raises(InvalidRecord, match="There is no 'S12' on comb"):
        fit_joint(BOARD, [FitReading(label="S12", feel="snug")], STOCK)
    with pytest.raises(
        InvalidRecord, match=r"The width of T5 \(top\) measures 81.8 mm and was drawn 8.4 mm"
    ):
        fit_joint(BOARD, [FitReading(label="T5", top_mm=(81.8,))], STOCK)
    with pytest.raises(
        InvalidRecord, match=r"The width of G \(bottom\) measures 7.7 mm and was drawn 8 mm"
    ):
        fit_joint(BOARD, [FitReading(label="G", bottom_mm=(7.7,))], STOCK)
    with pytest.raises(InvalidRecord, match="How S1 feels is 'firm': give one of tight"):
        FitReading(label="S1", feel="firm")
    with pytest.raises(InvalidRecord, match=r"The width of S1 \(across\) is given as nan"):
        FitReading(label="S1", across_mm=(math.nan,))
    with pytest.raises(InvalidRecord, match="stock_mm is given as -3.0"):
        fit_joint(BOARD, felt(BOARD, 2.8), (-3.0,))


def test_simulated_combs_keep_the_bar():
    """120 combs of the benchmark's law; limits three standard errors below the bar's shares."""
    kerf_near, held, snug_near, snug_held = [], [], [], []
    for seed in range(120):
        _, truth, joint = joint_of(seed + 10_000)
        for estimate, true in (
            (joint.kerf_top, truth.top),
            (joint.kerf_bottom, truth.bottom),
            (joint.kerf, truth.narrowest),
        ):
            kerf_near.append(abs(estimate.value_mm - true) <= 0.03)
            held.append(estimate.low_mm <= true <= estimate.high_mm)
        if joint.slot is not None:
            snug_near.append(abs(joint.slot.middle_mm - truth.snug_slot()) <= 0.05)
            snug_held.append(joint.slot.low_mm <= truth.snug_slot() <= joint.slot.high_mm)
    assert len(snug_near) >= 110
    assert np.mean(kerf_near) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 120)
    assert np.mean(snug_near) >= 0.90
    for share in (np.mean(held), np.mean(snug_held)):
        assert abs(share - 0.95) <= 3 * math.sqrt(0.95 * 0.05 / 120)


ACRYLIC = plan_comb(
    CO2, Sheet(name="clear", material="cast acrylic", thickness_mm=3.0), CUT, stock_mm=3.0
)
MIXED = [FitReading(label=label, feel=feel) for label, feel in
         (("S4", "snug"), ("S6", "loose"), ("S7", "snug"))]  # fmt: skip
LOOSE = [FitReading(label=t.label, feel="loose") for t in BOARD.tongues]


@pytest.mark.parametrize(
    ("board", "readings", "stock", "words"),
    [
        (BOARD, MIXED, STOCK, "None of the slots tried was tight"),
        (BOARD, MIXED, STOCK, "don't turn from tight to loose in one go"),
        (BOARD, LOOSE + felt(BOARD, 2.8), STOCK, "All tongues were loose: .* kerf of 0.40 mm"),
        (
            BOARD,
            measured(BOARD, 0.3, 0.3) + felt(BOARD, 2.8, 8.4),
            STOCK,
            "further apart than chance",
        ),
        (BOARD, felt(BOARD, 2.8, 8.4), (), "stock wasn't measured: 3 mm"),
        (BOARD, felt(BOARD, 2.8, 8.4), (3.6,) * 3, "measures 3.60 mm, the comb was planned for 3"),
        (BOARD, [FitReading(label="T5", top_mm=(8.2,))], STOCK, "three times each at top and"),
        (BOARD, [FitReading(label="T5", top_mm=(8.2,))], STOCK, "slope of the cut isn't known"),
        (ACRYLIC, felt(ACRYLIC, 2.8, 8.4), STOCK, "cracks rather than gives"),
    ],
)
def test_what_the_user_must_know_is_said(board, readings, stock, words):
    notes = fit_joint(board, readings, stock).notes
    assert any(re.search(words, note) for note in notes), notes
