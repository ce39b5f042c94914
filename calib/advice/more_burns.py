"""What more burns would give: the speed that can be advised now over the one expected after them.

Two rounds are played through on draws of the posterior, each in its turn the truth. What a burn
would show weighs the other draws anew; after the second round the fastest speed that meets the
reliability is read off. The expectation over the truths is preposterior [1]_. The rounds are burnt
in the session of those before, at speeds where coupons drop as likely as evenly spread chances say,
which is where the planner puts them, near enough.

References
----------
.. [1] Raiffa H., Schlaifer R. (1961) Applied Statistical Decision Theory, Harvard, ch. 4-5 (from
   memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calib.fit.model import edge_ln_speed, settings_of
from calib.fit.priors import MISREAD
from calib.fit.region import Region
from calib.limits import fastest_cut_mm_s
from calib.records import Setting

Array = npt.NDArray[np.float64]

ROUNDS = 2
BURNS = 6  # of a round
_DRAWS = 3000
_TRUTHS = 64
# Speeds of the ladder on which all is played, from far below to far above the edge.
_RUNGS = 64
# Chances of dropping at which the burns of a round stand.
_LEVELS = (np.arange(BURNS) + 0.5) / BURNS


def share_of_more(region: Region, found: Setting, reliability: float) -> float:
    """The pace of an advised cut over the one expected after two more rounds, at most 1.

    The next ones are burnt at the machine's ceiling, with as many passes.
    """
    assert region.cut is not None
    machine, prior = region.machine, region.cut.prior
    draws = region.cut.here.thinned(_DRAWS)
    shape, power = draws.shape, machine.ceiling_pct
    edge = edge_ln_speed(draws, machine, prior, power, passes=found.passes)
    low, high = np.quantile(edge, [0.02, 0.98])
    away = 4.0 * float(np.median(shape.scatter))
    top = float(np.log(fastest_cut_mm_s(machine)))
    rungs = np.linspace(min(low - away, np.log(found.speed_mm_s)), min(high + away, top), _RUNGS)
    speeds = np.exp(rungs)
    columns = [np.full(_RUNGS, power), speeds, np.full(_RUNGS, float(found.passes))]
    chances = draws.grade_chances(settings_of(machine, columns, prior, "cut"))
    read = (1.0 - MISREAD) * chances + MISREAD / len(chances)
    told = np.ascontiguousarray(np.log(read).swapaxes(1, 2))
    # Draws stand in the order of the edge: so the truths are spread evenly.
    truths = ((np.arange(_TRUTHS) + 0.5) / _TRUTHS * len(edge)).astype(np.int64)
    told_so_far = np.tile(np.log(draws.weight), (_TRUTHS, 1))
    # What is true must not be among what is believed.
    told_so_far[edge[truths][:, None] == edge] = -np.inf
    luck = np.random.default_rng(0).random((ROUNDS, BURNS, _TRUTHS))
    for of_round in luck:
        drops = _believed(told_so_far) @ chances[-1]
        for level, thrown in zip(_LEVELS, of_round, strict=True):
            rung = np.argmax(drops <= level, axis=1)
            outcomes = np.cumsum(read[:, truths, rung], axis=0)
            grade = (thrown > outcomes[:-1]).sum(axis=0)
            told_so_far += told[grade, rung]
    drops = _believed(told_so_far) @ chances[-1]
    # The fastest rung from which on slower ones are all sure enough; 0 where there is none.
    good = np.cumprod(drops >= reliability, axis=1).sum(axis=1)
    then = np.where(good > 0, speeds[np.maximum(good - 1, 0)], 0.0)
    return float(min(found.speed_mm_s / max(then.mean(), 1e-9), 1.0))


def _believed(log_weight: Array) -> Array:
    """Weights that sum to one, (truths, draws)."""
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))
