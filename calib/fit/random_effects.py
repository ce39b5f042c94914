"""Random-effects regression with known sampling variances: the second stage of pooling.

For unit i, measured with variance v_i,

    y_i = x_i b + (what its groups share) + e_i + ε_i,   b ~ N(0, S),  e ~ N(0, s²),  ε ~ N(0, v_i)

where the nested groups (a lot within a product) and e are integrated out unit by unit, so that the
work grows linearly with the number of units. How large the spreads are isn't plugged in but
integrated over, for the likeliest spread of few units is often zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, ndtr, ndtri

from calib.fit.numerics import even_scores

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Points over the spreads in each round, and rounds at most; a round is the last when so many of
# its points count.
_POINTS = 96
_ROUNDS = 5
_ENOUGH = 24.0
_INFLATION = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """What was measured of n units, and what they belong to."""

    value: Array  # Measured, (n,)
    variance: Array  # Its sampling variance, (n,)
    effects: Array  # Design of the effects b, (n, q)
    base: Array  # Prior standard deviation of each effect at spread 1, (q,)
    spread_of: Ints  # Which spread scales each effect, (q,); -1 for none
    # Groups whose effects are integrated out, from the innermost: for each level the group of each
    # unit (n,), and which groups have an effect of their own at all (groups,); prior standard
    # deviation of each level, and which spread scales it
    nested: Sequence[tuple[Ints, npt.NDArray[np.bool_]]] = ()
    nested_base: Sequence[float] = ()
    nested_spread: Sequence[int] = ()
    # The same of the unit's own e
    unit_base: float = 0.0
    unit_spread: int = -1
    spreads: int = 0  # How many spreads there are


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """Posterior of b as a mixture of H normals over the spreads."""

    spread: Array  # Of each component, (H, spreads)
    weight: Array  # They sum to one, (H,)
    mean: Array  # Of b, (H, q)
    covariance: Array  # (H, q, q)

    def predict(self, design: Array, extra: Array) -> tuple[float, float]:
        """Mean and variance of a new unit's value over the whole mixture.

        ``design`` is its row of effects, (q,), ``extra`` the variance on top in each component,
        (H,): of what is drawn anew.
        """
        means, variances = self.components(design, extra)
        mean = float(self.weight @ means)
        return mean, float(self.weight @ (variances + means**2) - mean**2)

    def components(self, design: Array, extra: Array) -> tuple[Array, Array]:
        """Mean and variance of a new unit in each component, (H,) each."""
        variances = np.einsum("q,hqr,r->h", design, self.covariance, design) + extra
        return self.mean @ design, np.asarray(variances)


def _summed(units: Units, spread: Array) -> tuple[Array, Array, float]:
    """What the units say of b at given spreads: information, natural mean, log-likelihood at 0.

    The units' own effects are integrated out, then each nested level, group by group.
    """
    factor = np.append(spread, 1.0)
    weight = 1.0 / (units.variance + (units.unit_base * factor[units.unit_spread]) ** 2)
    rows = units.effects * weight[:, None]
    values = weight * units.value
    information = units.effects.T @ rows
    natural = units.effects.T @ values
    square = float(values @ units.value)
    log_det = -float(np.log(weight).sum())
    levels = zip(units.nested, units.nested_base, units.nested_spread, strict=True)
    for (group, alive), base, which in levels:
        n = len(alive)
        weight = np.bincount(group, weight, n)
        values = np.bincount(group, values, n)
        rows = _sums(group, rows, n)
        variance = np.where(alive, (base * factor[which]) ** 2, 0.0)
        shrink = 1.0 / (1.0 + variance * weight)
        taken = variance * shrink
        information -= rows.T @ (rows * taken[:, None])
        natural -= rows.T @ (values * taken)
        square -= float(values @ (values * taken))
        log_det -= float(np.log(shrink).sum())
        weight, values, rows = weight * shrink, values * shrink, rows * shrink[:, None]
    return information, natural, -0.5 * (log_det + square)


def _sums(group: Ints, rows: Array, n: int) -> Array:
    """Sums over each of n groups, none of them empty; many times as fast as ``numpy.add.at``."""
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], np.arange(n))
    return np.asarray(np.add.reduceat(rows[order], starts, axis=0))


def fit_mixture(units: Units, spread: Array, log_prior: Array) -> Mixture:
    """Posterior of b, integrated over given spreads (H, spreads), one normal for each.

    ``log_prior`` is the log of the prior mass that each point stands for, (H,).

    Notes
    -----
    Nested levels are eliminated by the Sherman-Morrison formula; what is left is a system of q
    equations for each point [1]_. It is scaled so that a spread of 0 holds an effect at 0.

    References
    ----------
    .. [1] Lindley D.V., Smith A.F.M. (1972) Bayes estimates for the linear model. Journal of the
       Royal Statistical Society B 34(1):1-41 (from memory).
    """
    sums = [_summed(units, point) for point in spread]
    information, natural, log_at_zero = (np.array(part) for part in zip(*sums, strict=True))
    factor = np.concatenate([spread, np.ones((len(spread), 1))], axis=1)
    scale = units.base * factor[:, units.spread_of]
    scaled = np.eye(len(units.base)) + scale[:, :, None] * information * scale[:, None, :]
    covariance = scale[:, :, None] * np.linalg.inv(scaled) * scale[:, None, :]
    mean = np.einsum("hqr,hr->hq", covariance, natural)
    log_det = np.linalg.slogdet(scaled)[1]
    fitted = 0.5 * np.einsum("hq,hq->h", mean, natural)
    log_mass = log_at_zero - 0.5 * log_det + fitted + log_prior
    return Mixture(
        spread=spread,
        weight=np.exp(log_mass - logsumexp(log_mass)),
        mean=mean,
        covariance=covariance,
    )


def fit_fixed(units: Units) -> Mixture:
    """Posterior of b with every spread at its usual size."""
    return fit_mixture(units, np.ones((1, units.spreads)), np.zeros(1))


def fit_learning(units: Units) -> Mixture:
    """Posterior of b with the spreads learnt from the units.

    Their priors are half-normal with mean square 1: a spread may be zero, and before any unit they
    are on average as large as the fixed ones.

    Notes
    -----
    Importance sampling over evenly spread points; the normal that they are drawn from is fitted to
    the round before, so that it follows the posterior when many units make it narrow [1]_.

    References
    ----------
    .. [1] Cappé O., Guillin A., Marin J.-M., Robert C.P. (2004) Population Monte Carlo. Journal of
       Computational and Graphical Statistics 13(4):907-929 (from memory).
    """
    if units.spreads == 0:
        return fit_fixed(units)
    base = even_scores(_POINTS, units.spreads)
    mean, factor = np.zeros(units.spreads), np.eye(units.spreads)
    for _ in range(_ROUNDS):
        scores = mean + base @ factor.T
        log_ratio = 0.5 * (base**2).sum(axis=1) - 0.5 * (scores**2).sum(axis=1)
        found = fit_mixture(units, half_normal(scores), log_ratio)
        if 1.0 / (found.weight**2).sum() > _ENOUGH:
            break
        mean, factor = _narrowed(scores, found.weight)
    return found


def half_normal(scores: Array) -> Array:
    """Turn standard normal scores into half-normals with mean square 1, same shape."""
    return np.asarray(ndtri(0.5 + 0.5 * np.clip(ndtr(scores), 1e-9, 1.0 - 1e-12)))


def _narrowed(scores: Array, weight: Array) -> tuple[Array, Array]:
    """Mean and inflated factor of a normal fitted to weighted scores."""
    # Flattened weights: few points that hold all the mass must not collapse the normal at once.
    flat = weight ** min(1.0, np.log(_ENOUGH) / np.log(len(weight)) + 0.2)
    flat = flat / flat.sum()
    mean = flat @ scores
    spread = (scores - mean) * np.sqrt(flat)[:, None]
    covariance = spread.T @ spread + 1e-4 * np.eye(scores.shape[1])
    return mean, np.asarray(np.linalg.cholesky(covariance)) * _INFLATION
