"""Does the promise prove true, with few burns? Simulated workshops of other physics, one run.

    python tests/benchmarks/promise.py [workshops] [first seed] [world …]

Each workshop is tested by calib with 18 burns in three rounds of six and with 12 in three of four,
by usual practice (a 10 x 10 grid, the fastest cell that dropped less 10 %), by scikit-learn's
logistic regression on that grid (in ln power and ln speed, at a chance of 0.99), and in the usual
world by 18 trials of an adaptive general-purpose method along the power ceiling (see peer.py).
Worlds are those of workshop.py, as in "dead zone"; "all" is all of them. In any but the usual one
sheets are left out that the machine doesn't cut at 2 mm/s. Told: the mean chance that was stated.
Seeds below 10,000 were used in tuning; the default starts at 100,000. Knots are left out of the
true chances.
"""

from __future__ import annotations

import sys
import warnings
from collections import defaultdict

import numpy as np
from bookshop import cuts
from peer import Peer
from shared import (
    RELIABILITY,
    ROUNDS,
    Score,
    Setting2,
    after_rounds,
    by_practice,
    fastest_at_ceiling,
    full_grid,
    line,
    numbers,
    one_by_one,
    scored,
    table_energy,
)
from sklearn.linear_model import LogisticRegression
from workshop import USUAL, WORLDS, Workshop, World, draw_workshop

import calib
from calib.fit.priors import Priors, cut_prior
from calib.limits import snap_setting
from calib.records import Burn

FEWER = (4, 4, 4)
FEWEST = 100  # predictions of a tenth that are told
# Shares of the power ceiling at which chances are compared.
SHARES = (1.0, 0.75, 0.5)

Told = tuple[np.ndarray, np.ndarray]


def by_logistic(shop: Workshop, burns: list[Burn]) -> Setting2 | None:
    """scikit-learn's logistic regression, without a penalty to speak of, at the ceiling."""
    x = np.log([[b.power_pct, b.speed_mm_s] for b in burns])
    y = np.array([b.through == "through" for b in burns])
    if y.all() or not y.any():
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = LogisticRegression(C=1e3, max_iter=2000).fit(x, y)
    slope_p, slope_v = model.coef_[0]
    if slope_v >= 0:
        return None
    ceiling = shop.machine.ceiling_pct
    logit = np.log(RELIABILITY / (1 - RELIABILITY))
    ln_v = (logit - model.intercept_[0] - slope_p * np.log(ceiling)) / slope_v
    return ceiling, float(np.exp(ln_v))


def by_peer(shop: Workshop, rng: np.random.Generator, peer: Peer) -> Setting2 | None:
    """Eighteen adaptive yes/no trials along the ceiling; intensity is −ln speed over expected."""
    machine = shop.machine
    ceiling = machine.ceiling_pct
    expected = 0.01 * ceiling * machine.rated_w / table_energy(shop.sheet, machine)
    intensity = peer.begin()
    for _ in range(sum(ROUNDS)):
        setting = snap_setting(machine, ceiling, expected * float(np.exp(-intensity)))
        intensity = peer.answer(shop.burn(setting, rng).through == "through")
    advised = peer.advise(RELIABILITY)
    return None if advised is None else (ceiling, expected * float(np.exp(-advised)))


def stated_and_true(shop: Workshop, region: calib.Region, share: float) -> Told:
    """Stated and true chances at speeds around the edge, at a share of the power ceiling."""
    power = share * shop.machine.ceiling_pct
    speeds = shop.edge_speed(power) * np.exp(np.linspace(-0.35, 0.35, 29))
    return np.asarray(region.chance_through(power, speeds)), shop.chance(power, speeds)


def tenths(predictions: list[Told]) -> str:
    """Told and true chances in the outer tenths, and the largest gap of those between."""
    stated, true = (np.concatenate(column) for column in zip(*predictions, strict=True))
    words, gaps = [], []
    for tenth in range(10):
        inside = np.minimum(stated * 10.0, 9.5).astype(int) == tenth
        if inside.sum() < FEWEST:
            continue
        name = f"{tenth / 10:.1f}-{tenth / 10 + 0.1:.1f}"
        told, came = stated[inside].mean(), true[inside].mean()
        if tenth in (0, 9):
            words.append(f"{name} {told:.3f} {came:.3f}")
        else:
            gaps.append((float(came - told), name))
    if gaps:
        words.append("largest gap between {:+.3f} ({})".format(*max(gaps, key=lambda g: abs(g[0]))))
    return "   ".join(words)


def of_world(world: World, seeds: range) -> None:
    """Test every workshop in every way; print the lines of one world."""
    found: dict[str, list[Score | None]] = defaultdict(list)
    predictions: dict[float, list[Told]] = defaultdict(list)
    peer = Peer() if world is USUAL else None
    for seed in one_by_one(seeds):
        shop = draw_workshop(seed, table_energy, world)
        if world is not USUAL and not cuts(shop):
            continue
        priors = Priors(cut=cut_prior(shop.machine, shop.sheet))
        for key, rounds in ((1, ROUNDS), (5, FEWER)):
            rng = np.random.default_rng([key, seed])
            region = after_rounds(shop, priors, lambda s, r=rng, shop=shop: shop.burn(s, r), rounds)
            name = f"calib, {sum(rounds)} burns in {len(rounds)} rounds"
            found[name].append(scored(shop, fastest_at_ceiling(region), region))
            if rounds is ROUNDS:
                for share in SHARES:
                    predictions[share].append(stated_and_true(shop, region, share))
        grid = full_grid(shop, np.random.default_rng([2, seed]))
        found["practice, 100 burns"].append(scored(shop, by_practice(grid)))
        found["logistic regression, 100 burns"].append(scored(shop, by_logistic(shop, grid)))
        if peer:
            advice = by_peer(shop, np.random.default_rng([6, seed]), peer)
            found["adaptive general-purpose, 18 burns"].append(scored(shop, advice))
    if peer:
        peer.close()
    print(f"\n{world.title}")
    for name, scores in found.items():
        print(f"  {line(name, scores)}")
    print("  told and true chances with 18 burns, in tenths of what is told")
    for share in SHARES:
        print(f"    at {share:4.0%} of the ceiling   {tenths(predictions[share])}", flush=True)


def main() -> None:
    count, first = numbers(400, 100_000)
    named = sys.argv[3:] or ["usual"]
    print(f"{count} workshops of each world, seeds from {first}; promise {RELIABILITY}")
    print(
        "speed: of the advice, as a share of the fastest that truly drops 99 in 100, none where"
        " there is no answer; chance: true, at the advice; p10, p5: worst tenth, worst twentieth"
    )
    for name in WORLDS if named == ["all"] else named:
        of_world(WORLDS[name], range(first, first + count))


if __name__ == "__main__":
    main()
