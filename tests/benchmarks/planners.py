"""Which plan of eighteen burns teaches most? Planner, bisection and full grid, all else alike.

    python tests/benchmarks/planners.py [workshops] [first seed] [world]

The same simulated workshops, the same fit and the same search for advice; only the choice of the
settings differs:

planner      calib's expected-variance choice, three rounds of six
bisection    four cells at the power ceiling and two at half of it; later rounds halve the gap
             between the fastest that dropped and the slowest that did not, with a guard cell on
             each side of it
full grid    three powers by six speeds in one round, around what the table expects

Scored for each aim: fastest (0.99), char-limited (drops and char at most 2, at 0.9) and cleanest
(0.99); and the error of the edge at half power. Knots are left out of the true chances.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from shared import RELIABILITY, after_rounds, asked, fastest_at_ceiling, table_energy
from workshop import Workshop, draw_workshop

import calib
from calib.advice.recommend import recommend
from calib.fit.priors import expected_priors
from calib.limits import snap_setting
from calib.plan.next_burns import next_cuts

LIMITED = 0.9
CHAR_LIMIT = 2


def planned(region: calib.Region, n: int, round_number: int) -> list[calib.Setting]:
    """Two rounds for the edge; the last one as when a char limit will be asked for."""
    return next_cuts(region, n, char_at_most=CHAR_LIMIT if round_number == 3 else None)


def bisected(region: calib.Region, n: int, round_number: int) -> list[calib.Setting]:
    """Four cells at the ceiling and two at half power: halve each gap, and guard its sides."""
    machine = region.machine
    top = machine.ceiling_pct
    found = []
    for power, count in ((top, 4), (0.5 * top, 2)):
        low, high = _gap(region, power)
        if round_number == 1:
            speeds = np.geomspace(low, high, count)
        else:
            inside = np.geomspace(low, high, 4 if count == 4 else 3)[1:-1]
            speeds = [0.93 * low, *inside, 1.07 * high] if count == 4 else [0.97 * low, *inside]
        found += [snap_setting(machine, power, float(v)) for v in list(speeds)[:count]]
    return found


def _gap(region: calib.Region, power: float) -> tuple[float, float]:
    """Fastest that dropped and slowest that did not, or a factor of 2.2 around the table's."""
    burns = [b for b in region.burns if abs(b.power_pct - power) < 1e-6]
    expected = _expected_speed(region, power)
    good = [b.speed_mm_s for b in burns if b.through == "through"]
    bad = [b.speed_mm_s for b in burns if b.through != "through"]
    if not burns:
        return expected / 2.2, expected * 2.2
    low = max(good) if good else min(bad) / 2.0
    high = min(bad) if bad else max(good) * 2.0
    return min(low, high), max(low, high)


def _expected_speed(region: calib.Region, power: float) -> float:
    watts = region.machine.rated_w * power / 100.0
    return watts / table_energy(region.sheet, region.machine)


def gridded(region: calib.Region, n: int, round_number: int) -> list[calib.Setting]:
    """Three powers by six speeds, all in the first round."""
    if round_number > 1:
        return []
    powers = np.array([0.5, 0.75, 1.0]) * region.machine.ceiling_pct
    return [
        snap_setting(region.machine, float(p), float(v))
        for p in powers
        for v in np.geomspace(1 / 2.2, 2.2, 6) * _expected_speed(region, float(p))
    ]


PLANS = {"planner": planned, "bisection": bisected, "full grid": gridded}


@dataclass
class Scores:
    """One entry per workshop; nan where there was no answer."""

    speed_share: list[float] = field(default_factory=list)
    chance: list[float] = field(default_factory=list)
    limited_share: list[float] = field(default_factory=list)
    limited_chance: list[float] = field(default_factory=list)
    char_above_best: list[float] = field(default_factory=list)
    clean_chance: list[float] = field(default_factory=list)
    half_error: list[float] = field(default_factory=list)


