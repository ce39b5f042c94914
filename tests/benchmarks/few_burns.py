"""Does advice after six burns hold, however they are split? Simulated workshops, one run.

    python tests/benchmarks/few_burns.py [workshops] [first seed] [world]

Six burns of a sheet of which nothing is known, on one board, on two, or on three, each planned by
calib from the ones before. Seeds below 10,000 were used in tuning; the default starts at 850,000.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from shared import Score, after_rounds, asked, fastest_at_ceiling, line, scored, table_energy
from workshop import draw_workshop

from calib.fit.priors import Priors, cut_prior

SPLITS = ((6,), (3, 3), (4, 2), (2, 2, 2))


def main() -> None:
    seeds, world = asked(60, 850_000)
    found: dict[tuple[int, ...], list[Score | None]] = defaultdict(list)
    for seed in seeds:
        shop = draw_workshop(seed, table_energy, world)
        priors = Priors(cut=cut_prior(shop.machine, shop.sheet))
        for rounds in SPLITS:
            rng = np.random.default_rng([7, seed])
            region = after_rounds(shop, priors, lambda s, r=rng, shop=shop: shop.burn(s, r), rounds)
            found[rounds].append(scored(shop, fastest_at_ceiling(region), region))
    for rounds, scores in found.items():
        print(line(" + ".join(map(str, rounds)), scores))


if __name__ == "__main__":
    main()
