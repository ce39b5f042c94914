"""Do the burns of one board contradict one another by place or by time?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calib.fit import graded
from calib.fit.cut import points_of
from calib.fit.cut_fit import grade_chances, thinned
from calib.fit.region import Region
from calib.records import THROUGH_GRADES, Burn

Array = npt.NDArray[np.float64]

# A trend is said when chance alone would show one as strong in 1 of 100 boards (two-sided).
_TREND_Z = 2.576
# Fewer burns can't tell a trend from scatter.
_FEWEST = 6
_TRENDS = (
    ("burn_order", "from first to last burn", "Was something warming up, moving or fouling?"),
    ("x_mm", "from left to right", "Is the bed level and the beam aligned?"),
    ("y_mm", "from back to front", "Is the bed level and the beam aligned?"),
)
# Posterior points that a look at residuals needs.
_ENOUGH_POINTS = 2000
# A single result this unlikely under the fit is pointed at: about one burn in 200.
_ODD_CHANCE = 0.005


def read_chances(region: Region) -> Array:
    """Posterior chances of the possible readings of each burn of this lot, (grades, n)."""
    burns = _of_this_lot(region)
    column = [
        np.array([getattr(b, name) for b in burns], dtype=float)
        for name in ("power_pct", "speed_mm_s", "passes")
    ]
    if region.cut is not None:
        at = points_of(region.machine, column, region.cut.prior.speed0_mm_s)
        points = thinned(region.cut.here, _ENOUGH_POINTS)
        return np.asarray(np.einsum("j,gjn->gn", points.weight, grade_chances(points, at)))
    assert region.mark is not None
    pitch = np.array([np.nan if b.line_pitch_mm is None else b.line_pitch_mm for b in burns])
    settings = graded.graded_settings(region.machine, [*column, pitch], region.mark.prior, "mark")
    return graded.grade_chances(region.mark, settings)


def _of_this_lot(region: Region) -> list[Burn]:
    return [burn for burn in region.burns if burn.lot is None]


def surprise(chances: Array, grade: npt.NDArray[np.int64]) -> Array:
    """Probability-scale residuals of ordinal readings: P(below) − P(above), (n,) in [-1, 1].

    Parameters
    ----------
    chances
        Chance of each grade, (grades, n).
    grade
        What was read, (n,).

    Returns
    -------
    numpy.ndarray
        Positive where the reading is higher than expected; mean 0 under the model.

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
    """Sentences on what in the burns contradicts the rest.

    Parameters
    ----------
    region
        A fitted region.

    Returns
    -------
    list of str
        Trends by burning order and place, and single odd results; empty when all is well.
    """
    burns = _of_this_lot(region)
    if len(burns) < _FEWEST:
        return []
    chances = read_chances(region)
    grade = np.array([_grade(b) for b in burns], dtype=np.int64)
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
            notes.append(f"Results get {more} {words} than the settings explain. {question}")
    odd = chances[grade, np.arange(len(burns))] < _ODD_CHANCE
    notes += [_odd_sentence(b) for b, is_odd in zip(burns, odd, strict=True) if is_odd]
    return list(dict.fromkeys(notes))


def _grade(burn: Burn) -> int:
    if burn.operation == "cut":
        return THROUGH_GRADES.index(burn.through or "no")
    return int(burn.mark or 0)


def _odd_sentence(burn: Burn) -> str:
    what = f"{burn.through}" if burn.operation == "cut" else f"mark {burn.mark}"
    return (
        f"The result “{what}” at {burn.power_pct:g} % and {burn.speed_mm_s:g} mm/s contradicts the"
        " other burns: read it again, or burn it again."
    )
