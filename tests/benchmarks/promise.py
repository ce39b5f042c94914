"""Does the promise prove true, with few burns? Simulated workshops of other physics, one run.

    python tests/benchmarks/promise.py [workshops] [first seed]

Each workshop is tested by calib with 18 burns in three rounds of six and with 12 in three of four,
by usual practice (a 10 x 10 grid, the fastest cell that dropped less 10 %), by scikit-learn's
logistic regression on that grid (in ln power and ln speed, at a chance of 0.99), and by 18 trials
of an adaptive general-purpose method along the power ceiling (see peer.py). Seeds below 10,000 were
used in tuning; the default starts at 100,000. Knots are left out of the true chances.
"""

from __future__ import annotations

import sys
import time
import warnings
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from peer import Peer
from sklearn.linear_model import LogisticRegression
from workshop import Workshop, draw_workshop

import calib
from calib.fit.fitting import region_from
from calib.fit.hull import speed_range
from calib.fit.priors import Priors, cut_prior
from calib.limits import snap_setting
from calib.materials import cut_energy_j_mm, expected_response
from calib.plan.next_burns import next_cuts

RELIABILITY = 0.99
FEWEST = 100  # predictions of a tenth that are told
ROUNDS = (6, 6, 6)
FEWER = (4, 4, 4)
# Shares of the power ceiling at which chances are compared.
SHARES = (1.0, 0.75, 0.5)


@dataclass
class Score:
    """Share of the true fastest reliable speed, and the true chance at the advice; nan: none."""

    share: float
    chance: float


def table_energy(sheet: calib.Sheet, machine: calib.Machine) -> float:
    """What the library's table expects, so that the truth is half to twice that [J/mm]."""
    return cut_energy_j_mm(expected_response(sheet.material, machine.source), sheet)


def scored(shop: Workshop, power_pct: float, speed_mm_s: float) -> Score:
    return Score(speed_mm_s / shop.fastest(RELIABILITY), float(shop.chance(power_pct, speed_mm_s)))


def by_calib(shop: Workshop, rng: np.random.Generator, rounds=ROUNDS):
    """Burn round by round; the fastest reliable step at the ceiling inside the hull."""
    priors = Priors(cut=cut_prior(shop.machine, shop.sheet))
    burns: list[calib.Burn] = []
    for n in rounds:
        region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
        burns += [shop.burn(setting, rng) for setting in next_cuts(region, n)]
    region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
    return region, fastest_at_ceiling(region)


def fastest_at_ceiling(region: calib.Region) -> tuple[float, float] | None:
    """Fastest step at the ceiling that meets the reliability: chance falls with speed."""
    machine = region.machine
    hull = region.hulls.get(1)
    span = None if hull is None else speed_range(hull, machine.ceiling_pct)
    if span is None:
        return None
    step = machine.speed_step_mm_s
    low, high = int(np.ceil(span[0] / step - 1e-6)), int(np.floor(span[1] / step + 1e-6)) + 1
    if region.chance_through(machine.ceiling_pct, low * step) < RELIABILITY:
        return None
    while high - low > 1:
        middle = (low + high) // 2
        good = region.chance_through(machine.ceiling_pct, middle * step) >= RELIABILITY
        low, high = (middle, high) if good else (low, middle)
    return machine.ceiling_pct, low * step


def full_grid(shop: Workshop, rng: np.random.Generator) -> list[calib.Burn]:
    """A hundred cells: ten powers up to the ceiling, ten speeds around what the table expects."""
    machine = shop.machine
    expected = 0.6 * machine.rated_w / table_energy(shop.sheet, machine)
    powers = np.linspace(0.2, 1.0, 10) * machine.ceiling_pct
    speeds = np.geomspace(expected / 3.0, expected * 3.0, 10)
    return [
        shop.burn(calib.Setting(power_pct=float(p), speed_mm_s=float(v)), rng)
        for p in powers
        for v in speeds
    ]


def by_practice(burns: list[calib.Burn]) -> tuple[float, float] | None:
    """The fastest cell that dropped, ten per cent slower."""
    passed = [b for b in burns if b.through == "through"]
    if not passed:
        return None
    best = max(passed, key=lambda b: b.speed_mm_s)
    return best.power_pct, 0.9 * best.speed_mm_s


