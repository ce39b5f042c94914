"""Do the intervals for another wattage hold the truth? Simulated workshops, one run.

    python tests/benchmarks/other_wattage.py [workshops] [first seed] [world]

In each workshop of other physics a sheet is burnt 18 times on one laser, and carried over to a
weaker one and to a stronger one; in every fourth workshop also to the same one with another lens,
with a book in which six more sheets were burnt on this machine alone, with one in which some of
them were burnt on the other machines too, and with line marks. The truth is the fastest speed at
the ceiling at which 99 coupons in 100 drop; for marks the speed in the middle of grade 2. Lenses
focus as Gaussian beams do, here as in the library; how much the width matters is drawn. Seeds below
10,000 were used in tuning; the default starts at 300,000.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from bookshop import FAMILIES, Laser, Shop, board_burns, cuts, draw_shop
from scipy.special import ndtr
from scipy.stats import t as student_t
from shared import RELIABILITY, asked, table_energy
from workshop import MARK_SPEED, Workshop, World

import calib
from calib.advice.transfer import (
    INTERVAL_SHARE,
    carried_pool,
    carried_priors,
    middle_speeds_mm_s,
    speeds_at,
)
from calib.fit.fits import Fit
from calib.fit.model import Draws, parameters_of, shape_of
from calib.fit.numerics import even_scores
from calib.fit.pool import Pool, pool_records
from calib.physics import spot_mm

# Draws of what is believed; power at which marks are compared [%]; slower is no cut [mm/s].
DRAWS = 2048
MARK_POWER = 20.0
# Every so many workshops have a book, marks and another lens too.
EVERYTHING_EVERY = 4
SLOWEST = 0.3
WATTS = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0)
LENSES = (38.1, 50.8, 63.5, 101.6)


@dataclass
class Case:
    """How a truth lies to its interval: ln of truth over the low end, start and high end."""

    low: float
    start: float
    high: float


def region_of(truth: Workshop, burns: list[calib.Burn], operation: str) -> calib.Region:
    """A region that holds the burns; carrying over needs no fit of it."""
    return calib.Region(
        machine=truth.machine,
        sheet=truth.sheet,
        operation=operation,
        burns=tuple(without_char(burns)),
        edge="bracketed",
        defects_per_m=0.0,
        cut=None,
        char=None,
        mark=None,
    )


def without_char(burns: list[calib.Burn]) -> list[calib.Burn]:
    """Char isn't asked for here; leaving it out saves half of the pooling."""
    return [replace(burn, char=None) for burn in burns]


def other_lens(laser: Laser, rng: np.random.Generator) -> Laser:
    """The same laser behind another lens."""
    machine = laser.machine
    lens = float(rng.choice([f for f in LENSES if f != machine.lens_mm]))
    changed = replace(machine, lens_mm=lens)
    return replace(laser, machine=changed, spot_mm=spot_mm(lens, machine.beam_mm))


def three_others(shop: Shop) -> tuple[Laser, dict[str, Laser]]:
    rng = shop.rng
    low, middle, high = sorted(float(w) for w in rng.choice(WATTS, 3, replace=False))
    known = bool(rng.random() < 0.7)
    here = shop.laser(middle, name="here", known_lens=True)
    lens = other_lens(here, rng)
    others = {
        "down": shop.laser(low, name="down", known_lens=known),
        "up": shop.laser(high, name="up", known_lens=known),
        "lens": lens,
    }
    return here, others


def book_of(shop: Shop, here: Laser, others: dict[str, Laser]) -> Pool:
    """Six more sheets on this machine, four of them on the others as well, where there are any."""
    records = []
    for i in range(6):
        product, pair = shop.workable(here, str(shop.rng.choice(FAMILIES)), name=f"p{i}")
        pairs = [pair]
        if i < 4 and others:
            pairs += [shop.pair(others[name], product) for name in (("down",), ("up",))[i % 2]]
        for each in pairs:
            if each is pair or cuts(each):
                burns = board_burns(each, table_energy, shop.rng, 18, shop.session_sd)
                records.append((each.machine, each.sheet, without_char(burns)))
    return pool_records(records)


def mark_burns(truth: Workshop, rng: np.random.Generator) -> list[calib.Burn]:
    """Twelve lines about the middle of grade 2 as far as a first board would have told it."""
    found = []
    for apart in rng.permutation(np.linspace(-0.9, 0.9, 12)):
        power = float(rng.choice([10.0, 15.0, 25.0, 40.0]))
        speed = middle_of_mark(truth, power) * float(np.exp(apart))
        setting = calib.Setting(power_pct=power, speed_mm_s=float(np.clip(round(speed), 1, 400)))
        found.append(truth.burn(setting, rng, "line_mark"))
    return found


def middle_of_mark(truth: Workshop, power_pct: float, grade: int = 2) -> float:
    """True speed in the middle of a mark grade [mm/s]."""
    threshold, exponent, width, _ = truth.mark
    ln_v = (np.log(truth.watts(power_pct)) - threshold - (grade - 1.5) * width) / exponent
    return float(np.exp(ln_v) * MARK_SPEED)