def score(shop: Workshop, region: calib.Region, into: Scores) -> None:
    ceiling = shop.machine.ceiling_pct
    fastest = fastest_at_ceiling(region)
    into.speed_share.append(fastest[1] / shop.fastest(RELIABILITY) if fastest else np.nan)
    into.chance.append(float(shop.chance(*fastest)) if fastest else np.nan)
    limited = _advice(region, reliability=LIMITED, char_at_most=CHAR_LIMIT)
    best = best_limited(shop)
    if best is not None:
        into.limited_share.append(limited.speed_mm_s / best if limited else np.nan)
        into.limited_chance.append(_limited_chance(shop, limited) if limited else np.nan)
    clean = _advice(region, aim="cleanest")
    into.char_above_best.append(
        expected_char(shop, clean.power_pct, clean.speed_mm_s) - cleanest(shop) if clean else np.nan
    )
    into.clean_chance.append(
        float(shop.chance(clean.power_pct, clean.speed_mm_s)) if clean else np.nan
    )
    into.half_error.append(half_error(shop, region, 0.5 * ceiling))


def _advice(region: calib.Region, **wish):
    try:
        return recommend(region, **wish)
    except calib.NotEnoughEvidence:
        return None


def _plane(shop: Workshop):
    powers = np.linspace(0.5, 1.0, 26)[:, None] * shop.machine.ceiling_pct
    speeds = shop.edge_speed(shop.machine.ceiling_pct) * np.geomspace(0.1, 1.2, 200)[None, :]
    return powers, speeds


def best_limited(shop: Workshop) -> float | None:
    """True fastest speed that drops and is no blacker than the limit with the chance asked for."""
    powers, speeds = _plane(shop)
    chance = shop.chance(powers, speeds) * shop.char_at_most(CHAR_LIMIT, powers, speeds)
    good = (chance >= LIMITED).any(axis=0)
    return float(speeds[0, good].max()) if good.any() else None


def _limited_chance(shop: Workshop, rec) -> float:
    at = (rec.power_pct, rec.speed_mm_s)
    return float(shop.chance(*at) * shop.char_at_most(CHAR_LIMIT, *at))


def expected_char(shop: Workshop, power, speed):
    """True expected char grade: the chances of being above each grade, added."""
    return sum(1.0 - shop.char_at_most(grade, power, speed) for grade in range(4))


def cleanest(shop: Workshop) -> float:
    powers, speeds = _plane(shop)
    char = np.where(
        shop.chance(powers, speeds) >= RELIABILITY, expected_char(shop, powers, speeds), np.inf
    )
    return float(char.min())


def half_error(shop: Workshop, region: calib.Region, power: float) -> float:
    """How far the edge at half power lies from the truth, in ln speed."""
    true = shop.edge_speed(power)
    offsets = np.linspace(-0.6, 0.6, 121)
    chance = np.asarray(region.chance_through(power, true * np.exp(offsets)))
    return float(abs(np.interp(-0.5, -chance, offsets)))


def tell(name: str, found: Scores) -> None:
    def quantiles(values: list[float]) -> str:
        known = np.array(values)[~np.isnan(values)]
        none = np.isnan(values).mean()
        return f"{np.median(known):.3f} p10 {np.quantile(known, 0.1):.3f} none {none:4.0%}"

    print(
        f"{name:10s} fastest {quantiles(found.speed_share)}, chance"
        f" {np.nanmean(found.chance):.4f} | char-limited {quantiles(found.limited_share)}, chance"
        f" {np.nanmean(found.limited_chance):.3f} | cleanest: char over the best"
        f" {np.nanmean(found.char_above_best):+.2f}, chance {np.nanmean(found.clean_chance):.4f}"
        f" | edge at half power off by {np.mean(found.half_error):.3f}"
    )


def main() -> None:
    seeds, world = asked(150, 500_000)
    found = {name: Scores() for name in PLANS}
    for seed in seeds:
        shop = draw_workshop(seed, table_energy, world)
        priors = expected_priors(shop.machine, shop.sheet, "cut")
        for name, plan in PLANS.items():
            rng = np.random.default_rng([4, seed])
            burn = lambda setting, shop=shop, rng=rng: shop.burn(setting, rng)  # noqa: E731
            score(shop, after_rounds(shop, priors, burn, plan=plan), found[name])
    print(f"18 burns each; promise {RELIABILITY}")
    for name, scores in found.items():
        tell(name, scores)


if __name__ == "__main__":
    main()
