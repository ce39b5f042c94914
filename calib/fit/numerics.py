"""Even points, a heavy-tailed density, and products of many chances: tools of the engine."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ndtri

Array = npt.NDArray[np.float64]

# Bases of the even points: one prime per shape parameter.
_BASES = (2, 3, 5, 7, 11, 13, 17, 19)


@lru_cache(maxsize=16)
def even_scores(n: int, d: int) -> Array:
    """Fill a d-dimensional standard normal evenly with n points.

    Parameters
    ----------
    n, d
        Number of points and of dimensions.

    Returns
    -------
    numpy.ndarray
        Normal scores, (n, d).

    Notes
    -----
    Halton's points: the i-th in base b is i written in base b and mirrored at the point [1]_.

    References
    ----------
    .. [1] Niederreiter H. (1992) Random Number Generation and Quasi-Monte Carlo Methods, SIAM,
       ch. 3 (from memory).
    """
    if d > len(_BASES):
        raise ValueError(f"d is {d}: even points have at most {len(_BASES)} dimensions.")
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


class LogProduct:
    """Log of a product of chances, with one logarithm for many factors: they are slow.

    A chance is at least a misreading's, about 1/500, so that so many stay far from underflow.
    """

    _FACTORS = 64

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._sum = np.zeros(shape)
        self._product = np.ones(shape)
        self._waiting = 0.0

    def times(self, chance: Array, count: float) -> None:
        """Multiply by chances, each counted so many times."""
        if count > self._FACTORS:
            self._sum += count * np.log(chance)
            return
        if self._waiting + count > self._FACTORS:
            self._flush()
        self._product *= chance if count == 1.0 else chance**count
        self._waiting += count

    def log(self) -> Array:
        """Log of the whole product."""
        self._flush()
        return self._sum

    def _flush(self) -> None:
        if self._waiting:
            self._sum += np.log(self._product)
            self._product[...] = 1.0
            self._waiting = 0.0
