"""The likelihood of ordered grades under a normal hidden score, and its maximum.

P(y ≤ j) = Φ(c_j − x β). A grade's band is the interval of the hidden score between its two cut
points; parameters stand in one vector, coefficients first, then cut points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, eigh
from scipy.special import log_ndtr, ndtr, ndtri

from calib.texts.say import say

Array = npt.NDArray[np.float64]
Grades = npt.NDArray[np.intp]

_HALF_LOG_TWO_PI = 0.5 * math.log(2.0 * math.pi)
# Where a band's width x (1 + distance from zero) is below this, a series in the width is exact to
# (width x distance)^4 / 2880 < 3e-13, while the difference of two tails loses digits.
_NARROW = 5e-3
_LEAST_CURVATURE = 1e-14  # of the greatest, both scaled: below it there is only rounding
_MAX_STEPS = 200
# slope x step is the squared length of the step in standard errors. Below this share of 1 + |value|
# (rounding lets it fall no further) one more step ends at an error of about its square.
_RISE_DONE = 1e-12


def log_chance_between(lower: Array, upper: Array) -> Array:
    """Log of the chance that a standard normal falls between two limits, safe far in the tails.

    ln(Φ(upper) − Φ(lower)) of limits of one shape, which may be infinite [standard deviations];
    −inf where upper is not above lower.

    Examples
    --------
    >>> bool(log_chance_between(np.array([40.0]), np.array([np.inf]))[0] < -800)
    True
    """
    turn = lower + upper > 0  # a band above zero is its mirror image, where tails are exact
    low, high = np.where(turn, -upper, lower), np.where(turn, -lower, upper)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        tail = log_ndtr(high)
        one_sided = tail + np.log(-np.expm1(log_ndtr(low) - tail))
        around_zero = np.log1p(-(ndtr(low) + ndtr(-high)))
        width, middle = high - low, 0.5 * (low + high)
        density = -_HALF_LOG_TWO_PI - 0.5 * middle**2
        narrow = np.log(width) + density + (middle**2 - 1.0) * width**2 / 24.0
        is_narrow = width * (1.0 + np.abs(middle)) < _NARROW
    one_sided = np.where(tail > -np.inf, one_sided, -np.inf)
    wide = np.where(high < 0, one_sided, around_zero)
    return np.where(width > 0, np.where(is_narrow, narrow, wide), -np.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedRows:
    """Distinct rows: regressors (n, r), grades 0…K−1 (n,), weights (n,), number of grades K."""

    x: Array
    grade: Grades
    weight: Array
    grades: int

    @property
    def weight_of_grade(self) -> Array:
        """Weight at the observed grade and zero elsewhere, (n, K)."""
        observed = self.grade[:, None] == np.arange(self.grades)
        return np.where(observed, self.weight[:, None], 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bands:
    """Every grade's band at every row, (n, K): ln p and its slopes in the upper and lower limit."""

    log_p: Array
    up: Array
    low: Array
    up_up: Array
    up_low: Array
    low_low: Array


def band_edges(x: Array, coef: Array, cuts: Array) -> Array:
    """Limits of every grade's band at every row: −∞, the cut points less x β, ∞, (n, K+1)."""
    end = np.full((len(x), 1), np.inf)
    return np.hstack([-end, cuts[None, :] - (x @ coef)[:, None], end])


def _bands(edges: Array) -> _Bands:
    log_p = log_chance_between(edges[:, :-1], edges[:, 1:])
    finite = np.where(np.isfinite(edges), edges, 0.0)
    log_density = -0.5 * edges**2 - _HALF_LOG_TWO_PI
    above, below = np.exp(log_density[:, 1:] - log_p), np.exp(log_density[:, :-1] - log_p)
    return _Bands(
        log_p=log_p,
        up=above,
        low=-below,
        up_up=-above * (finite[:, 1:] + above),
        up_low=above * below,
        low_low=below * (finite[:, :-1] - below),
    )


def _slope(x: Array, up: Array, low: Array) -> Array:
    """Gradient in (coef, cuts) from slopes in each band's upper and lower limit, (n, K)."""
    at_cut = up[:, :-1] + low[:, 1:]
    return np.concatenate([-x.T @ at_cut.sum(axis=1), at_cut.sum(axis=0)])


