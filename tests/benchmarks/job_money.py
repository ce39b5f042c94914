"""Is the cheapest setting cheap in truth? Simulated workshops of other physics, one run.

    python tests/benchmarks/job_money.py [workshops] [first seed] [world]

Each workshop burns 18 coupons in three rounds of six. Then the cheapest setting, the fastest one
(chance 0.99), and the rule of thumb (the fastest cell that dropped of a full 10 x 10 grid, less
10 %) are compared in what a job costs on average in truth: the simulation's own chances of pushes
and char, and its knots. Costs and jobs differ from workshop to workshop. Seeds below 10,000 were
used in tuning; the default starts at 300,000. A tie is the very same setting; it counts as no win.

Beside it stands what no rule can beat: for each workshop the largest chance, by the posterior that
the 18 burns leave, with which any setting at all costs less than the fastest one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr
from scipy.stats import t as student_t
from shared import (
    RELIABILITY,
    after_rounds,
    asked,
    by_practice,
    fastest_at_ceiling,
    full_grid,
    table_energy,
)
from workshop import Workshop, draw_workshop

import calib
from calib.advice.recommend import advised_settings
from calib.fit.fitting import region_from
from calib.fit.model import settings_of
from calib.fit.priors import expected_priors
from calib.jobs.costs import expected_cost
from calib.jobs.job import Job, plain_job
from calib.jobs.job_time import CutTimes
from calib.records import COUPON_CUT_MM

# Draws of the posterior that the bound is worked out with.
DRAWS = 400


@dataclass(frozen=True)
class Truth:
    """The workshop's own chances, asked as a region is; passes are always one."""

    shop: Workshop

    @property
    def machine(self) -> calib.Machine:
        return self.shop.machine

    @property
    def defects_per_m(self) -> float:
        return self.shop.knots_per_m

    def chance_through(self, power_pct, speed_mm_s, passes=1, cut_length_mm=None):
        places = 1.0 if cut_length_mm is None else cut_length_mm / COUPON_CUT_MM
        return self.shop.chance(power_pct, speed_mm_s) ** places

    def mean_over_char(self, of_grade, power_pct, speed_mm_s, passes=1):
        at_most = [self.shop.char_at_most(grade, power_pct, speed_mm_s) for grade in range(4)]
        share = np.diff([0.0 * at_most[0], *at_most, 1.0 + 0.0 * at_most[0]], axis=0)
        return np.tensordot(of_grade, share, axes=1)


def true_cost(shop: Workshop, job: Job, costs: calib.Costs, power, speed, lost: str) -> np.ndarray:
    """Cost in truth; ``hanging``: only parts with a place that isn't even hanging are lost."""
    cost = expected_cost(Truth(shop), job, costs, power, speed)
    if lost == "share":
        return cost.total
    spare = shop.excess(power, speed) + shop.band
    places = job.cut_length_mm / job.parts / COUPON_CUT_MM
    share = np.minimum(student_t.sf(spare / shop.scatter, shop.tail_df) * places, 1.0)
    return cost.total - cost.recuts + costs.recut_part * job.parts * share


def draw_costs(rng: np.random.Generator) -> calib.Costs:
    """Half to twice the guesses."""
    guess = calib.Costs()
    changed = {
        name: float(getattr(guess, name)) * float(np.exp(rng.uniform(-np.log(2), np.log(2))))
        for name in ("machine_hour", "labour_hour", "seconds_per_push", "recut_part", "recut_share")
    }
    clean = float(np.exp(rng.uniform(-np.log(2), np.log(2))))
    return replace(
        guess, **changed, cleaning_s_per_m=tuple(clean * s for s in guess.cleaning_s_per_m)
    )


def draw_job(rng: np.random.Generator) -> Job:
    length = float(np.exp(rng.uniform(np.log(3_000.0), np.log(30_000.0))))
    return plain_job(length, max(int(length / rng.uniform(100.0, 800.0)), 1))


def burnt(shop: Workshop, rng: np.random.Generator) -> calib.Region:
    """Three rounds, then a region with char."""
    full = expected_priors(shop.machine, shop.sheet, "cut")
    quick = after_rounds(shop, replace(full, char=None), lambda setting: shop.burn(setting, rng))
    return region_from(shop.machine, shop.sheet, "cut", quick.burns, full)


def cheapest(region: calib.Region, costs: calib.Costs, job: Job, reliability: float):
    """What ``recommend`` finds, without what it says beside it; None when it refuses."""
    times = CutTimes(job=job, machine=region.machine, start_up_s=costs.start_up_s)
    try:
        at = advised_settings(region, times, costs, reliability=reliability)["cheapest"]
    except calib.NotEnoughEvidence:
        return None
    return at.power_pct, at.speed_mm_s


