"""What joints, kerfs, snug widths and caliper readings gave before."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import BIRCH, CO2, TUBE_100
from kept_results import same_as_kept
from scipy.stats import norm, t

from calib.advise import caliper as caliper_module
from calib.advise import comb_reading, feel, joint, kerf
from calib.advise.caliper import Caliper, Estimate, Scatter, scatter_of
from calib.advise.comb_reading import Faces, FitReading
from calib.advise.feel import Ladder
from calib.advise.joint_words import joint_words
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.grid.comb import CombBoard, plan_comb
from calib.records import Cell, Machine, Reading, Setting, Sheet

CUT = Setting(power_pct=60.0, speed_mm_s=12.0)
ACRYLIC = Sheet(name="clear 3", material="cast acrylic", thickness_mm=3.0)
COARSE = Caliper(resolution_mm=0.05, limit_mm=0.03, repeatability_mm=0.02)
SURE = Caliper(resolution_mm=0.0, limit_mm=0.0, repeatability_mm=0.001)


@pytest.fixture(autouse=True)
def _afresh() -> Iterator[None]:
    caliper_module._half_width.cache_clear()
    yield
    caliper_module._half_width.cache_clear()


def refusal(of: Callable[[], object]) -> str:
    with pytest.raises((InvalidRecord, NotEnoughEvidence)) as caught:
        of()
    return f"{type(caught.value).__name__}: {caught.value}"


def length(value: float, random: float, **more: float) -> Estimate:
    return Estimate(value_mm=value, random_mm=random, **more)


def all_of(estimate: Estimate | None) -> object:
    if estimate is None:
        return None
    return [estimate, estimate.standard_mm, estimate.half_width_mm, str(estimate)]


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


def ladder(feels: str, *, wide: bool = False, widths: Iterable[float] = (), **more: Any) -> Ladder:
    """A ladder of letters, from narrow to wide; steps of 0.05 mm about 2.8 mm."""
    names = {"t": "tight", "s": "snug", "l": "loose"}
    drawn = tuple(widths) or tuple(2.8 + 0.05 * (n - len(feels) // 2) for n in range(len(feels)))
    given: dict[str, Any] = {
        "labels": tuple(f"S{n}" for n in range(1, len(feels) + 1)),
        "widths_mm": drawn,
        "feels": tuple(names[letter] for letter in feels),
        "middle_mm": 2.8,
        "sd_mm": 0.15,
        "wide_is_tight": wide,
    }
    return Ladder(**(given | more))


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


# Kerf of coupons.

SPEEDS = (8.0, 12.0, 20.0, 33.0)


def cells_of(speeds: Iterable[float] = SPEEDS) -> list[Cell]:
    return [
        Cell(label=f"A{n}", power_pct=60.0, speed_mm_s=v, passes=1 + n % 2, x_mm=0.0, y_mm=0.0,
             width_mm=16.0, height_mm=12.0, burn_order=n)
        for n, v in enumerate(speeds, 1)
    ]  # fmt: skip


def coupons(cells: list[Cell], repeats: int = 2) -> list[Reading]:
    return [
        Reading(
            cell=cell.label,
            width_mm=cell.width_mm - 0.3 + 0.03 * n + 0.01 * again,
            height_mm=None if (n + again) % 3 == 0 else cell.height_mm - 0.28 + 0.02 * n,
        )
        for again in range(repeats)
        for n, cell in enumerate(cells)
    ]


@pytest.mark.parametrize("machine", [CO2, TUBE_100], ids=lambda m: m.name)
def test_kerfs_of_coupons_are_what_they_were(machine: Machine) -> None:
    cells = cells_of()
    points = kerf.kerf_from_coupons(machine, coupons(cells), cells)
    coarse = kerf.kerf_from_coupons(machine, coupons(cells[:2], 1), cells, caliper=COARSE)
    same_as_kept(f"kerf_points_{machine.name}", [points, coarse])
    law = kerf.kerf_by_energy(points)
    few = kerf.kerf_by_energy(coarse[:1], caliper=COARSE)
    energies = (0.5, law.middle_j_mm, 9.0)
    kept = [law, [law.at(e) for e in energies], few, [few.at(e) for e in energies]]
    kept.append(law.at_setting(machine, CUT))
    # Few places, not all read as often: then kerf and growth hang together.
    mixed = kerf.kerf_from_coupons(machine, coupons(cells[:3])[:4], cells)
    kept += [kerf.kerf_by_energy(mixed), kerf.kerf_by_energy(mixed).at(9.0)]
    same_as_kept(f"kerf_laws_{machine.name}", kept)


def test_points_of_one_energy_come_by_power() -> None:
    cells = [
        replace(cell, power_pct=p, speed_mm_s=v, passes=1)
        for cell, p, v in zip(cells_of(), (60, 30, 45, 15), (24, 12, 18, 6), strict=True)
    ]
    points = kerf.kerf_from_coupons(CO2, coupons(cells, 1), cells)
    assert len({round(p.line_energy_j_mm, 9) for p in points}) == 1
    energy = [(p.line_energy_j_mm, p.setting.power_pct) for p in points]
    assert energy == sorted(energy)
    assert energy[0][0] == pytest.approx(0.6 * 60.0 / 24)


def test_notes_on_a_kerf_law_are_what_they_were() -> None:
    same_as_kept("kerf_notes", [kerf._notes(a, n) for a, n in ((0.79, 4), (0.81, 3), (0.8, 5))])


def test_a_kerf_law_is_tested_where_it_was_measured() -> None:
    cells = cells_of()
    law = kerf.kerf_by_energy(kerf.kerf_from_coupons(CO2, coupons(cells), cells))
    low, high = law.low_j_mm, law.high_j_mm
    hairs = (-1e-8, -1e-10, 0.0, 1e-10, 1e-8)
    assert [law.tested(low * (1 + h)) for h in hairs] == [False, True, True, True, True]
    assert [law.tested(high * (1 + h)) for h in hairs] == [True, True, True, True, False]
    assert law.low_j_mm < law.middle_j_mm < law.high_j_mm


def test_kerfs_that_cannot_be_are_refused() -> None:
    cells = cells_of()
    kept = [
        refusal(lambda: kerf.kerf_of(10.3, 10.0, "W", part=True)),
        refusal(lambda: kerf.kerf_of(7.9, 10.0, "W", part=True)),
        refusal(lambda: kerf.kerf_of(9.7, 10.0, "W", part=False)),
        refusal(lambda: kerf.kerf_of(12.1, 10.0, "W", part=False)),
        refusal(lambda: kerf.kerf_by_energy([])),
        refusal(lambda: kerf.kerf_from_coupons(CO2, [Reading(cell="B7", width_mm=1.0)], cells)),
        refusal(lambda: kerf.kerf_from_coupons(CO2, [Reading(cell="A1", height_mm=9.0)], cells)),
    ]
    same_as_kept("kerf_refusals", kept)
    # The ends of what is plausible are still taken.
    assert kerf.kerf_of(8.0, 10.0, "W", part=True) == 2.0
    assert kerf.kerf_of(0.25, 0.0625, "W", part=False) == 0.1875
    assert kerf.kerf_of(0.2, 0.0, "W", part=True) == -0.2
    assert kerf.kerf_from_coupons(CO2, [Reading(cell="A1")], cells) == ()


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