def _curvature(x: Array, up_up: Array, up_low: Array, low_low: Array) -> Array:
    """Hessian in (coef, cuts) from second slopes in each band's limits, (n, K)."""
    own, next_ = up_up[:, :-1] + low_low[:, 1:], up_low[:, 1:-1]
    row = own.copy()
    row[:, :-1] += next_
    row[:, 1:] += next_
    cuts = np.diag(own.sum(axis=0))
    if next_.shape[1]:
        beside = np.diag(next_.sum(axis=0), 1)
        cuts = cuts + beside + beside.T
    cross = -x.T @ row
    return np.block([[(x.T * row.sum(axis=1)) @ x, cross], [cross.T, cuts]])


class Likelihood:
    """Log-likelihood of (coef, cuts), its gradient and its observed information."""

    def __init__(self, rows: GradedRows) -> None:
        self.rows = rows

    def split(self, theta: Array) -> tuple[Array, Array]:
        """Coefficients and cut points of one parameter vector."""
        count = self.rows.x.shape[1]
        return theta[:count], theta[count:]

    def bands(self, theta: Array) -> _Bands:
        """Bands of all grades at all rows."""
        return _bands(band_edges(self.rows.x, *self.split(theta)))

    def log_likelihood(self, theta: Array) -> float:
        """Σ weight × ln p of the observed grade."""
        edges = band_edges(self.rows.x, *self.split(theta))
        row = np.arange(len(edges))
        lower, upper = edges[row, self.rows.grade], edges[row, self.rows.grade + 1]
        return float(self.rows.weight @ log_chance_between(lower, upper))

    def value(self, theta: Array) -> float:
        """What is maximised."""
        return self.log_likelihood(theta)

    def gradient(self, theta: Array) -> Array:
        """Slope of the value."""
        bands, weight = self.bands(theta), self.rows.weight_of_grade
        return _slope(self.rows.x, weight * bands.up, weight * bands.low)

    def information(self, theta: Array) -> Array:
        """Minus the Hessian of the value."""
        bands, w = self.bands(theta), self.rows.weight_of_grade
        return -_curvature(self.rows.x, w * bands.up_up, w * bands.up_low, w * bands.low_low)

    def expected_information(self, bands: _Bands) -> Array:
        """Mean of minus the Hessian of the log-likelihood over the grades that might come."""
        w = self.rows.weight[:, None] * np.exp(bands.log_p)
        return _curvature(self.rows.x, w * bands.up**2, w * bands.up * bands.low, w * bands.low**2)


class GaussianPenalised(Likelihood):
    """Log-likelihood plus the log of a normal prior on the coefficients; cut points are free."""

    def __init__(self, rows: GradedRows, precision: Array) -> None:
        super().__init__(rows)
        cuts = rows.grades - 1
        self.precision = np.pad(precision, (0, cuts))

    def value(self, theta: Array) -> float:
        return self.log_likelihood(theta) - 0.5 * float(theta @ self.precision @ theta)

    def gradient(self, theta: Array) -> Array:
        return super().gradient(theta) - self.precision @ theta

    def information(self, theta: Array) -> Array:
        return super().information(theta) + self.precision


