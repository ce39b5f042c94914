"""Even points and a heavy-tailed density: tools of the engine."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ndtri

from calib.texts.say import say

Array = npt.NDArray[np.float64]

# Bases of the even points: one prime per shape parameter.
_BASES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29)


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
