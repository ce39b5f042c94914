"""Was a board recorded as it was burnt? Posterior odds of the usual mishaps against "as recorded".

A mishap says what the readings would have to be instead, so that it is judged by the fit itself:
the chance of all readings together with the mishap undone, over that of those recorded, times how
often such a thing happens. Nothing is corrected: what is likely is asked about, and what isn't
cleared up is believed with its odds, so that it stands in every chance that is stated.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from calib.fit.fits import CutFit, fit, log_evidence, mixed
from calib.fit.model import columns_of, grade_of, settings_of
from calib.fit.priors import MISREAD, CutPrior
from calib.records import Air, Burn, Machine
from calib.texts.say import say

Array = npt.NDArray[np.float64]

# How often a board has two results exchanged, was read upside down, or was burnt otherwise as a
# whole, the beam off or the speeds in another unit (judgement, no source).
_SWAPPED, _TURNED, _OTHERWISE = 0.02, 0.01, 0.01
# Fewer burns of a board say nothing of the board.
_FEWEST = 4
# Boards of which every result was as likely as this are as recorded, and nothing is tried.
_NOTHING_ODD = 0.2
_MOST_GAIN = 300.0
# From this chance on a mishap is believed in part, and from this one on asked about.
_BELIEVED, _ASKED = 0.02, 0.3
_DRAWS = 1500
# So many exchanges, the likeliest by a look at the draws, are tried in earnest, if so likely there.
_TRIED, _LOOKED = 2, 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """What may have happened to a board: the burns had it not, and its chance before and after."""

    kind: str
    words: str
    burns: tuple[Burn, ...]
    usual: float
    chance: float = 0.0


def weighed(
    machine: Machine,
    burns: Sequence[Burn],
    prior: CutPrior,
    found: CutFit,
    air: Air | None = None,
) -> tuple[CutFit, tuple[Mishap, ...]]:
    """The fit that believes each likely mishap with its chance, and those to ask about.

    The draws that were found are of an air; boards with another are as they were recorded.
    """
    tried = list(_tried(machine, burns, found, air))
    if not tried:
        return found, ()
    recorded = log_evidence(machine, burns, prior)
    odds = []
    for one in tried:
        gain = log_evidence(machine, one.burns, prior) - recorded
        odds.append(one.usual * float(np.exp(min(gain, _MOST_GAIN))))
    whole = 1.0 + sum(odds)
    likely = [
        replace(one, chance=odd / whole)
        for one, odd in zip(tried, odds, strict=True)
        if odd / whole >= _BELIEVED
    ]
    if not likely:
        return found, ()
    fits = [fit(machine, one.burns, prior, "cut", air) for one in likely]
    believed = mixed([found, *fits], [1.0 / whole, *(one.chance for one in likely)])
    asked = sorted(likely, key=lambda one: -one.chance)
    return believed, tuple(one for one in asked if one.chance >= _ASKED)


def _tried(
    machine: Machine, burns: Sequence[Burn], found: CutFit, air: Air | None
) -> Iterator[Mishap]:
    """Mishaps worth a fit: none where no result is out of the way."""
    boards: dict[str, list[int]] = {}
    for i, burn in enumerate(burns):
        as_usual = burn.source == "board" and burn.lot is None and burn.air == air
        if as_usual and burn.count == 1:
            boards.setdefault(burn.session, []).append(i)
    for rows in boards.values():
        some = [burns[i] for i in rows]
        if len(rows) < _FEWEST:
            continue
        if len({b.through for b in some}) == 1:
            yield from _otherwise(burns, rows)
            continue
        grade = np.array([grade_of(b, "cut") or 0 for b in some], dtype=np.int64)
        draws = found.here.thinned(_DRAWS)
        at = settings_of(machine, columns_of(some), found.prior, "cut")
        read = (1.0 - MISREAD) * draws.grade_chances(at) + MISREAD / 3.0
        # Chance of every result at every setting of the board, at each draw.
        chance = read[grade]
        own = np.einsum("njn->jn", chance)
        if (draws.weight @ own).min() < _NOTHING_ODD:
            yield from _swapped(burns, rows, draws.weight, chance, own)
            yield from _turned(burns, rows)


def _otherwise(burns: Sequence[Burn], rows: list[int]) -> Iterator[Mishap]:
    """A board of which all failed, or all dropped, beside others: it may say nothing at all.

    Small boards burnt on one evening, each of which numbers its burns from 1, aren't one board.
    """
    first = burns[rows[0]]
    numbers = Counter(burns[i].burn_order for i in rows if burns[i].burn_order is not None)
    large = len(rows) >= _FEWEST * max(numbers.values(), default=1)
    if large and first.through != "hanging" and len(rows) < len(burns):
        yield Mishap(
            kind="otherwise",
            words=say(
                "fit.all_burns_of_board_with_came",
                count=len(rows),
                setting=_setting(first),
                first=first,
            ),
            burns=tuple(b for i, b in enumerate(burns) if i not in set(rows)),
            usual=_OTHERWISE,
        )


def _swapped(
    burns: Sequence[Burn], rows: list[int], weight: Array, chance: Array, own: Array
) -> Iterator[Mishap]:
    """The likeliest of the exchanges of two different results."""
    some = [burns[i] for i in rows]
    pairs = [
        (i, j)
        for i, j in combinations(range(len(some)), 2)
        if some[i].through != some[j].through and some[i].setting != some[j].setting
    ]

    def gain(pair: tuple[int, int]) -> float:
        i, j = pair
        return float(weight @ (chance[i, :, j] * chance[j, :, i] / (own[:, i] * own[:, j])))

    for i, j in sorted(pairs, key=gain, reverse=True)[:_TRIED]:
        if _SWAPPED / len(pairs) * gain((i, j)) < _LOOKED:
            return
        yield Mishap(
            kind="swapped",
            words=say(
                "fit.results_at",
                setting=_setting(some[i]),
                through=some[i].through,
                setting_2=_setting(some[j]),
                through_2=some[j].through,
            ),
            burns=_with_results(burns, {rows[i]: some[j], rows[j]: some[i]}),
            usual=_SWAPPED / len(pairs),
        )


def _turned(burns: Sequence[Burn], rows: list[int]) -> Iterator[Mishap]:
    """The board turned half round, where every cell comes to the place of another."""
    some = [burns[i] for i in rows]
    places = np.array([(b.x_mm, b.y_mm) for b in some], dtype=float)
    if np.isnan(places).any() or len(np.unique(places, axis=0)) < len(places):
        return
    there = places.min(axis=0) + places.max(axis=0) - places
    order = np.abs(there[:, None] - places[None]).sum(axis=2).argmin(axis=1)
    if len(set(order)) == len(order):
        yield Mishap(
            kind="turned",
            words=say("fit.board_with_may_have_been_read", setting=_setting(some[0])),
            burns=_with_results(burns, {rows[i]: some[j] for i, j in enumerate(order)}),
            usual=_TURNED,
        )


def _with_results(burns: Sequence[Burn], of: dict[int, Burn]) -> tuple[Burn, ...]:
    """Burns with the results of others."""
    return tuple(
        replace(b, through=of[i].through, char=of[i].char) if i in of else b
        for i, b in enumerate(burns)
    )


def _setting(burn: Burn) -> str:
    return f"{burn.power_pct:g} % and {burn.speed_mm_s:g} mm/s"