def even_points(dimensions: int, location: tuple[float, float, float]):
    """Even draws of what is believed: scores (J, d) and locations (J,).

    What a region without burns holds, without the integration that it takes with burns. Of marks
    the last two, passes and pitch, don't matter to a line.
    """
    inner = min(dimensions, 6)
    drawn = even_scores(DRAWS, inner + 1)
    scores = np.zeros((DRAWS, dimensions))
    scores[:, :inner] = drawn[:, :-1]
    centre, scale, df = location
    return scores, centre + scale * student_t.ppf(ndtr(drawn[:, -1]), df)


def interval(speeds: np.ndarray) -> tuple[float, float, float]:
    tail = 0.5 * (1.0 - INTERVAL_SHARE)
    low, middle, high = np.quantile(speeds, [tail, 0.5, 1.0 - tail])
    return float(low), float(middle), float(high)


def prior_fit(prior) -> Fit:
    """A prior as a fit, on even points of its own."""
    location = (prior.location, prior.location_scale, prior.location_df)
    scores, where = even_points(len(parameters_of(prior)), location)
    draws = Draws(
        shape=shape_of(scores, prior),
        location=where,
        extra_sd=np.zeros(DRAWS),
        weight=np.full(DRAWS, 1.0 / DRAWS),
    )
    return Fit(prior=prior, here=draws, elsewhere=draws, learned={}, effective=DRAWS, readings=0)


def of_cut(region: calib.Region, truth: Workshop, pool: Pool) -> Case | None:
    fastest = truth.fastest(RELIABILITY)
    if not fastest >= SLOWEST:
        return None
    prior = carried_priors(region, truth.machine, pool).cut
    fit = prior_fit(prior)
    ends = interval(speeds_at(fit, truth.machine, truth.machine.ceiling_pct))
    return Case(*(float(np.log(fastest / max(end, 1e-6))) for end in ends))


def of_mark(region: calib.Region, truth: Workshop) -> Case:
    prior = carried_priors(region, truth.machine, carried_pool(region)).mark
    fit = prior_fit(prior)
    setting = calib.Setting(power_pct=MARK_POWER, speed_mm_s=1.0)
    there = replace(region, machine=truth.machine)
    ends = interval(middle_speeds_mm_s(there, fit, setting, 2))
    middle = middle_of_mark(truth, MARK_POWER)
    return Case(*(float(np.log(middle / max(end, 1e-6))) for end in ends))


def of_workshop(seed: int, world: World, found: dict[tuple[str, str], list[Case]]) -> None:
    shop = draw_shop(seed, table_energy, world)
    here, others = three_others(shop)
    product, pair = shop.workable(here, str(shop.rng.choice(FAMILIES)), name="s", lot="a")
    burns = board_burns(pair, table_energy, shop.rng, 18, shop.session_sd)
    region = region_of(pair, burns, "cut")
    alone = carried_pool(region)
    books = {"its burns alone": alone}
    everything = seed % EVERYTHING_EVERY == 0
    if everything:
        books["a book of this machine"] = book_of(shop, here, {}).joined(alone)
        books["with a book"] = book_of(shop, here, others).joined(alone)
        marked = region_of(pair, mark_burns(pair, shop.rng), "line_mark")
    else:
        del others["lens"]
    for name, laser in others.items():
        truth = shop.pair(laser, product)
        for basis, book in books.items():
            if case := of_cut(region, truth, book):
                found[basis, name].append(case)
        if everything and name != "lens":
            # Marks are the sheet's: what the other machine changes is the watts at the work.
            moved = float(np.log(here.efficiency / laser.efficiency))
            truth = replace(truth, mark=(pair.mark[0] + moved, *pair.mark[1:]))
            found["line marks, burns alone", name].append(of_mark(marked, truth))


def tell(basis: str, name: str, cases: list[Case]) -> None:
    low, start, high = (
        np.array([getattr(c, end) for c in cases]) for end in ("low", "start", "high")
    )
    held = (low >= 0) & (high <= 0)
    print(
        f"{basis:24s} {name:5s} {len(cases):4d}  held {held.mean():6.1%}  slower than the low end"
        f" {(low < 0).mean():5.1%}  faster than the high {(high > 0).mean():5.1%}  width x"
        f" {np.exp(np.median(low - high)):.2f}  truth/start median {np.exp(np.median(start)):.3f}"
        f"  off by (median) {np.exp(np.median(np.abs(start))) - 1:.0%}"
        f"  sides {np.median(low - start):.2f} {np.median(start - high):.2f}"
    )


def main() -> None:
    seeds, world = asked(400, 300_000)
    found: dict[tuple[str, str], list[Case]] = defaultdict(list)
    for seed in seeds:
        of_workshop(seed, world, found)
    print("intervals of 90 %")
    for (basis, name), cases in found.items():
        tell(basis, name, cases)


if __name__ == "__main__":
    main()
