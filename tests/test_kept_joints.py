"""What combs and joints gave before."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import BIRCH, CO2
from joint_cases import ACRYLIC, COARSE, CUT, SURE, ladder, length, refusal
from kept_results import same_as_kept

from calib.advise import caliper as caliper_module
from calib.advise import comb_reading, feel, joint, kerf
from calib.advise.caliper import Caliper, Estimate, scatter_of
from calib.advise.comb_reading import Faces, FitReading
from calib.advise.joint_words import joint_words
from calib.grid.comb import CombBoard, plan_comb
from calib.records import Sheet

pytestmark = pytest.mark.usefixtures("caliper_afresh")

# Readings of combs.


def board(sheet: Sheet = BIRCH, **more: Any) -> CombBoard:
    return plan_comb(CO2, sheet, CUT, stock_mm=3.0, **more)


def felt(comb: CombBoard, slot: float | None, tongue: float | None = None) -> list[FitReading]:
    """Readings of a hand that never errs, for snug widths as drawn."""
    readings = []
    for step in comb.steps:
        middle = {"slot": slot, "tongue": tongue}.get(step.kind)
        if middle is None:
            continue
        play = step.width_mm - middle if step.kind == "slot" else middle - step.width_mm
        word = "tight" if play < -0.06 else "loose" if play > 0.06 else "snug"
        readings.append(FitReading(label=step.label, feel=word))  # type: ignore[arg-type]
    return readings


def measured(comb: CombBoard, kerfs: Mapping[str, float], labels: str) -> list[FitReading]:
    """Slots, gauge and tongues as a caliper shows them, three times each, a little apart."""
    steps = {step.label: step for step in comb.steps}
    readings = []
    for n, label in enumerate(labels.split()):
        width, sign = steps[label].width_mm, -1 if steps[label].kind == "tongue" else 1
        shown = {
            face: tuple(width + sign * value + 0.01 * ((n + i) % 3 - 1) for i in range(3))
            for face, value in kerfs.items()
        }
        readings.append(FitReading(label=label, **shown))  # type: ignore[arg-type]
    return readings


def test_ladders_and_faces_of_a_comb_are_what_they_were() -> None:
    comb = board()
    readings = felt(comb, 2.8, 8.4) + measured(comb, {"top_mm": 0.25, "across_mm": 0.2}, "S2 G T3")
    matched = comb_reading.checked(comb, [*readings, FitReading(label="G", feel="snug")])
    faces = comb_reading.faces_of(matched, (3.0, 3.02), Caliper())
    bare = comb_reading.faces_of(matched[:3], (), COARSE)
    without = board(tongues=0)
    none = comb_reading.ladders_of(without, comb_reading.checked(without, felt(without, 2.8)))
    kept = [comb_reading.ladders_of(comb, matched), faces, faces.narrowest, bare, none]
    same_as_kept("comb_read", kept)


def test_the_narrowest_face_is_what_it_was() -> None:
    scatter = scatter_of([], Caliper())
    top, bottom = (
        length(value, 0.01, degrees=6.0, outside=-1.0, limit_mm=0.02) for value in (0.25, 0.24)
    )
    given: list[dict[Any, Estimate]] = [
        {}, {"top": top}, {"bottom": bottom}, {"top": top, "bottom": bottom},
        {"top": bottom, "bottom": top}, {"top": top, "bottom": top},
        {"top": top, "bottom": bottom, "across": length(0.2, 0.01)},
        {"top": length(0.2, 0.0), "bottom": length(0.3, 0.0)},
        {"top": length(0.3, 0.0), "bottom": length(0.3, 0.0)},
    ]  # fmt: skip
    kept = []
    for kerfs in given:
        faces = Faces(kerf=kerfs, scatter=scatter)
        kept.append([faces.taper, faces.narrowest])
    same_as_kept("comb_narrowest", kept)


def test_the_lesser_of_two_has_clarks_moments() -> None:
    """Mean and variance of the least of two normals, by drawing (Clark 1961)."""
    one, two = length(0.25, 0.03), length(0.27, 0.04)
    found = comb_reading._lesser(one, two, caliper_module.combine([(1.0, one), (-1.0, two)]))
    draws = np.random.default_rng(1).normal([0.25, 0.27], [0.03, 0.04], (200_000, 2)).min(axis=1)
    assert found.value_mm == pytest.approx(draws.mean(), abs=3e-4)
    assert found.random_mm == pytest.approx(draws.std(), rel=0.01)


def test_what_no_caliper_shows_is_refused() -> None:
    comb = board()
    kept = [
        refusal(lambda w=w: comb_reading.check_widths("W", [w]))  # type: ignore[list-item]
        for w in (0.0, -1.0, 1000.1, math.inf, math.nan, True, "3")
    ]
    kept += [
        refusal(lambda: FitReading(label="S1", feel="firm")),  # type: ignore[arg-type]
        refusal(lambda: FitReading(label="S1", bottom_mm=(0.0,))),
        refusal(lambda: comb_reading.checked(comb, [FitReading(label="S77")])),
        refusal(lambda: joint.fit_joint(comb, [])),
        refusal(lambda: joint.fit_joint(comb, [], [0.0])),
        refusal(lambda: joint.fit_joint(comb, [FitReading(label="T5", top_mm=(3.0,))])),
    ]
    same_as_kept("comb_refusals", kept)
    comb_reading.check_widths("W", [1000.0, 1e-3, 3])


# Joints.


def told(found: joint.Joint) -> object:
    estimates = (found.kerf, found.slot_minus_stock, found.interference)
    fits = [fit for fit in (found.press, found.glue, found.inlay) if fit is not None]
    return {
        "kerf": [found.kerf_from, found.kerf_top, found.kerf_bottom, found.taper, found.stock],
        "snug": [s and (s.label, s.middle_mm, s.sd_mm) for s in (found.slot, found.tongue)],
        "edges": [found.slot_edge, found.tongue_edge],
        "estimates": estimates,
        "fits": [[f.name, f.difference, f.slot_minus_stock, f.both_outlines_mm] for f in fits],
        "words": joint_words(found),
    }


def kinds() -> dict[str, Callable[[], joint.Joint]]:
    comb, clear = board(), board(ACRYLIC, kerf_mm=0.1)
    slots = board(tongues=0)
    both = {"top_mm": 0.25, "bottom_mm": 0.17}
    coupon = length(0.30, 0.006, outside=-1.0, limit_mm=0.01)
    fit = joint.fit_joint
    return {
        "feel": lambda: fit(comb, felt(comb, 2.8, 8.38), (3.0, 3.01, 3.0)),
        "slots": lambda: fit(slots, felt(slots, 2.83), (3.0,), caliper=COARSE),
        "slots and coupon": lambda: fit(slots, felt(slots, 2.83), (3.0,), coupon_kerf=coupon),
        "tongues and coupon": lambda: fit(comb, felt(comb, None, 8.4), (3,), coupon_kerf=coupon),
        "tongues": lambda: fit(comb, felt(comb, None, 8.4), (3.31, 3.32)),
        "faces": lambda: fit(comb, measured(comb, both, "G T4 T5 S3") + felt(comb, 2.8, 8.4), (3,)),
        "wider below": lambda: fit(
            comb, measured(comb, {"top_mm": 0.12, "bottom_mm": 0.2}, "G T4")
        ),
        "across": lambda: fit(comb, measured(comb, {"across_mm": 0.4}, "T5 S1"), (2.7, 2.69)),
        "bottom": lambda: fit(comb, measured(comb, {"bottom_mm": 0.2}, "T5"), (2.71,)),
        "coupon": lambda: fit(comb, felt(comb, 2.8, 8.4), (3.0,), coupon_kerf=coupon),
        "coupon only": lambda: fit(comb, [], coupon_kerf=coupon),
        "acrylic": lambda: fit(clear, felt(clear, 2.95, 8.1), (3.0,), caliper=SURE),
        "all one": lambda: fit(comb, felt(comb, 9.0, 9.9), (3.0,), coupon_kerf=coupon),
        "all the other": lambda: fit(comb, felt(comb, 1.0, 1.9), (3.0,), coupon_kerf=coupon),
        "loose glue": lambda: fit(comb, felt(comb, 2.94, 8.2), (3.0,), coupon_kerf=coupon),
    }


@pytest.mark.parametrize("name", sorted(kinds()))
def test_joints_are_what_they_were(name: str) -> None:
    same_as_kept(f"joint_{name.replace(' ', '_')}", told(kinds()[name]()))


def test_the_error_of_a_slot_is_counted_once() -> None:
    """Of independent errors the variances add: i = −tongue − 2 slot, or −2 slot − doubt."""
    comb, slots = board(), board(tongues=0)
    both = joint.fit_joint(comb, felt(comb, 2.8, 8.4), (3.0,))
    tongue, slot = both.press, both.slot_minus_stock
    assert tongue is not None
    assert slot is not None
    assert both.interference is not None
    wanted = math.hypot(tongue.difference.random_mm, 2.0 * slot.random_mm)
    assert both.interference.random_mm == pytest.approx(wanted)
    alone = joint.fit_joint(slots, felt(slots, 2.8), (3.0,))
    assert alone.press is not None
    assert alone.slot_minus_stock is not None
    wanted = math.hypot(joint.SNUG_DOUBT_MM, 2.0 * alone.slot_minus_stock.random_mm)
    assert alone.press.difference.random_mm == pytest.approx(wanted)
    assert alone.press.difference.outside == pytest.approx(2.0)


def notes(made: joint.Joint, comb: CombBoard, *given: tuple[str, Estimate]) -> list[str]:
    ladders = comb_reading.ladders_of(comb, [])
    return list(joint._notes(comb, ladders, made, given, stock_measured=True))


def test_what_a_joint_calls_for_begins_where_it_did() -> None:
    comb = board()
    first = joint.fit_joint(comb, felt(comb, 2.8, 8.4), (3.0,))

    def said(word: str, made: joint.Joint, *ways: tuple[str, Estimate]) -> bool:
        return any(word in line for line in notes(made, comb, *ways))

    def known(random: float) -> joint.Joint:
        return replace(first, kerf=length(0.2, random))

    # A normal's 95 % interval is 1.96 standard deviations either way.
    assert [said("only known", known(s)) for s in (0.0178, 0.0179)] == [False, True]
    assert not said("only known", replace(first, kerf=None))
    stocks = (2.695, 2.705, 3.295, 3.305)
    odd = [said("same stock", replace(first, stock=length(s, 0.01))) for s in stocks]
    assert odd == [True, False, False, True]
    mates = [("one", length(0.2, 0.03)), ("two", length(0.299, 0.04)), ("three", length(0.3, 0.04))]
    assert not said("more apart", first, *mates)
    assert said("more apart", first, mates[0], ("far", length(0.301, 0.04)))


def test_notes_on_ladders_are_what_they_were() -> None:
    comb, without = board(), board(tongues=0)
    kept = []
    for word in ("", "ttt", "lll", "sss", "ts", "sl", "tsl", "tst"):
        for name in ("slots", "tongues"):
            given = ladder(word, wide=name == "tongues")
            kept.append([*joint._ladder_notes(comb, given, name)])
            kept.append([*joint._ladder_notes(without, given, name)])
    same_as_kept("joint_ladder_notes", kept)


def test_the_constants_of_joints_are_what_they_were() -> None:
    """Guesses and common practice, no source."""
    names = {
        joint: ("GLUE_GAP_MM", "SNUG_DOUBT_MM", "WIDE_MM", "_BRITTLE"),
        feel: ("HALF_SNUG_MM", "SCATTER_MM", "LN_SD", "SLOT_SD_MM", "TONGUE_SD_MM", "MISREAD"),
        kerf: ("GROWTH_MM", "GROWTH_SD_MM", "PLAUSIBLE_MM"),
    }
    kept = {name: getattr(place, name) for place, given in names.items() for name in given}
    same_as_kept("joint_constants", kept)
