"""What a stair saves: one cut of a dozen speeds, read by one number, before the coupons.

    python tests/benchmarks/stair.py [workshops] [first seed] [world …]

Workshops are those of promise.py. A simulated stair differs from coupons by an offset of its own
(standard deviation 0.08 in ln power) and by 0.03 from step to step; one in a hundred is misread.
Then the bound: the same where the fit is told this stair's offset, the sheet's scatter, or both.
Then a book of five other sheets of a machine, each with a stair and six coupons, whose stairs all
need about a tenth more power; the sixth sheet is tested with and without it. Seeds below 10,000
were used in tuning; the default starts at 100,000.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from bookshop import FAMILIES, draw_shop
from shared import (
    Score,
    asked,
    fastest_at_ceiling,
    line,
    scored,
    table_energy,
)
from workshop import USUAL, Workshop, World, draw_workshop

import calib
from calib.fit.fitting import region_from
from calib.fit.pool import pool_records
from calib.fit.priors import CutPrior, Priors, cut_prior
from calib.plan.next_burns import next_cuts
from calib.plan.stair import stair_settings
from calib.records import Burn, stair_burn

OFFSET, STEP = 0.08, 0.03
# Of a book's stairs: what all share, and each has to itself.
SHARED, OWN = -0.1, 0.04
BOOK = 5
SLOWEST = 2.0  # sheets that the machine doesn't cut at this are left out [mm/s]
FEW = (2, 2, 2)
# Whether a stair comes first, and the coupons of each round after it.
WAYS = {
    "a stair, 6": (True, (6,)),
    "a stair, 3 + 3": (True, (3, 3)),
    "a stair, 2 + 2 + 2": (True, FEW),
    "a stair, 4 + 4": (True, (4, 4)),
    "2 + 2 + 2": (False, FEW),
    "6 + 6": (False, (6, 6)),
    "4 + 4 + 4": (False, (4, 4, 4)),
}


def burnt_stair(
    shop: Workshop, steps: tuple, offset: float, rng: np.random.Generator
) -> Burn | None:
    """Burn a stair and hold it against the light: the first gap ends it."""
    excess = [float(shop.excess(s.power_pct, s.speed_mm_s)) + offset for s in steps]
    open_ = [value + STEP * rng.standard_normal() > 0.0 for value in excess]
    reached = open_.index(False) if False in open_ else len(open_)
    if rng.random() < shop.misread:
        reached = int(rng.integers(0, len(steps) + 1))
    return stair_burn(steps, [n < reached for n in range(len(steps))])


def tested(
    shop: Workshop,
    prior: CutPrior,
    rounds: Sequence[int],
    rng: np.random.Generator,
    offset: float | None,
) -> calib.Region:
    """The region of a stair that is so far off, unless there is none, and of rounds of coupons."""
    pair, priors = (shop.machine, shop.sheet, "cut"), Priors(cut=prior)
    burns: list[Burn] = []
    if offset is not None:
        burnt = burnt_stair(shop, stair_settings(region_from(*pair, (), priors)), offset, rng)
        burns += [burnt] if burnt else []
    for count in rounds:
        chosen = next_cuts(region_from(*pair, burns, priors), count)
        # Each round is a board of its own.
        burns += [replace(shop.burn(s, rng), burn_order=n) for n, s in enumerate(chosen, 1)]
    return region_from(*pair, burns, priors)


def told(prior: CutPrior, offset: float) -> CutPrior:
    """The same where this very stair's offset is known."""
    return replace(prior, stair_mean=-offset, stair_sd=1e-3, stair_own=STEP)


def sure_of_scatter(prior: CutPrior, shop: Workshop) -> CutPrior:
    """The same where the sheet's scatter is known to a tenth."""
    return replace(prior, scatter_ln=float(np.log(shop.scatter)), scatter_ln_sd=0.1)