class JeffreysPenalised(Likelihood):
    """Log-likelihood plus the log of Jeffreys' prior in (coef, first cut, ln gaps)."""

    def value(self, theta: Array) -> float:
        gaps = np.diff(self.split(theta)[1])
        if not np.all(gaps > 0):
            return -math.inf
        sign, log_det = np.linalg.slogdet(self.expected_information(self.bands(theta)))
        if sign <= 0 or not math.isfinite(log_det):
            return -math.inf
        return self.log_likelihood(theta) + 0.5 * float(log_det) + float(np.log(gaps).sum())

    def gradient(self, theta: Array) -> Array:
        inverse_gaps = 1.0 / np.diff(self.split(theta)[1])
        slope = super().gradient(theta) + self._half_log_det_gradient(theta)
        cuts = self.split(slope)[1]  # a view: the gaps' part is added in place
        cuts[1:] += inverse_gaps
        cuts[:-1] -= inverse_gaps
        return slope

    def information(self, theta: Array) -> Array:
        penalty = self._half_log_det_curvature(theta)
        information = super().information(theta) - 0.5 * (penalty + penalty.T)
        per_gap = np.diff(np.eye(len(self.split(theta)[1])), axis=0)
        scaled = per_gap / np.diff(self.split(theta)[1])[:, None]
        cut_block = slice(self.rows.x.shape[1], None)
        information[cut_block, cut_block] += scaled.T @ scaled
        return information

    def _half_log_det_gradient(self, theta: Array) -> Array:
        """Gradient of ½ ln det I, exact: ½ tr(I⁻¹ dI) written with each band's slopes."""
        bands, x = self.bands(theta), self.rows.x
        inverse = np.linalg.inv(self.expected_information(bands))
        k = x.shape[1]
        with_cut = x @ inverse[:k, k:]
        row = np.einsum("ij,jk,ik->i", x, inverse[:k, :k], x)[:, None]
        own = row - 2.0 * with_cut + np.diag(inverse[k:, k:])
        beside = row - with_cut[:, :-1] - with_cut[:, 1:] + np.diag(inverse[k:, k:], 1)
        none = np.zeros((len(x), 1))
        up_var, low_var = np.hstack([own, none]), np.hstack([none, own])
        cov = np.hstack([none, beside, none])
        up = up_var * bands.up + cov * bands.low
        low = cov * bands.up + low_var * bands.low
        square = bands.up * up + bands.low * low
        half_weight = 0.5 * self.rows.weight[:, None] * np.exp(bands.log_p)
        d_up = square * bands.up + 2.0 * (bands.up_up * up + bands.up_low * low)
        d_low = square * bands.low + 2.0 * (bands.up_low * up + bands.low_low * low)
        return _slope(x, half_weight * d_up, half_weight * d_low)

    def _half_log_det_curvature(self, theta: Array) -> Array:
        """Hessian of ½ ln det I: five-point differences of its exact gradient."""
        step = min(1e-3, 0.05 * float(np.diff(self.split(theta)[1]).min(initial=1.0)))
        columns = []
        for unit in np.eye(len(theta)):
            near, far = (
                self._half_log_det_gradient(theta + s * step * unit)
                - self._half_log_det_gradient(theta - s * step * unit)
                for s in (1.0, 2.0)
            )
            columns.append((8.0 * near - far) / (12.0 * step))
        return np.stack(columns)


def climb(problem: Likelihood, theta: Array) -> Array | None:
    """Climb from coefficients and rising cut points, (k+K−1,), to the maximum by Newton's method.

    Steps are halved where need be; None where doubles can't hold the curvature on the way.
    """
    with np.errstate(over="ignore", invalid="ignore"):  # trial steps may go far out
        for _ in range(_MAX_STEPS):
            try:
                value, slope = problem.value(theta), problem.gradient(theta)
                step = _ascent_step(problem.information(theta), slope)
            except LinAlgError:
                return None
            rise = float(slope @ step)
            if rise <= _RISE_DONE * (1.0 + abs(value)):
                return theta + step
            shorter = _shortened(problem, theta, step, value, rise)
            if shorter is None:
                return None
            theta = theta + shorter
    return None


def _shortened(
    problem: Likelihood, theta: Array, step: Array, value: float, rise: float
) -> Array | None:
    """Halve the step until the value rises as its slope promises, but for rounding."""
    rounding = 1e-12 * (1.0 + abs(value))
    for halvings in range(40):
        share = 0.5**halvings
        if problem.value(theta + share * step) >= value + 1e-4 * share * rise - rounding:
            return share * step
    return None


def _ascent_step(information: Array, slope: Array) -> Array:
    """Newton step; where the information isn't positive definite, its sizes without their signs."""
    scaled, size = _unit_diagonal(information)
    if not np.isfinite(scaled).all():
        raise LinAlgError(say("fit.information_is_not_finite"))
    curvature, direction = eigh(scaled)
    curvature = np.abs(curvature)
    curvature = np.maximum(curvature, _LEAST_CURVATURE * curvature.max())
    return np.asarray(direction @ (direction.T @ (slope / size) / curvature) / size)


def _unit_diagonal(information: Array) -> tuple[Array, Array]:
    """Scale a matrix so that directions known well and hardly at all don't drown each other."""
    diagonal = np.abs(np.diag(information))
    size = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    return information / np.outer(size, size), size


def covariance_of(information: Array) -> Array:
    """Invert an information matrix, minus the Hessian at the maximum, (p, p)."""
    scaled, size = _unit_diagonal(information)
    return np.asarray(np.linalg.inv(scaled) / np.outer(size, size), dtype=np.float64)


def start(rows: GradedRows) -> Array:
    """Parameters of no effect of X and the observed shares of the grades, (k+K−1,)."""
    weight = rows.weight_of_grade.sum(axis=0)
    return np.concatenate([
        np.zeros(rows.x.shape[1]),
        ndtri(np.cumsum(weight)[:-1] / weight.sum()),
    ])
