"""How often kerf and snug slot are right, on simulated combs whose truth is known.

    python tests/benchmarks/joint_figures.py [number of combs] [first seed]

The truth follows other laws than the fit: the kerf differs from top to bottom, the same drawn
width wanders from place to place, hands feel with a logistic scatter, one feel in a hundred is
written down wrong, and each caliper has its own error. Seeds below 10,000 were used in tuning;
the default starts at 100,000.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from shared import numbers

from calib.boards.comb import CombBoard, plan_comb
from calib.joints.caliper import Caliper
from calib.joints.comb_reading import FitReading
from calib.joints.joint import Joint, fit_joint
from calib.joints.kerf import kerf_by_energy, kerf_from_coupons
from calib.records import Cell, Machine, Reading, Setting, Sheet

MACHINE = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
SHEET = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
SETTING = Setting(power_pct=60.0, speed_mm_s=12.0)
REPEATS = 3


@dataclass(frozen=True)
class Truth:
    """What is true of one simulated comb and caliper [mm]."""

    top: float
    bottom: float
    stock: float
    pinch: float  # by how much the middle of the snug slots is narrower than the stock
    half_snug: float
    hand: float
    wander: float
    sd: float
    inside: float
    outside: float
    misread: float

    @property
    def narrowest(self) -> float:
        return min(self.top, self.bottom)

    def snug_slot(self) -> float:
        return self.stock - self.narrowest - self.pinch


def draw_truth(rng: np.random.Generator, *, limit_mm: float = 0.02, clumsy: float = 1.0) -> Truth:
    top = rng.uniform(0.12, 0.35)
    return Truth(
        top=top,
        bottom=max(0.05, top - rng.uniform(-0.02, 0.10)),
        stock=3.0 + rng.normal(0.0, 0.1),
        pinch=rng.normal(0.0, 0.03),
        half_snug=math.exp(rng.normal(math.log(0.05), 0.4)),
        hand=clumsy * math.exp(rng.normal(math.log(0.02), 0.4)),
        wander=0.008,
        sd=0.03,
        inside=rng.uniform(-limit_mm, limit_mm),
        outside=rng.uniform(-limit_mm, limit_mm),
        misread=0.01,
    )


def feel(truth: Truth, play: float, rng: np.random.Generator) -> str:
    """What is felt at so much play, measured from the middle of what is snug."""
    y = play + rng.logistic(0.0, truth.hand * math.sqrt(3.0) / math.pi)
    if rng.random() < truth.misread:
        return str(rng.choice(["tight", "snug", "loose"]))
    return "tight" if y < -truth.half_snug else "loose" if y > truth.half_snug else "snug"


def caliper_readings(truth: Truth, width: float, jaws: str, rng: np.random.Generator):
    error = truth.inside if jaws == "inside" else truth.outside
    values = width + error + rng.normal(0.0, truth.sd, REPEATS)
    return tuple(float(v) for v in np.round(values, 2))


def readings_of(
    board: CombBoard, truth: Truth, rng: np.random.Generator, *, measured=("G", "T4", "T5", "T6")
) -> list[FitReading]:
    readings = []
    for step in board.steps:
        own = rng.normal(0.0, truth.wander)
        sign = -1.0 if step.kind == "tongue" else 1.0
        tops = bottoms = ()
        if step.label in measured:
            jaws = "outside" if step.kind == "tongue" else "inside"
            tops = caliper_readings(truth, step.width_mm + sign * (truth.top + own), jaws, rng)
            bottoms = caliper_readings(
                truth, step.width_mm + sign * (truth.bottom + own), jaws, rng
            )
        felt = None
        if step.kind == "slot":
            felt = feel(truth, step.width_mm + own - truth.snug_slot(), rng)
        elif step.kind == "tongue":
            snug = board.gauge.width_mm + 2.0 * truth.narrowest + truth.pinch
            felt = feel(truth, snug - step.width_mm + own, rng)
        readings.append(FitReading(label=step.label, feel=felt, top_mm=tops, bottom_mm=bottoms))
    return readings


def joint_of(
    seed: int, *, limit_mm=0.02, measured=("G", "T4", "T5", "T6"), clumsy=1.0
) -> tuple[CombBoard, Truth, Joint]:
    rng = np.random.default_rng([59, seed])
    truth = draw_truth(rng, limit_mm=limit_mm, clumsy=clumsy)
    stock = caliper_readings(truth, truth.stock, "outside", rng)
    board = plan_comb(MACHINE, SHEET, SETTING, stock_mm=round(float(np.mean(stock)), 2))
    readings = readings_of(board, truth, rng, measured=measured)
    caliper = Caliper(resolution_mm=0.01, limit_mm=limit_mm)
    return board, truth, fit_joint(board, readings, stock, caliper=caliper)


class Tallies(dict[str, list[tuple[float, bool]]]):
    """Errors of estimates by their names, and whether their intervals held the truth."""

    def add(self, name: str, estimate: Any, true: float) -> None:
        if estimate is not None:
            held = estimate.low_mm <= true <= estimate.high_mm
            value = getattr(estimate, "value_mm", None)
            value = estimate.middle_mm if value is None else value
            self.setdefault(name, []).append((value - true, held))

    def tell(self, near: float = 0.03) -> None:
        for name, rows in self.items():
            errors, held = np.abs([error for error, _ in rows]), [held for _, held in rows]
            print(
                f"    {name:38s} n {len(rows):5d}   within {near:.2f} mm"
                f" {100 * np.mean(errors <= near):5.1f} %   95 % interval holds"
                f" {100 * np.mean(held):5.1f} %   rms {np.sqrt(np.mean(errors**2)):.4f} mm"
            )


def combs(seeds: range, **options) -> None:
    tallies, right_label, given = Tallies(), 0, 0
    for seed in seeds:
        board, truth, joint = joint_of(seed, **options)
        snug = truth.snug_slot()
        tallies.add("kerf at the top", joint.kerf_top, truth.top)
        tallies.add("kerf at the bottom", joint.kerf_bottom, truth.bottom)
        tallies.add("narrowest kerf", joint.kerf, truth.narrowest)
        tallies.add("slot less stock", joint.slot_minus_stock, snug - truth.stock)
        tallies.add("interference", joint.interference, truth.pinch)
        tallies.add("stock", joint.stock, truth.stock)
        if joint.press is not None:
            pressed = 2.0 * truth.narrowest + truth.pinch
            tallies.add("press: difference", joint.press.difference, pressed)
        if joint.slot is not None:
            given += 1
            tallies.add("snug slot, as drawn", joint.slot, snug)
            widths = {step.label: step.width_mm for step in board.slots}
            right_label += abs(widths[joint.slot.label] - snug) <= board.step_mm
    tallies.tell()
    print(
        f"    snug slot given on {100 * given / len(seeds):.1f} % of combs; its label right to one"
        f" step {100 * right_label / given:.1f} %"
    )


def coupons(seeds: range, limit_mm: float = 0.02) -> None:
    """Kerf from ordinary coupons: one of a setting, and the law over the energy."""
    tallies = Tallies()
    for seed in seeds:
        rng = np.random.default_rng([60, seed])
        truth = draw_truth(rng, limit_mm=limit_mm)
        caliper = Caliper(limit_mm=limit_mm)
        growth = rng.normal(0.06, 0.05)
        cells = [
            Cell(label=f"A{n}", power_pct=60.0, speed_mm_s=round(float(v), 1), x_mm=0.0, y_mm=0.0,
                 width_mm=16.0, height_mm=16.0, burn_order=n)
            for n, v in enumerate(np.geomspace(8.0, 24.0, 8), 1)
        ]  # fmt: skip

        def kerf_at(speed: float, growth: float = growth, truth: Truth = truth) -> float:
            return truth.narrowest + growth * math.log(14.0 / speed)

        def read(cell: Cell, truth: Truth = truth, rng: np.random.Generator = rng) -> Reading:
            size = 16.0 - kerf_at(cell.speed_mm_s) + truth.outside
            wide, high = (
                round(size + rng.normal(0, truth.wander) + rng.normal(0, truth.sd), 2)
                for _ in range(2)
            )
            return Reading(cell=cell.label, width_mm=wide, height_mm=high)

        three = [read(cells[3]) for _ in range(3)]
        (point,) = kerf_from_coupons(MACHINE, three, cells, caliper=caliper)
        truly = kerf_at(cells[3].speed_mm_s)
        tallies.add("one coupon, width and height, 3 times", point.kerf, truly)
        points = kerf_from_coupons(MACHINE, [read(c) for c in cells], cells, caliper=caliper)
        law = kerf_by_energy(points, caliper=caliper)
        for name, speed in (("law of 8 coupons once, inside", 12.0), ("at twice the most", 4.0)):
            setting = Setting(power_pct=60.0, speed_mm_s=speed)
            tallies.add(name, law.at_setting(MACHINE, setting), kerf_at(speed))
    tallies.tell()


def main() -> None:
    count, first = numbers(1000, 100_000)
    seeds = range(first, first + count)
    print(
        f"{count} combs from seed {first}; caliper sd 0.03 mm, {REPEATS} repeats, read to 0.01 mm"
    )
    every = tuple(f"{kind}{n}" for kind in "ST" for n in range(1, 10))
    for words, options in (
        ("the gauge and three tongues measured, jaws off by up to 0.02 mm, as stated", {}),
        ("the same with jaws that are true, and said to be", {"limit_mm": 0.0}),
        ("one tongue measured", {"measured": ("T5",)}),
        ("every slot and tongue measured", {"measured": every}),
        ("nothing but the stock measured: all by feel", {"measured": ()}),
        ("the first again, with hands that scatter twice as much as expected", {"clumsy": 2.0}),
    ):
        print(f"  {words}")
        combs(seeds, **options)
    print("  coupons, jaws off by up to 0.02 mm, as stated")
    coupons(seeds)
    print("  coupons, jaws that are true, and said to be")
    coupons(seeds, limit_mm=0.0)


if __name__ == "__main__":
    main()
