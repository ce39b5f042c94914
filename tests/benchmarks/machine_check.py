"""Does a check strip find a tired machine, and tell it from another sheet? One run.

    python tests/benchmarks/machine_check.py [workshops] [first seed] [world]

Each simulated workshop of other physics has a reference sheet and a second sheet, each tested with
18 burns in three planned rounds in one evening when the machine was well. Then 30 check strips are
burnt with nothing wrong, every strip a session of its own: that gives the false alarms. After five
good strips the machine loses so much of its power: that gives the share flagged at the first strip
and within two. At last parts of the second sheet hang, because the machine lost 10 to 25 % or
because a new lot needs as much more: four burns of it and two strips say which. Seeds below 10,000
were used in tuning; the default starts at 400,000. To be done in half an hour, fits work with a
third of their usual points.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace

import numpy as np
from bookshop import FAMILIES, Shop, draw_shop, moved
from shared import after_rounds, asked, fastest_at_ceiling, table_energy
from workshop import Workshop, World

import calib
from calib.advice import strips
from calib.advice.new_lot import plan_new_lot
from calib.advice.strips import (
    ALARM_CHANCE,
    LOSS_PCT,
    STRIP_BURNS,
    ShiftLikelihood,
    draws_of,
    filtered,
    judge_cause,
    plan_check_strip,
    shift_likelihood,
)
from calib.fit.priors import Priors, expected_priors

CALM_STRIPS, BEFORE, AFTER = 30, 5, 2
LOSSES_PCT = (0, 5, 8, 10, 12, 15, 20, 25)
BURNS = STRIP_BURNS
# Chances at which an alarm could be raised instead.
OTHER_ALARMS = (0.5, 0.6, 0.7, 0.8)
THRESHOLD = float(np.log1p(-LOSS_PCT / 100.0))


@dataclass
class Found:
    """Chances of a loss after each strip: (workshops, strips), by true loss."""

    calm: list[np.ndarray] = field(default_factory=list)
    lost: dict[int, list[np.ndarray]] = field(default_factory=lambda: defaultdict(list))
    ends: dict[int, list] = field(default_factory=lambda: defaultdict(list))
    causes: list[tuple[str, str, dict[str, float]]] = field(default_factory=list)


def evening(shop: Shop, truth: Workshop) -> tuple[Workshop, calib.Region]:
    """Burns of one evening with its set-up, and what is known then."""
    today = moved(truth, shop.rng.normal(0, shop.session_sd))
    priors = Priors(cut=expected_priors(truth.machine, truth.sheet, "cut").cut)

    def burn(setting: calib.Setting) -> calib.Burn:
        return replace(today.burn(setting, shop.rng, session="evening"), char=None)

    return truth, after_rounds(truth, priors, burn)


def strip(shop: Shop, truth: Workshop, settings: list[calib.Setting]) -> list[calib.Burn]:
    """One strip in a session of its own."""
    today = moved(truth, shop.rng.normal(0, shop.session_sd))
    return [today.burn(setting, shop.rng, session="strip") for setting in settings]


def chances(told: list[ShiftLikelihood]) -> np.ndarray:
    """Chance of a loss that matters after each strip."""
    return np.array([state.chance_below(THRESHOLD) for state in filtered(told)])


def check_strips(shop: Shop, truth: Workshop, region: calib.Region, found: Found) -> None:
    settings, points = plan_check_strip(region, BURNS), draws_of(region)

    def told_by(pair: Workshop) -> ShiftLikelihood:
        return shift_likelihood(region, strip(shop, pair, settings), points)

    told = [told_by(truth) for _ in range(CALM_STRIPS)]
    found.calm.append(chances(told))
    for loss in LOSSES_PCT:
        lost = float(np.log1p(-loss / 100.0))
        tired = moved(truth, -lost)
        states = filtered(told[:BEFORE] + [told_by(tired) for _ in range(AFTER)])[BEFORE - 1 :]
        found.lost[loss].append(np.array([state.chance_below(THRESHOLD) for state in states]))
        found.ends[loss].append([(s.quantile(0.05), s.quantile(0.95), lost) for s in states[1:]])


def sheet_or_machine(shop: Shop, reference, suspect, found: Found) -> None:
    """Parts of the second sheet hang: its lot, or the machine?"""
    (truth, region), (other, other_region) = reference, suspect
    advice = fastest_at_ceiling(other_region)
    if advice is None:
        return
    setting = calib.Setting(power_pct=advice[0], speed_mm_s=advice[1])
    more = -float(np.log1p(-shop.rng.uniform(0.10, 0.25)))
    cause = str(shop.rng.choice(["machine", "sheet"]))
    if cause == "machine":
        truth = moved(truth, more)
    burns = strip(shop, moved(other, more), plan_new_lot(other_region, setting))
    settings = plan_check_strip(region, BURNS)
    strips = [strip(shop, truth, settings) for _ in range(2)]
    told = judge_cause(other_region, burns, region, strips)
    found.causes.append((cause, told.verdict, told.chance))


def of_workshop(seed: int, world: World, found: Found) -> None:
    shop = draw_shop(seed, table_energy, world)
    laser = shop.laser(float(shop.rng.choice([40.0, 60.0, 80.0, 100.0])))
    names = [str(f) for f in shop.rng.choice(FAMILIES, 2)]
    pairs = [shop.workable(laser, name, name=f"s{i}")[1] for i, name in enumerate(names)]
    reference, suspect = (evening(shop, pair) for pair in pairs)
    check_strips(shop, *reference, found)
    sheet_or_machine(shop, reference, suspect, found)


def tell_alarms(found: Found, alarm: float) -> None:
    calm = np.array(found.calm)
    print(f"\nalarm above {alarm}: strips of {BURNS} burns, a loss of more than {LOSS_PCT:g} %")
    each = (calm > alarm).mean()
    new = ((calm[:, 1:] > alarm) & (calm[:, :-1] <= alarm)).sum() + (calm[:, 0] > alarm).sum()
    print(
        f"  nothing wrong: {30 * each:.2f} strips in alarm, {30 * new / calm.size:.2f} new alarms,"
        f" in 30 strips; workshops with any in 30: {(calm > alarm).any(axis=1).mean():.1%}"
    )
    print("  true loss  at the first strip  within two strips")
    for loss, some in found.lost.items():
        quiet = np.array([run for run in some if run[0] <= alarm])
        first = (quiet[:, 1] > alarm).mean()
        two = (quiet[:, 1:] > alarm).any(axis=1).mean()
        print(f"  {loss:7d} %  {first:18.1%}  {two:17.1%}")


def tell_intervals(found: Found) -> None:
    """How often the told interval of 90 % holds the true change, by number of strips after it."""
    print("\n  true loss  interval holds it after one strip  after two")
    every = []
    for loss, runs in found.ends.items():
        low, high, true = np.moveaxis(np.array(runs), 2, 0)
        held = (low <= true) & (true <= high)
        every.append(held)
        print(f"  {loss:7d} %  {held[:, 0].mean():32.1%}  {held[:, 1].mean():9.1%}")
    one, two = np.concatenate(every).mean(axis=0)
    print(f"  {'all':>9s}  {one:32.1%}  {two:9.1%}")


def tell_causes(found: Found) -> None:
    settled = [(true, told) for true, told, _ in found.causes if told != "not sure"]
    right = np.mean([true == told for true, told in settled])
    share = len(settled) / len(found.causes)
    print(
        f"\nsheet or machine ({len(found.causes)} cases): settled {share:.1%}, right among those"
        f" {right:.1%}"
    )
    likelier = [(true, told["machine"] > told["sheet"]) for true, _, told in found.causes]
    agree = np.mean([(true == "machine") == machine for true, machine in likelier])
    print(f"  in all cases the likelier of the two is right in {agree:.1%}")
    for cause in ("machine", "sheet"):
        told = [verdict for true, verdict, _ in found.causes if true == cause]
        counts = ", ".join(f"{told.count(one)} told {one}" for one in sorted(set(told)))
        print(f"  truly the {cause}: {counts or 'no case'}")


def main() -> None:
    # A third of the usual draws of a fit, to be done sooner.
    strips.DRAWS = 200
    seeds, world = asked(400, 400_000)
    found = Found()
    for seed in seeds:
        of_workshop(seed, world, found)
    for alarm in (ALARM_CHANCE, *OTHER_ALARMS):
        tell_alarms(found, alarm)
    tell_intervals(found)
    tell_causes(found)


if __name__ == "__main__":
    main()
