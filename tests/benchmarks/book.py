"""What a book of ten pairs is worth: six burns with it against eighteen without, one run.

    python tests/benchmarks/book.py [workshops] [first seed] [world]

Each simulated workshop of other physics has a book of ten pairs and gets a sheet that isn't in it:
a new lot of a product in the book, another product of a family in the book, or a family that isn't
there. It is tested with six burns in three rounds with the book pooled, with the plain average of
the book, and with no book; and with eighteen burns in three rounds with no book. The two yardsticks
of six burns are taken in every fourth workshop. Seeds below 10,000 were used in tuning; the default
starts at 200,000. Knots are left out of the true chances.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
from bookshop import draw_book
from shared import Score, after_rounds, asked, fastest_at_ceiling, line, scored, table_energy
from workshop import World

from calib.fit.pool import Pool, pool_records
from calib.fit.priors import CutPrior, Priors, expected_priors

FEW, MANY = (2, 2, 2), (6, 6, 6)
YARDSTICKS_EVERY = 4


def plain_average(pool: Pool, expected: CutPrior) -> CutPrior:
    """The yardstick: every new sheet is what all sheets were on average, give or take as much."""
    told = [s.excess.mean for s in pool.summaries.get("cut", ())]
    if len(told) < 2:
        return expected
    return replace(
        expected,
        location=expected.location + float(np.mean(told)),
        location_scale=float(np.std(told, ddof=1)),
    )


def of_workshop(seed: int, world: World) -> tuple[str, dict[str, Score | None]]:
    """One workshop, tested in all four ways."""
    case = draw_book(seed, table_energy, world=world)
    # Char isn't asked for; without it the pooling takes half as long.
    records = [(m, s, [replace(b, char=None) for b in burns]) for m, s, burns in case.records]
    shop, pool = case.target, pool_records(records)
    expected = expected_priors(shop.machine, shop.sheet, "cut")
    pooled = pool.priors(shop.machine, shop.sheet, "cut", expected).cut
    alone = expected.cut
    ways = {
        f"pooled book, {sum(FEW)} burns": (pooled, FEW),
        f"no book, {sum(MANY)} burns": (alone, MANY),
    }
    if seed % YARDSTICKS_EVERY == 0:
        ways[f"plain average, {sum(FEW)} burns"] = plain_average(pool, alone), FEW
        ways[f"no book, {sum(FEW)} burns"] = alone, FEW
    found = {}
    for name, (prior, rounds) in ways.items():
        rng = np.random.default_rng([3, seed])
        region = after_rounds(shop, Priors(cut=prior), lambda s, r=rng: shop.burn(s, r), rounds)
        found[name] = scored(shop, fastest_at_ceiling(region))
    return case.kind, found


TITLES = {
    "all": "all new sheets",
    "lot": "a new lot of a product in the book",
    "product": "another product of a family in the book",
    "family": "a family that isn't in the book",
}


def main() -> None:
    seeds, world = asked(400, 200_000)
    found: dict[str, dict[str, list]] = defaultdict(lambda: defaultdict(list))
    for seed in seeds:
        kind, scores = of_workshop(seed, world)
        for name, score in scores.items():
            found["all"][name].append(score)
            found[kind][name].append(score)
    for kind, title in TITLES.items():
        if found[kind]:
            print(f"\n{title}")
            for name, scores in found[kind].items():
                print(line(name, scores))


if __name__ == "__main__":
    main()
