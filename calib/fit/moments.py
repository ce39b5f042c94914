"""What data say of one number, as a mean and a variance: what pooling a logbook works with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.fit.engine import Posterior

Array = npt.NDArray[np.float64]

_LEAST_SCORE_VARIANCE = 0.15
# Data never count for less than this share of the precision before them.
_LEAST_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Mean and variance of one number."""

    mean: float
    variance: float

    def without(self, prior: Moments) -> Moments:
        """What the data alone say: this posterior less its prior, both taken as normal.

        A large variance where the data said next to nothing.
        """
        precision = 1.0 / self.variance - 1.0 / prior.variance
        if precision <= _LEAST_SHARE / prior.variance:
            return Moments(mean=prior.mean, variance=prior.variance / _LEAST_SHARE)
        natural = self.mean / self.variance - prior.mean / prior.variance
        return Moments(mean=natural / precision, variance=1.0 / precision)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Weighted draws of a number that was standard normal before the data, (J,) each."""

    value: Array
    weight: Array


def told_by(draws: Sequence[Draws], before: Sequence[Moments]) -> list[Moments]:
    """What each pair's data say of a number, as a normal that is right where it matters.

    ``before`` is what is believed of each pair's number without its data; the normal likelihoods
    give, with it, the means and variances that the draws give with it [1]_.

    References
    ----------
    .. [1] Minka T.P. (2001) Expectation propagation for approximate Bayesian inference.
       Proceedings of the 17th UAI, 362-369 (from memory).
    """
    most = max(len(d.value) for d in draws)
    value, weight = np.zeros((len(draws), most)), np.zeros((len(draws), most))
    for row, d in enumerate(draws):
        value[row, : len(d.value)], weight[row, : len(d.value)] = d.value, d.weight
    centre = np.array([m.mean for m in before])
    spread = np.array([m.variance for m in before])
    log_ratio = 0.5 * (value**2 - (value - centre[:, None]) ** 2 / spread[:, None])
    log_ratio -= np.where(weight > 0.0, log_ratio, -np.inf).max(axis=1, keepdims=True)
    mass = weight * np.exp(np.minimum(log_ratio, 0.0))
    mass /= mass.sum(axis=1, keepdims=True)
    mean = (mass * value).sum(axis=1)
    variance = (mass * (value - mean[:, None]) ** 2).sum(axis=1)
    # A board of twenty burns can't narrow a shape score by more than this.
    variance = np.maximum(variance, _LEAST_SCORE_VARIANCE * spread)
    precision = np.maximum(1.0 / variance - 1.0 / spread, _LEAST_SHARE / spread)
    # The mean is met whatever the precision: what hardly narrows a score may still pull at it.
    natural = mean * (1.0 / spread + precision) - centre / spread
    return [
        Moments(mean=float(m), variance=float(v))
        for m, v in zip(natural / precision, 1.0 / precision, strict=True)
    ]


def moments_of(posterior: Posterior, value: Array) -> Moments:
    """Mean and variance of a number at the points, (J, A) or (J,)."""
    weight = posterior.weight if value.ndim == 2 else posterior.shape_weight
    mean = float((weight * value).sum())
    return Moments(mean=mean, variance=max(float((weight * (value - mean) ** 2).sum()), 1e-8))
