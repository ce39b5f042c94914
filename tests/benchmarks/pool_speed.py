"""How long a logbook takes to pool: time per pair from 100 to 10,000 pairs, in CPU seconds.

    python tests/benchmarks/pool_speed.py [most pairs]

Pairs of 16 burns, cut and char, on ten machines; then the prior of one new sheet from all of them.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np
from bookshop import FAMILIES, draw_shop
from promise import table_energy

from calib.fit.pool import pool_records
from calib.fit.priors import expected_priors
from calib.records import Burn, Sheet

SIZES = (100, 300, 1_000, 3_000, 10_000)
MACHINES, BURNS, PATTERNS = 10, 16, 40


def some_records(count: int):
    """Pairs whose burns lie about an edge; forty patterns of outcomes, each sheet its own name."""
    shop = draw_shop(1, table_energy)
    lasers = [shop.laser(40.0 + 10.0 * i, name=f"m{i}") for i in range(MACHINES)]
    rng = np.random.default_rng(1)
    patterns = [(rng.uniform(0.5, 2.0, BURNS), rng.normal(0, 0.06, BURNS)) for _ in range(PATTERNS)]
    for number in range(count):
        machine = lasers[number % MACHINES].machine
        material = FAMILIES[number % len(FAMILIES)]
        thickness = (2.0, 3.0, 4.0, 6.0)[number // MACHINES % 4]
        sheet = Sheet(name=f"s{number}", material=material, thickness_mm=thickness)
        edge = 0.48 * machine.rated_w / table_energy(sheet, machine)
        yield machine, sheet, list(burns_of(edge, *patterns[number % PATTERNS]))


def burns_of(edge: float, apart: np.ndarray, scatter: np.ndarray):
    for place, (ratio, noise) in enumerate(zip(apart, scatter, strict=True)):
        y = -np.log(0.2 + 0.8 * ratio) + noise
        yield Burn(
            operation="cut",
            power_pct=80.0,
            speed_mm_s=round(max(edge * ratio, 0.2), 1),
            through="through" if y > 0 else "hanging" if y > -0.06 else "no",
            char=2 if y > -0.06 else None,
            session=str(place // 6),
        )


def main() -> None:
    most = int(sys.argv[1]) if len(sys.argv) > 1 else SIZES[-1]
    print("   pairs    burns  pooling [s]  per pair [ms]  one prior [s]")
    for size in (size for size in SIZES if size <= most):
        records = list(some_records(size))
        begun = time.process_time()
        pool = pool_records(records)
        pooled = time.process_time() - begun
        machine, sheet, _ = records[0]
        new = replace(sheet, name="new")
        begun = time.process_time()
        pool.priors(machine, new, "cut", expected_priors(machine, new, "cut"))
        prior = time.process_time() - begun
        print(
            f"{size:8d} {size * BURNS:8d} {pooled:12.2f}"
            f" {1000 * pooled / size:14.2f} {prior:14.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
