"""Does what is told of a new lot prove true? Simulated workshops, one run.

    python tests/benchmarks/new_lot.py [workshops] [first seed] [world]

A sheet is tested with 18 burns in three planned rounds, each an evening of its own, and worked at
what was advised. A new lot comes that needs a little more or less; how much lots differ is drawn
for each workshop, and one lot in ten is off by three times as much. Four burns try it. Told are the
verdicts, and the true chance at what is advised for a sheet of the evening of the burns (0.99 was
asked for), beside what the old setting and the fit that knows no lots would give. Fits work with a
quarter of their usual points. Seeds below 10,000 were used in tuning; the default starts at
500,000.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
from bookshop import FAMILIES, draw_shop, moved
from shared import RELIABILITY, ROUNDS, asked, fastest_at_ceiling, table_energy
from workshop import World

import calib
from calib.advice.new_lot import judge_new_lot, plan_new_lot
from calib.fit.fitting import region_from
from calib.fit.priors import Priors, expected_priors
from calib.plan.next_burns import next_cuts

STRANGE_SHARE, STRANGE = 0.1, 3.0


def of_workshop(seed: int, world: World, found: dict[str, list]) -> None:
    shop = draw_shop(seed, table_energy, world)
    laser = shop.laser(float(shop.rng.choice([40.0, 60.0, 80.0, 100.0])))
    _, truth = shop.workable(laser, str(shop.rng.choice(FAMILIES)), name="s")
    usual = expected_priors(truth.machine, truth.sheet, "cut")

    def fit(burns: list[calib.Burn], priors: Priors = Priors(cut=usual.cut)) -> calib.Region:  # noqa: B008
        return region_from(truth.machine, truth.sheet, "cut", burns, priors)

    def burn(pair, settings, session: str) -> list[calib.Burn]:
        made = [pair.burn(setting, shop.rng, session=session) for setting in settings]
        return [replace(one, char=None) for one in made]

    old: list[calib.Burn] = []
    for number, n in enumerate(ROUNDS):
        evening = moved(truth, shop.rng.normal(0, shop.session_sd))
        old += burn(evening, next_cuts(fit(old), n), f"evening {number}")
    advice = fastest_at_ceiling(fit(old))
    if advice is None:
        return
    working = calib.Setting(power_pct=advice[0], speed_mm_s=advice[1])
    old = [replace(one, lot="old") for one in old]
    far = STRANGE if shop.rng.random() < STRANGE_SHARE else 1.0
    lot = moved(truth, shop.rng.normal(0, far * shop.lot_sd) + shop.rng.normal(0, shop.session_sd))
    new = burn(lot, plan_new_lot(fit(old), working), "new")
    verdict = judge_new_lot(fit([*old, *new], usual), working, RELIABILITY)
    found["verdict"].append(verdict.verdict)
    found["old"].append(float(lot.chance(working.power_pct, working.speed_mm_s)))
    lumped = fastest_at_ceiling(fit([replace(one, lot=None) for one in [*old, *new]]))
    if lumped is not None:
        found["lumped"].append(float(lot.chance(*lumped)))
    if verdict.verdict == "keep":
        found["kept"].append((verdict.chance_at_old, found["old"][-1]))
    if verdict.advice is not None:
        at = verdict.setting
        found["advice"].append((verdict.chance, float(lot.chance(at.power_pct, at.speed_mm_s))))
        found["share"].append(at.speed_mm_s / lot.fastest(RELIABILITY))


def tell(name: str, true: list[float], told: float) -> None:
    print(
        f"{name:34s} {len(true):4d}  told {told:.4f}  true mean {np.mean(true):.4f}"
        f"  worst twentieth {np.quantile(true, 0.05):.3f}"
    )


def main() -> None:
    seeds, world = asked(60, 500_000)
    found: dict[str, list] = defaultdict(list)
    for seed in seeds:
        of_workshop(seed, world, found)
    verdicts = found["verdict"]
    print(", ".join(f"{verdicts.count(one)} {one}" for one in sorted(set(verdicts))))
    tell("the old setting, whatever comes", found["old"], RELIABILITY)
    tell("a fit that knows no lots", found["lumped"], RELIABILITY)
    for name, words in (("advice", "the advice for the lot"), ("kept", "the old one, where kept")):
        if found[name]:
            told, true = np.array(found[name]).T
            tell(words, list(true), float(told.mean()))
    print(f"speed of the advice: median {np.median(found['share']):.3f} of the fastest reliable")


if __name__ == "__main__":
    main()