def advices(shop: Workshop, seed: int, region: calib.Region, costs: calib.Costs, job: Job):
    grid = full_grid(shop, np.random.default_rng([2, seed]))
    found = {
        "cheapest": cheapest(region, costs, job, RELIABILITY),
        "fastest": fastest_at_ceiling(region),
        "rule of thumb": by_practice(grid),
        "fastest cell": by_practice(grid, share=1.0),
    }
    if found["cheapest"] is None or found["fastest"] is None:
        found["cheapest"] = found["fastest"] = None
    return found


def best_of_all(shop: Workshop, job: Job, costs: calib.Costs, lost: str) -> float:
    """Least true cost of any power and speed."""
    ceiling = shop.machine.ceiling_pct
    power = np.linspace(0.3, 1.0, 15)[:, None] * ceiling
    speed = shop.edge_speed(ceiling) * np.geomspace(0.1, 1.1, 60)
    return float(true_cost(shop, job, costs, power, np.minimum(speed, 400.0), lost).min())


def most_wins(region: calib.Region, costs: calib.Costs, job: Job, at: tuple[float, float]) -> float:
    """Largest chance by the posterior of costing less than a setting, over all other settings."""
    assert region.cut is not None
    power, fastest = at
    speed = np.concatenate([[fastest], fastest * np.linspace(0.6, 1.15, 56)])
    powers = np.full(len(speed), power)
    points = region.cut.here.thinned(DRAWS)
    columns = [powers, speed, np.ones(len(speed))]
    reach = points.reach(settings_of(region.machine, columns, region.cut.prior, "cut"))
    scatter, band = points.shape.scatter[:, None], points.shape.band[:, None]
    length, part = job.cut_length_mm / COUPON_CUT_MM, job.cut_length_mm / job.parts / COUPON_CUT_MM
    push = costs.labour_hour / 3600.0 * costs.seconds_per_push
    lost = np.minimum(ndtr(-(reach + band) / scatter) * part, 1.0)
    whole = expected_cost(region, job, costs, powers, speed)
    cost = whole.machine + whole.cleaning + push * ndtr(-reach / scatter) * length
    cost = cost + costs.recut_part * job.parts * lost
    return float((points.weight @ (cost < cost[:, [0]] - 1e-9)).max())


def tell(name: str, own: np.ndarray, other: np.ndarray, best: np.ndarray) -> None:
    wins, ties = np.mean(own < other - 1e-9), np.mean(np.abs(own - other) <= 1e-9)
    saved = 100.0 * np.mean((other - own) / other)
    print(
        f"  against {name:14s} cheaper {wins:6.1%}, tie {ties:5.1%}, dearer"
        f" {1 - wins - ties:5.1%}; saves {saved:5.2f} % of the cost on average"
        f" (median {100 * np.median((other - own) / other):5.2f} %); over the best setting"
        f" {100 * np.mean(own / best - 1):.2f} % against {100 * np.mean(other / best - 1):.2f} %"
    )


NAMES = ("fastest", "rule of thumb", "fastest cell")


def show(rows: dict[str, list[tuple[float, ...]]]) -> None:
    for key, words in (
        ("share", "a stated share of parts with a failing place is lost"),
        ("hanging", "parts are lost where a place isn't even hanging"),
    ):
        own, *others, best = np.array(rows[key]).T
        print(f"true cost, {words}: {len(own)} workshops")
        for name, other in zip(NAMES, others, strict=True):
            tell(name, own, other, best)
        both = np.mean((own <= others[0]) & (own < others[1]))
        slack = np.mean((own <= 1.01 * others[0]) & (own < 1.01 * others[1]))
        print(
            f"  no dearer than the fastest and the rule of thumb: {both:.1%}; by no more than 1 %"
            f" of the cost: {slack:.1%}",
            flush=True,
        )


def main() -> None:
    seeds, world = asked(200, 300_000)
    rows: dict[str, list[tuple[float, ...]]] = {"share": [], "hanging": []}
    refused = no_rule = 0
    bound = []
    for seed in seeds:
        shop = draw_workshop(seed, table_energy, world)
        rng = np.random.default_rng([3, seed])
        costs, job = draw_costs(rng), draw_job(rng)
        region = burnt(shop, np.random.default_rng([1, seed]))
        found = advices(shop, seed, region, costs, job)
        refused += found["cheapest"] is None
        no_rule += found["rule of thumb"] is None
        if any(at is None for at in found.values()):
            continue
        bound.append(most_wins(region, costs, job, found["fastest"]))
        for key in rows:
            true = [float(true_cost(shop, job, costs, *at, key)) for at in found.values()]
            rows[key].append((*true, best_of_all(shop, job, costs, key)))
    print(f"refused {refused}, rule of thumb without a cell {no_rule}")
    show(rows)
    print(
        "by the posterior no rule costs less than the fastest in more than"
        f" {np.mean(bound):.1%} of workshops"
    )


if __name__ == "__main__":
    main()
