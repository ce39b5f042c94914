"""What char adds to the question of which cuts to burn next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from calib.fit import graded
from calib.fit.graded import GradedFit
from calib.fit.region import Region
from calib.physics import delivered_power_w
from calib.plan.near_edge import Question, without_tails
from calib.records import Setting

Array = npt.NDArray[np.float64]

# What a standard deviation of the speed at which char meets its limit counts, at the ceiling and at
# half of it: the two tell the trade along the edge.
_CHAR_IMPORTANCE = (0.5, 0.2)
_SLOWEST_RATIO, _FASTEST_RATIO = 0.05, 20.0


def columns_of(settings: Sequence[Setting]) -> list[Array]:
    """Power [%], speed [mm/s], passes and line pitch [mm; nan for none] of settings, (n,) each."""
    return [
        np.array([getattr(s, name) for s in settings], dtype=float)
        for name in ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")
    ]


def with_char(
    region: Region, candidates: Sequence[Setting], question: Question, char_at_most: int
) -> Question:
    """Ask as well at which speed char meets its limit; char is read on what is cut."""
    assert region.char is not None
    if char_at_most > 3:
        return question
    draws = len(question.weight)
    fit = graded.thinned(region.char, draws)
    # The two posteriors are independent: a fixed shuffle pairs their draws.
    pick = np.random.default_rng(0).permutation(len(fit.weight))[:draws]
    at = graded.graded_settings(region.machine, columns_of(candidates), fit.prior, "char")
    char = graded.chances_by_point(fit, at)[:, pick]
    no, hanging, through = question.chances
    return Question(
        weight=question.weight,
        chances=np.concatenate([no[None], hanging * char, through * char]),
        targets=np.column_stack([
            question.targets,
            without_tails(_limits(region, fit, char_at_most)[pick]),
        ]),
        importance=np.concatenate([question.importance, _CHAR_IMPORTANCE]),
    )


def _limits(region: Region, fit: GradedFit, char_at_most: int) -> Array:
    """Ln speed at which char passes its limit, at the ceiling and at half of it, (J, 2)."""
    full = float(delivered_power_w(region.machine, 100.0))
    columns = []
    for share in (1.0, 0.5):
        watts = float(delivered_power_w(region.machine, share * region.machine.ceiling_pct))
        ln_power = np.log(full) + fit.shape.exponent * np.log(watts / full)
        spare = ln_power - fit.location - fit.shape.cuts[:, char_at_most]
        columns.append(spare / fit.shape.speed)
    low, high = np.log(_SLOWEST_RATIO), np.log(_FASTEST_RATIO)
    ratio = np.clip(np.stack(columns, axis=1), low, high)
    return np.asarray(ratio + np.log(fit.prior.speed0_mm_s))
