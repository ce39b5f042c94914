"""How long a round takes: plan the third board of six, then fit all eighteen burns and advise.

    python tests/benchmarks/round_speed.py

The eighteen also as three evenings, and 2,000 burns of one pair in sixty, once, with their memory.

Best of eleven, warm, in seconds, and as a ratio to a plain piece of work measured in the same run
(the singular values of a 600 x 600 matrix), since machines differ.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

import calib

MACHINE = calib.Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
    power_word_full=1000.0,
)
SHEET = calib.Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
ROWS = (
    (80, 14, 2), (80, 26, 2), (80, 59, 0), (80, 94, 0), (40, 9, 2), (40, 24, 0),
    (68, 33, 1), (40, 15, 2), (80, 43, 0), (80, 33, 2), (80, 46, 0), (40, 13, 2),
    (80, 37, 2), (40, 17, 0), (80, 36, 2), (80, 36, 1), (68, 28, 2), (40, 17, 0),
)  # fmt: skip
REPEATS = 11


def burns() -> list[calib.Burn]:
    """An evening of eighteen cuts with their char."""
    return [
        calib.Burn(
            operation="cut",
            power_pct=float(p),
            speed_mm_s=float(v),
            through=("no", "hanging", "through")[g],
            char=1 + (v < 20) if g else None,
        )
        for p, v, g in ROWS
    ]


def many(count: int = 2000, sessions: int = 60) -> list[calib.Burn]:
    """Burns about the same edge at four powers; evenings differ by some hundredths."""
    rng = np.random.default_rng(4)
    found = []
    for number in range(count):
        power, evening = float(rng.choice((80.0, 70.0, 60.0, 50.0))), number * sessions // count
        speed = round(float((power - 8.0) / 2.0 * np.exp(0.25 * rng.normal())), 1)
        above = np.log(power / (8.0 + 2.0 * speed)) + 0.05 * rng.normal()
        above += 0.03 * np.sin(7.3 * evening)
        through = "through" if above > 0 else "hanging" if above > -0.08 else "no"
        char = None if through == "no" else int(np.clip(1.5 + 3.0 * above, 0, 4))
        burn = calib.Burn(operation="cut", power_pct=power, speed_mm_s=speed, char=char)
        found.append(replace(burn, through=through, session=str(evening)))
    return found


def best(work: Callable[[], object]) -> float:
    """Least time of some repeats, the first left out [s]."""
    work()
    found = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)


def main() -> None:
    evening = burns()
    matrix = np.random.default_rng(0).standard_normal((600, 600))
    unit = best(lambda: np.linalg.svd(matrix, compute_uv=False))
    pair = {"operation": "cut", "seed": 0}
    plan = best(
        lambda: calib.plan_grid(MACHINE, SHEET, burns=6, evidence=evening[:12], **pair)  # type: ignore[arg-type]
    )
    fit = best(lambda: calib.fit_region(MACHINE, SHEET, evidence=evening, **pair))  # type: ignore[arg-type]
    three = [replace(burn, session=str(i // 6)) for i, burn in enumerate(evening)]
    apart = best(lambda: calib.fit_region(MACHINE, SHEET, evidence=three, **pair))  # type: ignore[arg-type]
    region = calib.fit_region(MACHINE, SHEET, evidence=evening, **pair)  # type: ignore[arg-type]
    advise = best(lambda: calib.recommend(region, reliability=0.95))
    print(f"a plain piece of work: {unit:.3f} s")
    for name, seconds in (
        ("plan the third board", plan),
        ("fit eighteen burns", fit),
        ("the same of three sessions", apart),
        ("plan and fit", plan + fit),
        ("recommend", advise),
    ):
        print(f"{name:26s} {seconds:.3f} s, {seconds / unit:5.1f} times that")
    crowd = many()
    begun = time.perf_counter()
    calib.fit_region(MACHINE, SHEET, evidence=crowd, **pair)  # type: ignore[arg-type]
    seconds = time.perf_counter() - begun
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"{len(crowd)} burns in sixty sessions: {seconds:.1f} s, {memory:.0f} MB at most")


if __name__ == "__main__":
    main()
