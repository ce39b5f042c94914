"""What the benchmarks share: the command's words, burns round by round, advice and its score."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from workshop import WORLDS, Workshop, World

import calib
from calib.fit.fitting import region_from
from calib.fit.hull import speed_range
from calib.fit.priors import Priors
from calib.materials import cut_energy_j_mm, expected_response
from calib.plan.next_burns import next_cuts
from calib.records import Burn, Machine, Setting, Sheet

RELIABILITY = 0.99
ROUNDS = (6, 6, 6)
BENCH = Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
    power_word_full=1000.0,
)
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)

Setting2 = tuple[float, float]
Burner = Callable[[Setting], Burn]
# Settings of a round: of a region so far, how many, which round it is.
Plan = Callable[[calib.Region, int, int], list[Setting]]


def numbers(*usual: int) -> list[int]:
    """Whole numbers of the command line, in order; the usual ones where it has fewer."""
    words = sys.argv[1 : 1 + len(usual)]
    return [*map(int, words), *usual[len(words) :]]


def asked(count: int, first: int) -> tuple[Iterator[int], World]:
    """Seeds, one by one with word of how far it is, and the world: what the command's words say."""
    count, first = numbers(count, first)
    world = WORLDS[" ".join(sys.argv[3:]) or "usual"]
    print(f"{count} workshops, seeds from {first}; {world.title}")
    return one_by_one(range(first, first + count)), world


def one_by_one(seeds: range) -> Iterator[int]:
    """Seeds, with word of how far it is ten times on the way."""
    begun = time.monotonic()
    for done, seed in enumerate(seeds, 1):
        yield seed
        if done % max(len(seeds) // 10, 1) == 0:
            sys.stderr.write(f"{done} of {len(seeds)}, {time.monotonic() - begun:.0f} s\n")


def best_s(work: Callable[[], object], repeats: int = 5) -> float:
    """Least time of some repeats, the first left out [s]: what other work disturbed least."""
    work()
    took = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        took.append(time.perf_counter() - begun)
    return min(took)


def table_energy(sheet: Sheet, machine: Machine) -> float:
    """What the library's table expects, so that the truth is half to twice that [J/mm]."""
    return cut_energy_j_mm(expected_response(sheet.material, machine.source), sheet)


def after_rounds(
    shop: Workshop,
    priors: Priors,
    burn: Burner,
    rounds: Sequence[int] = ROUNDS,
    plan: Plan | None = None,
) -> calib.Region:
    """Plan, as calib does or otherwise, and burn round by round; the region of all burns."""
    burns: list[Burn] = []
    for number, n in enumerate(rounds, 1):
        region = region_from(shop.machine, shop.sheet, "cut", burns, priors)
        chosen = plan(region, n, number) if plan else next_cuts(region, n)
        burns += [burn(setting) for setting in chosen]
    return region_from(shop.machine, shop.sheet, "cut", burns, priors)


def fastest_at_ceiling(region: calib.Region) -> Setting2 | None:
    """Fastest step at the ceiling, inside the hull, that meets the reliability."""
    machine = region.machine
    hull = region.hulls.get(1)
    span = None if hull is None else speed_range(hull, machine.ceiling_pct)
    if span is None:
        return None
    step = machine.speed_step_mm_s
    low, high = int(np.ceil(span[0] / step - 1e-6)), int(np.floor(span[1] / step + 1e-6)) + 1
    if region.chance_through(machine.ceiling_pct, low * step) < RELIABILITY:
        return None
    # The chance falls with speed.
    while high - low > 1:
        middle = (low + high) // 2
        good = region.chance_through(machine.ceiling_pct, middle * step) >= RELIABILITY
        low, high = (middle, high) if good else (low, middle)
    return machine.ceiling_pct, low * step


def full_grid(shop: Workshop, rng: np.random.Generator) -> list[Burn]:
    """A hundred cells: ten powers up to the ceiling, ten speeds around what the table expects."""
    machine = shop.machine
    expected = 0.6 * machine.rated_w / table_energy(shop.sheet, machine)
    powers = np.linspace(0.2, 1.0, 10) * machine.ceiling_pct
    speeds = np.geomspace(expected / 3.0, expected * 3.0, 10)
    return [
        shop.burn(Setting(power_pct=float(p), speed_mm_s=float(v)), rng)
        for p in powers
        for v in speeds
    ]


def by_practice(burns: Sequence[Burn], share: float = 0.9) -> Setting2 | None:
    """The fastest cell that dropped, ten per cent slower."""
    passed = [b for b in burns if b.through == "through"]
    best = max(passed, key=lambda b: b.speed_mm_s, default=None)
    return None if best is None else (best.power_pct, share * best.speed_mm_s)


@dataclass(frozen=True)
class Score:
    """Of an advice: share of the true fastest reliable speed, the chance there, true and told."""

    share: float
    chance: float
    told: float | None = None


def scored(
    shop: Workshop, setting: Setting2 | None, region: calib.Region | None = None
) -> Score | None:
    """None stays None: no answer. With a region, the chance that it states there too."""
    if setting is None:
        return None
    told = None if region is None else float(region.chance_through(*setting))
    share = setting[1] / shop.fastest(RELIABILITY)
    return Score(share, float(shop.chance(*setting)), told)


def line(name: str, scores: Sequence[Score | None]) -> str:
    """One line of a table; no answer is no speed at all."""
    given = [score for score in scores if score]
    speed = np.array([score.share if score else 0.0 for score in scores])
    chance = np.array([score.chance for score in given])
    told = [score.told for score in given if score.told is not None]
    return (
        f"{name:36s} n {len(scores):4d} none {1 - len(given) / len(scores):6.1%}"
        f"  speed median {np.median(speed):.4f} p10 {np.quantile(speed, 0.1):.3f}"
        f"  chance mean {chance.mean():.4f} +- {chance.std() / len(chance) ** 0.5:.4f}"
        f" p5 {np.quantile(chance, 0.05):.4f}" + (f"  told {np.mean(told):.4f}" if told else "")
    )
