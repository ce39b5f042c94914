"""How long fits, rounds, boards and pools take, by the clock and beside a plain piece of work.

    python tests/benchmarks/fit_speed.py [most pairs of a pool; 1000]

The least of some repeats, warm. The plain piece of work, measured in the same run since machines
differ, is the singular values of a 600 x 600 matrix. A pool holds pairs of 16 burns, cut and char,
on ten machines; its time is told by the pair. Nothing is random but for fixed seeds.
"""

from __future__ import annotations

import resource
from collections.abc import Iterator
from dataclasses import replace
from itertools import cycle, islice

import numpy as np
from bookshop import FAMILIES, draw_shop
from shared import BENCH, BIRCH, best_s, numbers, table_energy

import calib
from calib.fit.pool import pool_records
from calib.fit.priors import expected_priors
from calib.records import Burn, Sheet

# Power, speed, and whether it stayed, hung or fell: an evening's eighteen cuts.
ROWS = (
    (80, 14, 2), (80, 26, 2), (80, 59, 0), (80, 94, 0), (40, 9, 2), (40, 24, 0),
    (68, 33, 1), (40, 15, 2), (80, 43, 0), (80, 33, 2), (80, 46, 0), (40, 13, 2),
    (80, 37, 2), (40, 17, 0), (80, 36, 2), (80, 36, 1), (68, 28, 2), (40, 17, 0),
)  # fmt: skip
CELLS = 40
MACHINES, BURNS, PATTERNS = 10, 16, 40


def evening(count: int = len(ROWS), sessions: int = 1) -> list[Burn]:
    """So many cuts with their char, an evening's again and again, in so many sessions."""
    return [
        Burn(
            operation="cut",
            power_pct=float(p),
            speed_mm_s=float(v),
            through=("no", "hanging", "through")[g],
            char=1 + (v < 20) if g else None,
            session=str(number * sessions // count),
        )
        for number, (p, v, g) in enumerate(islice(cycle(ROWS), count))
    ]


def records(count: int) -> Iterator[tuple[calib.Machine, Sheet, list[Burn]]]:
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
        yield machine, sheet, list(burns_about(edge, *patterns[number % PATTERNS]))


def burns_about(edge: float, apart: np.ndarray, scatter: np.ndarray) -> Iterator[Burn]:
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
    (most,) = numbers(1000)
    matrix = np.random.default_rng(0).standard_normal((600, 600))
    unit = best_s(lambda: np.linalg.svd(matrix, compute_uv=False))
    print(f"a plain piece of work: {unit:.3f} s")

    def tell(name: str, seconds: float) -> None:
        print(f"{name:44s} {seconds:8.3f} s  {seconds / unit:6.1f} times that", flush=True)

    burns, pair = evening(), (BENCH, BIRCH)
    tell("plan the third board of six", best_s(
        lambda: calib.plan_grid(*pair, burns=6, evidence=burns[:12])))  # fmt: skip
    tell("fit 18 burns of one session", best_s(lambda: calib.fit_region(*pair, evidence=burns)))
    three = evening(sessions=3)
    tell("fit 18 burns of three sessions", best_s(lambda: calib.fit_region(*pair, evidence=three)))
    region = calib.fit_region(*pair, evidence=burns)
    tell("recommend", best_s(lambda: calib.recommend(region, reliability=0.95)))
    many = evening(2000, 60)
    tell("fit 2,000 burns of 60 sessions", best_s(
        lambda: calib.fit_region(*pair, evidence=many), 1))  # fmt: skip
    for operation in ("cut", "line_mark", "area_mark"):
        grid = calib.plan_grid(*pair, operation, CELLS)
        tell(f"{CELLS} cells planned, {operation}", best_s(
            lambda of=operation: calib.plan_grid(*pair, of, CELLS)))  # fmt: skip
        tell("  drawn", best_s(lambda grid=grid: calib.grid_svg(grid)))
        tell("  programmed", best_s(lambda grid=grid: calib.grid_program(grid)))
        tell("  record sheet", best_s(lambda grid=grid: calib.grid_record_sheet(grid)))
    for size in (most // 10, most):
        book = list(records(size))
        pooled = best_s(lambda book=book: pool_records(book), 1)
        tell(f"pool {size} pairs, by the pair", pooled / size)
        machine, sheet, _ = book[0]
        new, pool = replace(sheet, name="new"), pool_records(book)
        expected = expected_priors(machine, new, "cut")
        tell("  one prior of it", best_s(
            lambda p=pool, m=machine, s=new, e=expected: p.priors(m, s, "cut", e), 1))  # fmt: skip
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
