"""Before an ordinal fit: equal rows together, round coordinates, and whether a maximum exists."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog

from calib.fit.ordinal_likelihood import Array, Grades

# Largest gap by which grades may overlap, as a share of the range of the data, and still count
# as only touching: far below what any instrument reads, far above rounding.
_TOUCHING = 1e-9


def distinct_rows(x: Array, grade: Grades, weight: Array) -> tuple[Array, Grades, Array]:
    """Sort the rows and add up the weights of equal ones, so that order can't matter.

    Examples
    --------
    >>> x, grade, weight = distinct_rows(np.array([[2.0], [2.0]]), np.array([1, 1]), np.ones(2))
    >>> x.tolist(), grade.tolist(), weight.tolist()
    ([[2.0]], [1], [2.0])
    """
    table, place = np.unique(np.column_stack([x, grade]), axis=0, return_inverse=True)
    total = np.bincount(place.ravel(), weights=weight).astype(np.float64)
    return table[:, :-1].astype(np.float64), table[:, -1].astype(np.intp), total


_LEAST_REACH = 1e-140


def _scaled(x: Array, weight: Array) -> tuple[Array, Array, Array]:
    """Centred X with entries of at most 1, its centre and its scale; 0 in constant columns."""
    centre = (weight / weight.sum()) @ x
    constant = np.ptp(x, axis=0) <= 8.0 * np.finfo(float).eps * np.abs(x).max(axis=0)
    reach = np.abs(x - centre).max(axis=0)
    # The variance of a coefficient goes with 1 / reach^2, which must be a finite number.
    constant |= reach < _LEAST_REACH
    scale = np.where(constant, 1.0, reach)
    return np.where(constant, 0.0, (x - centre) / scale), centre, scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Coordinates of the estimation: X β = centre β + (X − centre) to_coef γ."""

    # Weighted mean of each column and its largest distance from it, 1 if constant, (k,)
    centre: Array
    scale: Array
    # Map from γ to β, (k, r); the columns of (X − centre) to_coef are uncorrelated, or nearly so
    # where a prior shares an effect among collinear columns
    to_coef: Array
    left_open: Array  # Directions of β along which X does not vary, (k, q); no part of the estimate
    # What a normal prior says of γ, (r, r), and of the directions left open, (q, q)
    precision: Array
    open_covariance: Array

    def in_units_of_x(self, theta: Array, covariance: Array) -> tuple[Array, Array]:
        """Turn (γ, centred cut points) and their covariance into (β, c)."""
        k, cuts = len(self.to_coef), len(theta) - self.to_coef.shape[1]
        shift = np.vstack([np.eye(k), np.tile(self.centre, (cuts, 1))])
        back = np.hstack([shift @ self.to_coef, np.eye(k + cuts)[:, k:]])
        open_part = shift @ self.left_open
        total = back @ covariance @ back.T + open_part @ self.open_covariance @ open_part.T
        return back @ theta, 0.5 * (total + total.T)


def frame_of(x: Array, weight: Array, effect_sd: Array | None = None) -> Frame:
    """Choose the coordinates in which the data are round.

    ``effect_sd`` is the prior standard deviation of each coefficient times its column's standard
    deviation, (k,); None for no normal prior.
    """
    scaled, centre, scale = _scaled(x, weight)
    resolution = np.finfo(float).eps * max(1.0, (np.abs(x).max(axis=0) / scale).max())
    inside, outside = _directions(scaled, weight, 8.0 * max(x.shape) * resolution)
    variance = (weight / weight.sum()) @ scaled**2
    known = np.where(variance > 0, variance, 1.0)[:, None]
    if effect_sd is not None:
        known = known / effect_sd[:, None] ** 2
    # The least prior effort that gives the same effect: what is left open is then uncorrelated.
    open_covariance = np.asarray(np.linalg.inv(outside.T @ (known * outside)), dtype=np.float64)
    inside = inside - outside @ open_covariance @ outside.T @ (known * inside)
    return Frame(
        centre=centre,
        scale=scale,
        to_coef=inside / scale[:, None],
        left_open=outside / scale[:, None],
        precision=inside.T @ (known * inside),
        open_covariance=open_covariance if effect_sd is not None else 0.0 * open_covariance,
    )


def _directions(scaled: Array, weight: Array, noise: float) -> tuple[Array, Array]:
    """Map (k, r) to columns of unit weighted square mean, and directions left open (k, q)."""
    share = np.sqrt(weight / weight.sum())
    triangle = np.linalg.qr(share[:, None] * scaled, mode="r")  # small, however many the rows
    _, size, direction = np.linalg.svd(triangle, full_matrices=True)
    rank = int((size > noise * max(1.0, size.max(initial=0.0))).sum())
    return direction[:rank].T / size[:rank], direction[rank:].T


def is_separated(scaled: Array, grade: Grades, grades: int) -> bool:
    """Tell whether some direction widens or keeps the band of every row: no maximum exists then.

    ``scaled`` are independent regressors with entries of at most about 1, (n, k); all of the grades
    0…K−1 are seen.

    Notes
    -----
    Separated means that a direction (coef, cuts) widens some band and narrows none [1]_. A linear
    program maximises the total widening over directions with entries within ±1 that narrow no
    band by more than 5e-10; if only short directions remain, the grades overlap. Overlaps below
    1e-9 of the range of X thus count as touching, and the program's own tolerance, five times
    finer, never decides.

    References
    ----------
    .. [1] A. Albert, J. A. Anderson, "On the existence of maximum likelihood estimates in
       logistic regression models", Biometrika 71, 1 (1984).
    """
    cut_of = np.pad(np.eye(grades - 1), ((1, 1), (0, 0)))
    upper = np.hstack([-scaled, cut_of[grade + 1]])[grade < grades - 1]
    lower = np.hstack([scaled, -cut_of[grade]])[grade > 0]
    widening = np.vstack([upper, lower])
    direction = _widest(widening)
    if direction is None:  # seen in 1 of 4,000 made-up sets that overlap by 1e-9 to 1e-8
        return True
    long = bool(np.abs(direction).max() > 1.0 - 1e-6)
    return long and float((widening @ direction).sum()) > _TOUCHING * len(widening)


def _widest(widening: Array) -> Array | None:
    """Direction within ±1 of the greatest total widening that narrows no band, but for touching.

    The solver gives up on a few of the closest calls; another way in then mostly gets through.
    None when no way does.
    """
    for presolve, slack in itertools.product((True, False), (0.5, 0.4, 0.6)):
        answer = linprog(
            -widening.sum(axis=0),
            A_ub=-widening,
            b_ub=np.full(len(widening), slack * _TOUCHING),  # two bands narrow where two overlap
            bounds=(-1.0, 1.0),
            method="highs",
            options={
                "presolve": presolve,
                "primal_feasibility_tolerance": 0.1 * _TOUCHING,
                "dual_feasibility_tolerance": 0.1 * _TOUCHING,
            },
        )
        if answer.x is not None:
            return np.asarray(answer.x, dtype=np.float64)
    return None
