"""Do the burns of one board contradict one another by place or by time?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calib.fit.model import Response, columns_of, grade_chances, grade_of, settings_of
from calib.fit.region import Region
from calib.records import Burn
from calib.texts.say import say

Array = npt.NDArray[np.float64]

# A trend is said when chance alone would show one as strong in 1 of 100 boards (two-sided).
_TREND_Z = 2.576
# Fewer burns can't tell a trend from scatter.
_FEWEST = 6
_TRENDS = (
    ("burn_order", say("fit.from_first_to_last_burn"), say("fit.was_something_warming_up")),
    ("x_mm", say("fit.from_left_to_right"), say("fit.is_bed_level_and_beam_aligned")),
    ("y_mm", say("fit.from_back_to_front"), say("fit.is_bed_level_and_beam_aligned")),
)
# Posterior points that a look at residuals needs.
_ENOUGH_POINTS = 2000
# A single result this unlikely under the fit is pointed at: about one burn in 200.
_ODD_CHANCE = 0.005


def surprise(chances: Array, grade: npt.NDArray[np.int64]) -> Array:
    """Probability-scale residuals of ordinal readings: P(below) − P(above), (n,) in [-1, 1].

    ``chances`` (grades, n), ``grade`` what was read; positive where the reading is higher than
    expected, mean 0 under the model [1]_.

    References
    ----------
    .. [1] Li C., Shepherd B.E. (2012) A new residual for ordinal outcomes. Biometrika
       99(2):473-480 (from memory).
    """
    below = np.cumsum(chances, axis=0)
    n = np.arange(chances.shape[1])
    under = below[grade, n] - chances[grade, n]
    return np.asarray(under - (1.0 - below[grade, n]))


def trend_z(residual: Array, variable: Array) -> float:
    """Standard score of the slope of residuals on a variable; 0 when either doesn't vary."""
    centred = variable - variable.mean()
    scale = np.sqrt(((residual * centred) ** 2).sum())
    if not centred.any() or scale == 0.0:
        return 0.0
    return float((residual * centred).sum() / scale)


def inconsistencies(region: Region) -> list[str]:
    """Sentences on what in the burns contradicts the rest: trends by order and place, odd results.

    Burns of this lot are looked at; none are said where all is well.
    """
    burns = [burn for burn in region.burns if burn.lot is None]
    if len(burns) < _FEWEST:
        return []
    response: Response = "mark" if region.cut is None else "cut"
    fit = region.cut or region.mark
    assert fit is not None
    at = settings_of(region.machine, columns_of(burns), fit.prior, response)
    chances = grade_chances(fit.here.thinned(_ENOUGH_POINTS), at)
    grade = np.array([grade_of(b, response) for b in burns], dtype=np.int64)
    residual = surprise(chances, grade)
    notes = []
    for name, words, question in _TRENDS:
        known = np.array([getattr(b, name) is not None for b in burns])
        if known.sum() < _FEWEST:
            continue
        variable = np.array(
            [getattr(b, name) for b, k in zip(burns, known, strict=True) if k], float
        )
        z = trend_z(residual[known], variable)
        if abs(z) > _TREND_Z:
            more = "deeper" if z > 0 else "shallower"
            notes.append(
                say(
                    "fit.results_get_than_settings_explain",
                    more=more,
                    words=words,
                    question=question,
                )
            )
    odd = chances[grade, np.arange(len(burns))] < _ODD_CHANCE
    notes += [_odd_sentence(b) for b, is_odd in zip(burns, odd, strict=True) if is_odd]
    return list(dict.fromkeys(notes))


def _odd_sentence(burn: Burn) -> str:
    what = f"{burn.through}" if burn.operation == "cut" else say("fit.mark", burn=burn)
    return say("fit.result_at_and_contradicts_other_burns", what=what, burn=burn)
