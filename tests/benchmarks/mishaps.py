"""Are mishaps of a board noticed, and how often is one asked about that wasn't? One run.

    python tests/benchmarks/mishaps.py [workshops] [first seed]

In each simulated workshop eighteen coupons are burnt as planned, in three boards of six with cells
laid out in two rows. Then the last board (or the only one, of the first six) is spoilt: two results
of neighbours in dose that differ exchanged, the board read upside down, or every coupon recorded as
"no", as if the beam had been off. Told are how often the mishap is asked about, and the true chance
at the advice with what was recorded, against what is stated there. Seeds from 870,000.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from shared import after_rounds, fastest_at_ceiling, numbers, one_by_one, scored, table_energy
from workshop import Workshop, draw_workshop

from calib.fit.fits import fit
from calib.fit.fitting import region_from
from calib.fit.mishaps import weighed
from calib.fit.priors import CutPrior, Priors, cut_prior
from calib.records import Burn

BOARD = 6
Mishap = Callable[[Sequence[Burn], np.random.Generator], list[Burn]]


def placed(burns: Sequence[Burn]) -> list[Burn]:
    """Cells in two rows of three, each board a session of its own."""
    return [
        replace(
            burn,
            session=str(i // BOARD),
            x_mm=30.0 * (i % BOARD % 3),
            y_mm=30.0 * (i % BOARD // 3),
            burn_order=1 + i % BOARD,
        )
        for i, burn in enumerate(burns)
    ]


def exchanged(board: Sequence[Burn], rng: np.random.Generator) -> list[Burn]:
    """Two different results take each other's place."""
    board = list(board)
    pairs = [(i, j) for i in range(BOARD) for j in range(i) if board[i].through != board[j].through]
    if pairs:
        i, j = pairs[int(rng.integers(len(pairs)))]
        one, other = board[i], board[j]
        board[i], board[j] = (
            replace(one, through=other.through, char=other.char),
            replace(other, through=one.through, char=one.char),
        )
    return board


def upside_down(board: Sequence[Burn], rng: np.random.Generator) -> list[Burn]:
    """Every result stands where the one on the far side lay."""
    return [
        replace(burn, through=other.through, char=other.char)
        for burn, other in zip(board, board[::-1], strict=True)
    ]


def beam_off(board: Sequence[Burn], rng: np.random.Generator) -> list[Burn]:
    """Nothing was cut."""
    return [replace(burn, through="no", char=None) for burn in board]


def as_burnt(board: Sequence[Burn], rng: np.random.Generator) -> list[Burn]:
    """Nothing happened."""
    return list(board)


MISHAPS: dict[str, Mishap] = {
    "as burnt": as_burnt,
    "two exchanged": exchanged,
    "upside down": upside_down,
    "beam off": beam_off,
}
KINDS = {"two exchanged": "swapped", "upside down": "turned", "beam off": "otherwise"}


def tell(name: str, cases: list[tuple[set[str], float, float]]) -> None:
    asked = np.mean([bool(kinds) for kinds, _, _ in cases])
    right = np.mean([KINDS.get(name) in kinds for kinds, _, _ in cases])
    told, true = (np.nanmean([case[i] for case in cases]) for i in (1, 2))
    none = np.mean([np.isnan(case[1]) for case in cases])
    print(
        f"  {name:14s} n {len(cases):3d}  asked {asked:6.1%}  of the right mishap {right:6.1%}"
        f"  told {told:.3f}  true {true:.3f}  no answer {none:.0%}"
    )


def case_of(shop: Workshop, burns: list[Burn], prior: CutPrior) -> tuple[set[str], float, float]:
    """Kinds that are asked about, stated and true chance at the advice; nan for none."""
    found = fit(shop.machine, burns, prior, "cut")
    _, asked = weighed(shop.machine, burns, prior, found)
    region = region_from(shop.machine, shop.sheet, "cut", burns, Priors(cut=prior))
    score = scored(shop, fastest_at_ceiling(region), region)
    kinds = {one.kind for one in asked}
    return (kinds, score.told, score.chance) if score else (kinds, np.nan, np.nan)


def main() -> None:
    count, first = numbers(40, 870_000)
    cases: dict[tuple[int, str], list] = defaultdict(list)
    for seed in one_by_one(range(first, first + count)):
        shop = draw_workshop(seed, table_energy)
        prior = cut_prior(shop.machine, shop.sheet)
        rng = np.random.default_rng([8, seed])
        region = after_rounds(shop, Priors(cut=prior), lambda s, r=rng, shop=shop: shop.burn(s, r))
        burns = placed(region.burns)
        for boards in (1, 3):
            some = burns[: boards * BOARD]
            for name, spoil in MISHAPS.items():
                last = spoil(some[-BOARD:], rng)
                if name == "as burnt" or last != some[-BOARD:]:
                    cases[boards, name].append(case_of(shop, some[:-BOARD] + last, prior))
    for boards in (1, 3):
        print(
            f"{boards * BOARD} burns on {boards} board{'s' if boards > 1 else ''}, the last spoilt"
        )
        for name in MISHAPS:
            tell(name, cases[boards, name])


if __name__ == "__main__":
    main()
