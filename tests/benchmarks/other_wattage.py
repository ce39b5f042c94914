"""Do the intervals for another wattage hold the truth? Simulated workshops, one run.

    python tests/benchmarks/other_wattage.py [workshops] [first seed]

In each workshop of other physics a sheet is burnt 18 times on one laser, and carried over to a
weaker one, to a stronger one, and to the same one with another lens: with nothing but those burns,
and with a book in which six more sheets were burnt, some of them on the other machines too. The
truth is the fastest speed at the ceiling at which 99 coupons in 100 drop; for marks the speed in
the middle of grade 2. Seeds below 10,000 were used in tuning; the default starts at 300,000.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from bookshop import FAMILIES, Laser, Shop, board_burns, cuts, draw_shop
from promise import RELIABILITY, table_energy
from workshop import MARK_SPEED, Workshop

import calib
from calib.advise.transfer import carried_pool, carried_priors, expected_start, transfer_region
from calib.fit.expectation import expected_priors
from calib.fit.fitting import region_from
from calib.fit.pool import Pool, pool_records
from calib.physics import spot_mm

WATTS = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0)
LENSES = (38.1, 50.8, 63.5, 101.6)


@dataclass
class Case:
    """How a truth lies to its interval: ln of truth over the low end, start and high end."""

    low: float
    start: float
    high: float


def region_of(truth: Workshop, burns: list[calib.Burn], operation: str) -> calib.Region:
    """A region that holds the burns; carrying over needs no fit of it."""
    priors = expected_priors(truth.machine, truth.sheet, operation)
    empty = region_from(truth.machine, truth.sheet, operation, (), priors)
    return replace(empty, burns=tuple(burns))


def other_lens(laser: Laser, rng: np.random.Generator) -> Laser:
    """The same laser behind another lens."""
    machine = laser.machine
    lens = float(rng.choice([f for f in LENSES if f != machine.lens_mm]))
    changed = replace(machine, lens_mm=lens)
    return replace(laser, machine=changed, spot_mm=spot_mm(lens, machine.beam_mm))


def three_others(shop: Shop) -> tuple[Laser, dict[str, Laser]]:
    rng = shop.rng
    low, middle, high = sorted(float(w) for w in rng.choice(WATTS, 3, replace=False))
    known = bool(rng.random() < 0.7)
    here = shop.laser(middle, name="here", known_lens=True)
    lens = other_lens(here, rng)
    others = {
        "down": shop.laser(low, name="down", known_lens=known),
        "up": shop.laser(high, name="up", known_lens=known),
        "lens": lens,
    }
    return here, others


def book_of(shop: Shop, here: Laser, others: dict[str, Laser]) -> Pool:
    """Six more sheets on this machine, four of them on the others as well."""
    records = []
    for i in range(6):
        product, pair = shop.workable(here, str(shop.rng.choice(FAMILIES)), name=f"p{i}")
        pairs = [pair]
        if i < 4:
            pairs += [shop.pair(others[name], product) for name in (("down",), ("up",))[i % 2]]
        for each in pairs:
            if each is pair or cuts(each):
                burns = board_burns(each, table_energy, shop.rng, 18, shop.sitting_sd)
                records.append((each.machine, each.sheet, burns))
    return pool_records(records)


def mark_burns(truth: Workshop, rng: np.random.Generator) -> list[calib.Burn]:
    """Twelve lines about the middle of grade 2 as far as a first board would have told it."""
    found = []
    for apart in rng.permutation(np.linspace(-0.9, 0.9, 12)):
        power = float(rng.choice([10.0, 15.0, 25.0, 40.0]))
        speed = middle_of_mark(truth, power) * float(np.exp(apart))
        setting = calib.Setting(power_pct=power, speed_mm_s=float(np.clip(round(speed), 1, 400)))
        found.append(truth.burn(setting, rng, "line_mark"))
    return found


def middle_of_mark(truth: Workshop, power_pct: float, grade: int = 2) -> float:
    """True speed in the middle of a mark grade [mm/s]."""
    threshold, exponent, width, _ = truth.mark
    ln_v = (np.log(truth.watts(power_pct)) - threshold - (grade - 1.5) * width) / exponent
    return float(np.exp(ln_v) * MARK_SPEED)


def of_cut(shop: Shop, region: calib.Region, laser: Laser, product, pool: Pool | None):
    truth = shop.pair(laser, product)
    fastest = truth.fastest(RELIABILITY)
    if not fastest >= 0.3:
        return None
    priors = carried_priors(region, laser.machine, carried_pool(region, pool))
    cut = replace(priors, char=None)
    start = expected_start(region_from(laser.machine, region.sheet, "cut", (), cut))
    ends = (start.slowest_mm_s, start.setting.speed_mm_s, start.fastest_mm_s)
    return Case(*(float(np.log(fastest / max(end, 1e-6))) for end in ends))


def of_mark(shop: Shop, region: calib.Region, laser: Laser, truth: Workshop) -> Case:
    start = expected_start(transfer_region(region, laser.machine))
    middle = middle_of_mark(truth, start.setting.power_pct)
    ends = (start.slowest_mm_s, start.setting.speed_mm_s, start.fastest_mm_s)
    return Case(*(float(np.log(middle / max(end, 1e-6))) for end in ends))


def of_workshop(seed: int, found: dict[tuple[str, str], list[Case]]) -> None:
    shop = draw_shop(seed, table_energy)
    here, others = three_others(shop)
    product, pair = shop.workable(here, str(shop.rng.choice(FAMILIES)), name="s", lot="a")
    burns = board_burns(pair, table_energy, shop.rng, 18, shop.sitting_sd)
    region = region_of(pair, burns, "cut")
    pool = book_of(shop, here, others)
    marked = region_of(pair, mark_burns(pair, shop.rng), "line_mark")
    for name, laser in others.items():
        for basis, book in (("its burns alone", None), ("with a book", pool)):
            if case := of_cut(shop, region, laser, product, book):
                found[basis, name].append(case)
        if name != "lens":
            factor = here.efficiency / laser.efficiency
            mark = (pair.mark[0] + float(np.log(factor)), *pair.mark[1:])
            truth = replace(shop.pair(laser, product), mark=mark)
            found["line marks, burns alone", name].append(of_mark(shop, marked, laser, truth))


def tell(basis: str, name: str, cases: list[Case]) -> None:
    low, start, high = (
        np.array([getattr(c, end) for c in cases]) for end in ("low", "start", "high")
    )
    held = (low >= 0) & (high <= 0)
    print(
        f"{basis:24s} {name:5s} {len(cases):4d}  held {held.mean():6.1%}  slower than the low end"
        f" {(low < 0).mean():5.1%}  faster than the high {(high > 0).mean():5.1%}  width x"
        f" {np.exp(np.median(low - high)):.2f}  truth/start median {np.exp(np.median(start)):.3f}"
        f"  off by (median) {np.exp(np.median(np.abs(start))) - 1:.0%}"
        f"  sides {np.median(low - start):.2f} {np.median(start - high):.2f}"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 300_000
    found: dict[tuple[str, str], list[Case]] = defaultdict(list)
    begun = time.monotonic()
    for seed in range(first, first + count):
        of_workshop(seed, found)
        if (seed - first) % 50 == 49:
            print(
                f"{seed - first + 1} of {count}, {time.monotonic() - begun:.0f} s", file=sys.stderr
            )
    print(f"{count} workshops, seeds from {first}; intervals of 90 %")
    for (basis, name), cases in found.items():
        tell(basis, name, cases)


if __name__ == "__main__":
    main()
