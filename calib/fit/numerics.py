"""Even points, a quick normal distribution, a heavy-tailed density: tools of the engine."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ndtr, ndtri

from calib.texts.say import say

Array = npt.NDArray[np.float64]

# Bases of the even points: one prime per shape parameter.
_BASES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29)
# Steps of the table of the normal distribution for each unit, and how far it goes.
_FINE, _FAR = 1024, 9
_TABLE_AT = np.arange(-_FAR * _FINE, _FAR * _FINE + 1) / _FINE
_TABLE = ndtr(_TABLE_AT)
_TABLE_SLOPE = np.exp(-0.5 * _TABLE_AT**2) / np.sqrt(2.0 * np.pi) / _FINE
# So many values are worked at once: they stay where the processor is quick.
_AT_ONCE = 8192


@lru_cache(maxsize=16)
def even_scores(n: int, d: int) -> Array:
    """Fill a d-dimensional standard normal evenly with n points, (n, d).

    Notes
    -----
    Halton's points: the i-th in base b is i written in base b and mirrored at the point [1]_.

    References
    ----------
    .. [1] Niederreiter H. (1992) Random Number Generation and Quasi-Monte Carlo Methods, SIAM,
       ch. 3 (from memory).
    """
    if d > len(_BASES):
        raise ValueError(say("fit.d_is_even_points_have", d=d, count=len(_BASES)))
    points = np.zeros((n, d))
    for column, base in enumerate(_BASES[:d]):
        rest, place = np.arange(1, n + 1), 1.0 / base
        while rest.any():
            points[:, column] += place * (rest % base)
            rest, place = rest // base, place / base
    scores = np.asarray(ndtri(points))
    # The last round of a large base is never complete: its mean and spread are put right.
    scores = np.asarray((scores - scores.mean(axis=0)) / scores.std(axis=0))
    scores.setflags(write=False)
    return scores


def log_student_t(x: Array, centre: float, scale: float, df: float) -> Array:
    """Log density of Student's t with a centre and a scale (same shape as ``x``)."""
    constant = gammaln((df + 1) / 2) - gammaln(df / 2) - 0.5 * np.log(df * np.pi) - np.log(scale)
    return np.asarray(constant - (df + 1) / 2 * np.log1p(((x - centre) / scale) ** 2 / df))


def normal_below(x: Array) -> Array:
    """Chance that a standard normal lies below x, right to 1e-11; same shape.

    Several times as fast as the exact one, which takes most of the time of a fit: read off a fine
    table by value, slope and curvature, the density's slope being -x times itself.
    """
    flat = x.ravel()
    found = np.empty(len(flat))
    for start in range(0, len(flat), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        apart = np.clip(flat[part], -_FAR, _FAR) * _FINE
        nearest = np.rint(apart)
        apart -= nearest
        place = nearest.astype(np.int64)
        place += _FAR * _FINE
        nearest *= apart
        nearest *= -0.5 / _FINE**2
        nearest += 1.0
        nearest *= apart
        nearest *= _TABLE_SLOPE.take(place)
        np.add(nearest, _TABLE.take(place), out=found[part])
    return found.reshape(x.shape)
