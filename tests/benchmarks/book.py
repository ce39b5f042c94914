"""What a book of ten pairs is worth: six burns with it against eighteen without, one run.

    python tests/benchmarks/book.py [workshops] [first seed]

Each simulated workshop of other physics has a book of ten pairs and gets a sheet that isn't in it:
a new lot of a product in the book, another product of a family in the book, or a family that isn't
there. It is tested with six burns in three rounds with the book pooled, with the plain average of
the book, and with no book; and with eighteen burns in three rounds with no book. The two yardsticks
of six burns are taken in every fourth workshop. Seeds below 10,000 were used in tuning; the default
starts at 200,000. Knots are left out of the true chances.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from bookshop import draw_book
from promise import RELIABILITY, Score, fastest_at_ceiling, scored, table_energy
from workshop import Workshop

from calib.fit.fitting import region_from
from calib.fit.pool import Pool, pool_records
from calib.fit.priors import CutPrior, Priors, expected_priors
from calib.plan.next_burns import next_cuts

FEW, MANY = (2, 2, 2), (6, 6, 6)
YARDSTICKS_EVERY = 4


@dataclass
class PlainAverage:
    """The yardstick: every new sheet is what all sheets were on average, give or take as much."""

    pool: Pool

    def cut_prior(self, expected: CutPrior) -> CutPrior:
        told = [s.excess.mean for s in self.pool.summaries.get("cut", ())]
        if len(told) < 2:
            return expected
        return replace(
            expected,
            location=expected.location + float(np.mean(told)),
            location_scale=float(np.std(told, ddof=1)),
        )


def tested(shop: Workshop, prior: CutPrior, rng: np.random.Generator, rounds: tuple[int, ...]):
    """Burn round by round; the fastest reliable step at the ceiling inside the hull."""
    priors, burns = Priors(cut=prior), []
    for n in rounds:
        region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
        burns += [shop.burn(setting, rng) for setting in next_cuts(region, n)]
    return fastest_at_ceiling(region_from(shop.machine, shop.sheet, "cut", burns, priors))


def tell(name: str, scores: list[Score | None]) -> None:
    share = np.array([score.share for score in scores if score])
    chance = np.array([score.chance for score in scores if score])
    none = sum(score is None for score in scores) / len(scores)
    # No advice is no speed at all.
    median = np.median([score.share if score else 0.0 for score in scores])
    print(
        f"{name:28s} {len(scores):4d}  none {none:6.1%}  speed median {median:.4f}"
        f" mean {share.mean():.3f}"
        f" p10 {np.quantile(share, 0.1):.3f}  chance mean {chance.mean():.4f}"
        f" p5 {np.quantile(chance, 0.05):.4f}"
    )


def of_workshop(seed: int) -> tuple[str, dict[str, Score | None]]:
    """One workshop, tested in all four ways."""
    case = draw_book(seed, table_energy)
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
        ways[f"plain average, {sum(FEW)} burns"] = PlainAverage(pool).cut_prior(alone), FEW
        ways[f"no book, {sum(FEW)} burns"] = alone, FEW
    found = {}
    for name, (prior, rounds) in ways.items():
        advice = tested(shop, prior, np.random.default_rng([3, seed]), rounds)
        found[name] = scored(shop, *advice) if advice else None
    return case.kind, found


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 200_000
    found: dict[str, dict[str, list]] = defaultdict(lambda: defaultdict(list))
    begun = time.monotonic()
    for seed in range(first, first + count):
        kind, scores = of_workshop(seed)
        for name, score in scores.items():
            found["all"][name].append(score)
            found[kind][name].append(score)
        if (seed - first) % 50 == 49:
            print(
                f"{seed - first + 1} of {count}, {time.monotonic() - begun:.0f} s", file=sys.stderr
            )
    print(f"{count} workshops, seeds from {first}; promise {RELIABILITY}")
    titles = {
        "all": "all new sheets",
        "lot": "a new lot of a product in the book",
        "product": "another product of a family in the book",
        "family": "a family that isn't in the book",
    }
    for kind, title in titles.items():
        if found[kind]:
            print(f"\n{title}")
            for name, scores in found[kind].items():
                tell(name, scores)


if __name__ == "__main__":
    main()
