"""What another air adds: what is told against what is true, and how often the interval holds.

    python tests/benchmarks/air.py [workshops] [first seed] [world …]

Workshops are those of promise.py. Without air each sheet needs so much more power: 0 to 0.35 in the
logarithm, drawn evenly; its edge is blacker by 0 to 2 grades. Six burns are planned with the usual
air, then six without it, then six more without; nothing else is known, as with an empty book. Then
the same of six sheets of one machine that share most of what the air does: what the others teach of
the last, before its burns.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from shared import asked, table_energy
from workshop import Workshop, draw_workshop

from calib.errors import MachineLimit
from calib.fit.fitting import region_from
from calib.fit.pool import pool_records
from calib.fit.priors import expected_priors
from calib.plan.next_burns import next_cuts
from calib.records import Burn, Sheet

ROUNDS = (("usual", None), ("6 without", "off"), ("12 without", "off"))
BOOK = 6


def without_air(shop: Workshop, more: float, blacker: float) -> Workshop:
    """The same workshop with the air off."""
    need = tuple(part * float(np.exp(more)) for part in shop.need)
    threshold, exponent, width, scatter = shop.char
    return replace(shop, need=need, char=(threshold - blacker * width, exponent, width, scatter))


def rounds(shop: Workshop, off: Workshop, rng: np.random.Generator):
    """Burns so far and what is told of the air, after each round."""
    priors, burns = expected_priors(shop.machine, shop.sheet, "cut"), list[Burn]()
    for name, air in ROUNDS:
        region = region_from(shop.machine, shop.sheet, "cut", burns, priors, air)
        for setting in next_cuts(region, 6):
            burn = (off if air else shop).burn(setting, rng, session=name)
            burns.append(replace(burn, air=air))
        if air:
            region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
            yield name, burns, region.cut.air["off"], region.char.air["off"]


def line(name: str, told: list[tuple[float, tuple[float, float, float]]]) -> str:
    """Error, spread and how often nine cases of ten were held."""
    off = np.array([ends[0] - true for true, ends in told])
    held = np.mean([ends[1] <= true <= ends[2] for true, ends in told])
    width = np.median([ends[2] - ends[1] for _, ends in told])
    return (
        f"{name:28} {len(told):4d}  told - true: {off.mean():+.3f} on average, sd {off.std():.3f};"
        f" interval {width:.2f} wide, held in {held:.0%}"
    )


def main() -> None:
    """Print a line for each response and round, then for the book."""
    seeds, world = asked(60, 100_000)
    found: dict[str, list] = {}
    taught: list = []
    used = []
    for seed in seeds:
        used.append(seed)
        rng = np.random.default_rng([20263, seed])
        shop = draw_workshop(seed, table_energy, world)
        more, blacker = rng.uniform(0.0, 0.35), rng.uniform(0.0, 2.0)
        off = without_air(shop, more, blacker)
        width = shop.char[2]
        try:
            for name, _, cut, char in rounds(shop, off, rng):
                found.setdefault(f"cut, {name}", []).append((more, cut))
                found.setdefault(f"char, {name}", []).append((-blacker * width, char))
        except MachineLimit:
            continue
    for seed in used[: len(used) // 4]:
        # One machine, many sheets: what the air does differs a little from sheet to sheet.
        rng = np.random.default_rng([20264, seed])
        shop, middle = draw_workshop(seed, table_energy, world), rng.uniform(0.0, 0.35)
        book = []
        for place in range(BOOK):
            sheet = Sheet(name=f"s{place}", material=shop.sheet.material,
                          thickness_mm=shop.sheet.thickness_mm)  # fmt: skip
            own = replace(shop, sheet=sheet)
            off = without_air(own, middle + rng.normal(0.0, 0.05), 1.0)
            *_, (_, burns, _, _) = rounds(own, off, rng)
            book.append((own.machine, sheet, burns))
        last, of_last = book[-1][1], middle + rng.normal(0.0, 0.05)
        pool = pool_records(book[:-1])
        last = replace(last, name="last")
        expected = expected_priors(shop.machine, last, "cut")
        priors = pool.priors(shop.machine, last, "cut", expected)
        region = region_from(shop.machine, last, "cut", (), priors, "off")
        taught.append((of_last, region.cut.air["off"]))
    for name, told in sorted(found.items()):
        print(line(name, told))
    print(line(f"cut, by {BOOK - 1} other sheets", taught))


if __name__ == "__main__":
    main()
