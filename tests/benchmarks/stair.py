"""What a stair saves: one cut of a dozen speeds, read by one number, before the coupons.

    python tests/benchmarks/stair.py [workshops] [first seed] [world …]

Workshops are those of promise.py. A simulated stair differs from coupons by an offset of its own
(standard deviation 0.08 in ln power) and by 0.03 from step to step; one in a hundred is misread.
Seeds below 10,000 were used in tuning; the default starts at 100,000.
"""

from __future__ import annotations

import numpy as np
from shared import (
    Score,
    asked,
    fastest_at_ceiling,
    line,
    scored,
    table_energy,
)
from workshop import USUAL, Workshop, draw_workshop

from calib.fit.fitting import region_from
from calib.fit.priors import Priors, cut_prior
from calib.plan.next_burns import next_cuts
from calib.plan.stair import stair_settings
from calib.records import Burn, stair_burn

OFFSET, STEP = 0.08, 0.03
SLOWEST = 2.0  # sheets that the machine doesn't cut at this are left out [mm/s]
# Whether a stair comes first, and the coupons of each round after it.
WAYS = {
    "a stair, 6": (True, (6,)),
    "a stair, 3 + 3": (True, (3, 3)),
    "a stair, 2 + 2 + 2": (True, (2, 2, 2)),
    "a stair, 4 + 4": (True, (4, 4)),
    "2 + 2 + 2": (False, (2, 2, 2)),
    "6 + 6": (False, (6, 6)),
    "4 + 4 + 4": (False, (4, 4, 4)),
}


def burnt_stair(shop: Workshop, steps: tuple, rng: np.random.Generator) -> Burn | None:
    """Burn a stair and hold it against the light: the first gap ends it."""
    offset = OFFSET * rng.standard_normal()
    excess = [float(shop.excess(s.power_pct, s.speed_mm_s)) + offset for s in steps]
    open_ = [value + STEP * rng.standard_normal() > 0.0 for value in excess]
    reached = open_.index(False) if False in open_ else len(open_)
    if rng.random() < shop.misread:
        reached = int(rng.integers(0, len(steps) + 1))
    return stair_burn(steps, [n < reached for n in range(len(steps))])


def main() -> None:
    """Print one line for each way."""
    seeds, world = asked(60, 100_000)
    scores: dict[str, list[Score | None]] = {way: [] for way in WAYS}
    for seed in seeds:
        shop = draw_workshop(seed, table_energy, world)
        if world is not USUAL and not shop.fastest() >= SLOWEST:
            continue
        priors = Priors(cut=cut_prior(shop.machine, shop.sheet))
        for way, (stair, rounds) in WAYS.items():
            rng = np.random.default_rng(seed + 77)
            burns: list[Burn] = []
            if stair:
                before = region_from(shop.machine, shop.sheet, "cut", (), priors)
                burnt = burnt_stair(shop, stair_settings(before), rng)
                burns += [burnt] if burnt else []
            for count in rounds:
                region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
                burns += [shop.burn(setting, rng) for setting in next_cuts(region, count)]
            region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
            scores[way].append(scored(shop, fastest_at_ceiling(region), region))
    for way, found in scores.items():
        print(line(way, found))


if __name__ == "__main__":
    main()