def of_workshop(seed: int, world: World) -> dict[str, Score | None]:
    """One sheet of which no book tells, tested in all ways, and with more known than can be."""
    shop = draw_workshop(seed, table_energy, world)
    if world is not USUAL and not shop.fastest() >= SLOWEST:
        return {}
    prior, found = cut_prior(shop.machine, shop.sheet), {}
    own = sure_of_scatter(prior, shop)
    rng = np.random.default_rng(seed + 77)
    offset = OFFSET * float(rng.standard_normal())
    after_it = rng.bit_generator.state
    ways = {
        **{name: (prior, stair, of) for name, (stair, of) in WAYS.items()},
        "told the stair's offset": (told(prior, offset), True, FEW),
        "told the sheet's scatter": (own, True, FEW),
        "told both": (told(own, offset), True, FEW),
        "2 + 2 + 2, told the scatter": (own, False, FEW),
    }
    for name, (believed, stair, rounds) in ways.items():
        rng = np.random.default_rng(seed + 77)
        if stair:
            rng.bit_generator.state = after_it
        region = tested(shop, believed, rounds, rng, offset if stair else None)
        found[name] = scored(shop, fastest_at_ceiling(region), region)
    return found


def of_book(seed: int, world: World) -> tuple[dict[str, Score | None], tuple[float, float]]:
    """The last of six sheets of a machine, and what the others say of its stair's offset."""
    shop, rng = draw_shop(seed, table_energy, world), np.random.default_rng([6, seed])
    laser = shop.laser(float(rng.choice([40.0, 60.0, 80.0])))
    families = rng.choice(FAMILIES, BOOK + 1)
    *others, target = (
        shop.workable(laser, str(family), name=f"sheet {n}")[1] for n, family in enumerate(families)
    )
    *offsets, offset = SHARED + OWN * rng.standard_normal(BOOK + 1)
    records = []
    for pair, off in zip(others, offsets, strict=True):
        region = tested(pair, cut_prior(pair.machine, pair.sheet), FEW, rng, off)
        # Char isn't asked for.
        records.append((pair.machine, pair.sheet, [replace(b, char=None) for b in region.burns]))
    alone = cut_prior(target.machine, target.sheet)
    pooled = pool_records(records).priors(target.machine, target.sheet, "cut", Priors(cut=alone))
    assert pooled.cut is not None
    usual = replace(pooled.cut, stair_mean=alone.stair_mean, stair_sd=alone.stair_sd)
    ways = {
        "no book": (alone, offset),
        "a book, of stairs nothing learnt": (usual, offset),
        "a book": (pooled.cut, offset),
        "a book, told the stair's offset": (told(pooled.cut, offset), offset),
        "a book, no stair of its own": (pooled.cut, None),
    }
    found = {}
    for name, (believed, stair) in ways.items():
        region = tested(target, believed, FEW, np.random.default_rng([7, seed]), stair)
        found[name] = scored(target, fastest_at_ceiling(region), region)
    return found, (pooled.cut.stair_mean, pooled.cut.stair_sd)


def main() -> None:
    """Print one line for each way; with a book, and what it says of stairs."""
    seeds, world = asked(60, 100_000)
    scores: dict[str, list[Score | None]] = defaultdict(list)
    of_books: dict[str, list[Score | None]] = defaultdict(list)
    learnt = []
    for seed in seeds:
        for way, score in of_workshop(seed, world).items():
            scores[way].append(score)
        found, offset = of_book(seed, world)
        learnt.append(offset)
        for way, score in found.items():
            of_books[way].append(score)
    for way, found in scores.items():
        print(line(way, found))
    print(f"\na stair, 2 + 2 + 2 with a book of {BOOK} whose stairs need {-SHARED} more [ln W]")
    for way, found in of_books.items():
        print(line(way, found))
    mean, sd = np.mean(learnt, axis=0)
    print(
        f"told by the book {mean:+.3f} on average (from {np.min(learnt, axis=0)[0]:+.3f} to"
        f" {np.max(learnt, axis=0)[0]:+.3f}), sd {sd:.3f}"
    )


if __name__ == "__main__":
    main()
