"""How often kerf and snug slot are right, on simulated combs whose truth is known.

    python tests/benchmarks/joint_figures.py [number of combs] [first seed]

The truth follows other laws than the fit: the kerf differs from top to bottom, the same drawn
width wanders from place to place, hands feel with a logistic scatter, one feel in a hundred is
written down wrong, and each caliper has its own error. Seeds below 10,000 were used in tuning;
the default starts at 100,000.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np

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


@dataclass
class Tally:
    """Errors of estimates, and whether their intervals held the truth."""

    name: str
    errors: list[float]
    held: list[bool]

    def add(self, value: float, low: float, high: float, true: float) -> None:
        self.errors.append(value - true)
        self.held.append(low <= true <= high)

    def add_estimate(self, estimate, true: float) -> None:
        if estimate is not None:
            self.add(estimate.value_mm, estimate.low_mm, estimate.high_mm, true)

    def line(self, near: float) -> str:
        errors = np.abs(self.errors)
        rms = np.sqrt(np.mean(errors**2))
        return (
            f"{self.name:38s} n {len(errors):5d}   within {near:.2f} mm"
            f" {100 * np.mean(errors <= near):5.1f} %   95 % interval holds"
            f" {100 * np.mean(self.held):5.1f} %   rms {rms:.4f} mm"
        )


def combs(count: int, first: int = 0, **options) -> None:
    names = ("kerf at the top", "kerf at the bottom", "narrowest kerf", "slot less stock",
             "press: difference", "interference", "stock")  # fmt: skip
    tallies = {name: Tally(name, [], []) for name in names}
    snug = Tally("snug slot, as drawn", [], [])
    given, right_label = 0, 0
    for seed in range(first, first + count):
        board, truth, joint = joint_of(seed, **options)
        tallies["kerf at the top"].add_estimate(joint.kerf_top, truth.top)
        tallies["kerf at the bottom"].add_estimate(joint.kerf_bottom, truth.bottom)
        tallies["narrowest kerf"].add_estimate(joint.kerf, truth.narrowest)
        tallies["slot less stock"].add_estimate(
            joint.slot_minus_stock, truth.snug_slot() - truth.stock
        )
        tallies["interference"].add_estimate(joint.interference, truth.pinch)
        tallies["stock"].add_estimate(joint.stock, truth.stock)
        if joint.press is not None:
            difference = 2.0 * truth.narrowest + truth.pinch
            tallies["press: difference"].add_estimate(joint.press.difference, difference)
        if joint.slot is not None:
            given += 1
            snug.add(joint.slot.middle_mm, joint.slot.low_mm, joint.slot.high_mm, truth.snug_slot())
            widths = {step.label: step.width_mm for step in board.slots}
            right_label += abs(widths[joint.slot.label] - truth.snug_slot()) <= board.step_mm
    for tally in tallies.values():
        if tally.errors:
            print("   ", tally.line(0.03))
    print("   ", snug.line(0.05))
    print(
        f"    snug slot given on {100 * given / count:.1f} % of combs; its label right to one step"
        f" {100 * right_label / given:.1f} %"
    )


def coupons(count: int, first: int = 0, limit_mm: float = 0.02) -> None:
    """Kerf from ordinary coupons: one of a setting, and the law over the energy."""
    one, law_in, law_out = (Tally(name, [], []) for name in (
        "one coupon, width and height, 3 times", "law of 8 coupons once, inside",
        "the same, at twice the most",
    ))  # fmt: skip
    for seed in range(first, first + count):
        rng = np.random.default_rng([60, seed])
        truth = draw_truth(rng, limit_mm=limit_mm)
        caliper = Caliper(limit_mm=limit_mm)
        growth = rng.normal(0.06, 0.05)
        speeds = np.geomspace(8.0, 24.0, 8)
        cells = [
            Cell(label=f"A{n}", power_pct=60.0, speed_mm_s=round(float(v), 1), x_mm=0.0, y_mm=0.0,
                 width_mm=16.0, height_mm=16.0, burn_order=n)
            for n, v in enumerate(speeds, 1)
        ]  # fmt: skip

        def kerf_at(speed: float, growth: float = growth, truth: Truth = truth) -> float:
            return truth.narrowest + growth * math.log(14.0 / speed)

        def read(cell: Cell, truth: Truth = truth, rng: np.random.Generator = rng) -> Reading:
            kerf = kerf_at(cell.speed_mm_s)
            wide, high = (
                round(
                    16.0
                    - kerf
                    + rng.normal(0, truth.wander)
                    + truth.outside
                    + rng.normal(0, truth.sd),
                    2,
                )
                for _ in range(2)
            )
            return Reading(cell=cell.label, width_mm=wide, height_mm=high)

        points = kerf_from_coupons(
            MACHINE, [read(cells[3]) for _ in range(3)], cells, caliper=caliper
        )
        one.add_estimate(points[0].kerf, kerf_at(cells[3].speed_mm_s))
        points = kerf_from_coupons(MACHINE, [read(c) for c in cells], cells, caliper=caliper)
        law = kerf_by_energy(points, caliper=caliper)
        for tally, speed in ((law_in, 12.0), (law_out, 4.0)):
            setting = Setting(power_pct=60.0, speed_mm_s=speed)
            tally.add_estimate(law.at_setting(MACHINE, setting), kerf_at(speed))
    for tally in (one, law_in, law_out):
        print("   ", tally.line(0.03))


def main(count: int, first: int) -> None:
    print(
        f"{count} combs from seed {first}; caliper sd 0.03 mm, {REPEATS} repeats, read to 0.01 mm"
    )
    print("  the gauge and three tongues measured, jaws off by up to 0.02 mm, as stated")
    combs(count, first)
    print("  the same with jaws that are true, and said to be")
    combs(count, first, limit_mm=0.0)
    print("  one tongue measured")
    combs(count, first, measured=("T5",))
    print("  every slot and tongue measured")
    combs(count, first, measured=tuple(f"{k}{n}" for k in "ST" for n in range(1, 10)))
    print("  nothing but the stock measured: all by feel")
    combs(count, first, measured=())
    print("  the first again, with hands that scatter twice as much as expected")
    combs(count, first, clumsy=2.0)
    print("  coupons, jaws off by up to 0.02 mm, as stated")
    coupons(count, first)
    print("  coupons, jaws that are true, and said to be")
    coupons(count, first, limit_mm=0.0)


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 1000,
        int(sys.argv[2]) if len(sys.argv) > 2 else 100_000,
    )