def by_logistic(shop: Workshop, burns: list[calib.Burn]) -> tuple[float, float] | None:
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


def by_peer(shop: Workshop, rng: np.random.Generator, peer: Peer) -> tuple[float, float] | None:
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


def stated_and_true(
    shop: Workshop, region: calib.Region, share: float
) -> tuple[np.ndarray, np.ndarray]:
    """Stated and true chances at speeds around the edge, at a share of the power ceiling."""
    power = share * shop.machine.ceiling_pct
    speeds = shop.edge_speed(power) * np.exp(np.linspace(-0.35, 0.35, 29))
    return np.asarray(region.chance_through(power, speeds)), shop.chance(power, speeds)


def calibration(regions: list[tuple[Workshop, calib.Region]]) -> None:
    """Stated against true chance in tenths, at three powers apart."""
    for share in SHARES:
        told = [stated_and_true(shop, region, share) for shop, region in regions]
        stated, true = (np.concatenate(column) for column in zip(*told, strict=True))
        tell_tenths(share, stated, true)


def tell_tenths(share: float, stated: np.ndarray, true: np.ndarray) -> None:
    print(
        f"\ncalibration at {share:.0%} of the ceiling (tenth: predictions, told, true, gap;"
        f" tenths of fewer than {FEWEST} are left out)"
    )
    for low, high in pairwise(np.linspace(0.0, 1.0, 11)):
        inside = (stated >= low) & (stated < high if high < 1 else stated <= 1)
        if inside.sum() < FEWEST:
            continue
        told, came = stated[inside].mean(), true[inside].mean()
        print(
            f"  {low:.1f}-{high:.1f}  {inside.sum():6d}  {told:.3f}  {came:.3f}  {came - told:+.3f}"
        )


def tell(name: str, scores: list[Score | None]) -> None:
    none = sum(score is None for score in scores)
    share = np.array([score.share for score in scores if score])
    chance = np.array([score.chance for score in scores if score])
    print(
        f"{name:36s} none {none / len(scores):6.1%}  speed median {np.median(share):.3f}"
        f" p10 {np.quantile(share, 0.1):.3f}  chance mean {chance.mean():.4f}"
        f" p5 {np.quantile(chance, 0.05):.4f}"
    )


NAMES = {
    "calib": f"calib, {sum(ROUNDS)} burns in {len(ROUNDS)} rounds",
    "fewer": f"calib, {sum(FEWER)} burns in {len(FEWER)} rounds",
    "practice": "practice, 100 burns",
    "logistic": "logistic regression, 100 burns",
    "peer": "adaptive general-purpose, 18 burns",
}


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 100_000
    found: dict[str, list[Score | None]] = {name: [] for name in NAMES}
    regions, begun, peer = [], time.monotonic(), Peer()
    for seed in range(first, first + count):
        shop = draw_workshop(seed, table_energy)
        region, advice = by_calib(shop, np.random.default_rng([1, seed]))
        regions.append((shop, region))
        grid = full_grid(shop, np.random.default_rng([2, seed]))
        advices = {
            "calib": advice,
            "fewer": by_calib(shop, np.random.default_rng([5, seed]), FEWER)[1],
            "practice": by_practice(grid),
            "logistic": by_logistic(shop, grid),
            "peer": by_peer(shop, np.random.default_rng([6, seed]), peer),
        }
        for name, setting in advices.items():
            found[name].append(scored(shop, *setting) if setting else None)
        if (seed - first) % 10 == 9:
            spent = time.monotonic() - begun
            sys.stderr.write(f"{seed - first + 1} of {count}, {spent:.0f} s\n")
    peer.close()
    print(f"{count} workshops, seeds from {first}; promise {RELIABILITY}")
    print(
        "speed: of the advice, as a share of the fastest that truly drops 99 in 100; chance: true,"
        " at the advice; p10, p5: worst tenth, worst twentieth"
    )
    for name, scores in found.items():
        tell(NAMES[name], scores)
    calibration(regions)


if __name__ == "__main__":
    main()
