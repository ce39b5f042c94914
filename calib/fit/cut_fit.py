"""Posterior of the cut model, and what it says of a coupon, a job and the next sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtr

from calib.fit.cut import (
    PARAMETERS,
    CutData,
    Points,
    Shape,
    critical_location,
    cut_data,
    edge_speed_ratio,
    shape_of,
)
from calib.fit.engine import Posterior, Problem, learned, solve, systematic
from calib.fit.numerics import LogProduct
from calib.fit.priors import MISREAD, CutPrior
from calib.records import COUPON_CUT_MM, Burn, Machine

Array = npt.NDArray[np.float64]

# Nodes for what a sitting shares: the trapezoidal rule on a normal; a whole job may pull far out.
SHARED_NODES = np.linspace(-4.5, 4.5, 15)
_weights = np.exp(-0.5 * SHARED_NODES**2)
SHARED_WEIGHTS = _weights / _weights.sum()
# Points that a mixture over sittings is thinned to.
_THINNED = 8000


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPoints:
    """Weighted points of what a sheet is like: shape, α and how much more u may add, (J,) each."""

    shape: Shape
    location: Array
    extra_sd: Array
    weight: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class CutFit:
    """Posterior of the cut model.

    Parameters
    ----------
    prior
        What was believed before.
    here
        This sheet, as it was burnt.
    elsewhere
        The next sheet of the lot: ``extra_sd`` holds what is drawn anew.
    learned
        Posterior sd / prior sd of each parameter.
    effective
        Effective number of shape points.
    """

    prior: CutPrior
    here: CutPoints
    elsewhere: CutPoints
    learned: dict[str, float]
    effective: float


def _log_chances(
    shape: Shape, location: Array, data: CutData, prior: CutPrior, rows: npt.NDArray[np.int64]
) -> Array:
    """Sum over the rows of count × ln chance of what was read, (M, A)."""
    critical = critical_location(shape, data.at)
    sigma, band = shape.scatter[:, None], shape.band[:, None]
    total = LogProduct(location.shape)
    defects = prior.defects_per_m * COUPON_CUT_MM / 1000.0
    for row in rows:
        z = (critical[:, row : row + 1] - location) / sigma
        ratio = data.length_ratio[row]
        if data.grade[row] == 0:
            chance = ndtr(-z - band / sigma)
        else:
            through = (
                np.exp(-defects) * ndtr(z)
                if ratio == 1.0
                else np.exp(ratio * (log_ndtr(z) - defects))
            )
            chance = through if data.grade[row] == 2 else 1.0 - ndtr(-z - band / sigma) - through
        seen = (1.0 - MISREAD) * np.maximum(chance, 0.0) + MISREAD / 3.0
        total.times(seen, data.count[row])
    return total.log()


def _log_likelihood(shape: Shape, location: Array, data: CutData, prior: CutPrior) -> Array:
    """Log-likelihood with what each sitting shares integrated out, (M, A)."""
    groups = np.unique(data.group)
    if len(groups) <= 1:
        return _log_chances(shape, location, data, prior, np.arange(len(data.grade)))
    total = np.zeros(location.shape)
    for group in groups:
        total += np.log(_shared_chances(shape, location, data, prior, int(group)).sum(axis=-1))
    return total


def _shared_chances(
    shape: Shape, location: Array, data: CutData, prior: CutPrior, group: int
) -> Array:
    """Chance of a sitting's readings times the weight of each u, (M, A, nodes); scaled rows."""
    rows = np.flatnonzero(data.group == group)
    shifted = [
        _log_chances(shape, location + shape.shared[:, None] * node, data, prior, rows)
        for node in SHARED_NODES
    ]
    return np.asarray(np.maximum(np.exp(np.stack(shifted, axis=-1)), 1e-280) * SHARED_WEIGHTS)


def _informed(data: CutData) -> tuple[int, ...]:
    """Which parameters these data can tell anything of, as places in ``PARAMETERS``."""
    names = ["floor", "exponent", "scatter", "band"]
    if data.at.ln_passes.any():
        names.append("passes")
    if len(np.unique(data.group)) > 1:
        names.append("shared")
    return tuple(PARAMETERS.index(name) for name in names)


def cut_problem(data: CutData, prior: CutPrior) -> Problem:
    """The cut model with its data, for the engine.

    Parameters
    ----------
    data
        Readings.
    prior
        What is believed before.

    Returns
    -------
    Problem
        Six shape parameters and α.
    """
    return Problem(
        dimensions=len(PARAMETERS),
        informed=_informed(data),
        shape_of=lambda scores: shape_of(scores, prior),
        critical=lambda shape: critical_location(shape, data.at),
        scatter=lambda shape: np.asarray(shape.scatter),
        log_likelihood=lambda shape, location: _log_likelihood(shape, location, data, prior),
        location_prior=(prior.location, prior.location_scale, prior.location_df),
    )


def fit_cut(machine: Machine, burns: Sequence[Burn], prior: CutPrior) -> CutFit:
    """Fit the cut model to the burns of one sheet and machine.

    Parameters
    ----------
    machine
        Where they were burnt.
    burns
        Burns of any kind and order; those that aren't cuts or weren't read are left out.
    prior
        What is believed before.

    Returns
    -------
    CutFit
        Weighted points for this sheet and for the next one.
    """
    data = cut_data(machine, burns, prior)
    problem = cut_problem(data, prior)
    posterior = solve(problem)
    here, elsewhere = _sheets(posterior, data, prior)
    return CutFit(
        prior=prior,
        here=here,
        elsewhere=elsewhere,
        learned=learned(posterior, PARAMETERS, problem.location_prior),
        effective=posterior.effective,
    )


def _sheets(posterior: Posterior, data: CutData, prior: CutPrior) -> tuple[CutPoints, CutPoints]:
    """Points for this sheet and for the next one of its lot."""
    shape = shape_of(posterior.scores, prior)
    groups = np.unique(data.group)
    nothing = np.zeros(len(posterior.weight))
    common = CutPoints(
        shape=shape, location=posterior.location, extra_sd=nothing, weight=posterior.weight
    )
    if len(groups) <= 1:
        # α holds this sheet's own u; the next sheet differs by two draws of u.
        spread = np.sqrt(2.0) * shape.shared
        return common, _with(common, extra_sd=spread)
    return _mixture(common, data, prior), _with(common, extra_sd=shape.shared)


def _with(points: CutPoints, *, extra_sd: Array) -> CutPoints:
    return CutPoints(
        shape=points.shape, location=points.location, extra_sd=extra_sd, weight=points.weight
    )


def _mixture(points: CutPoints, data: CutData, prior: CutPrior) -> CutPoints:
    """This sheet as a mixture over the sittings it was burnt in, thinned to even weights."""
    boards = [int(g) for g in np.unique(data.group)]
    sizes = np.array([data.count[data.group == g].sum() for g in boards])
    location, weight, row = [], [], []
    for group, size in zip(boards, sizes / sizes.sum(), strict=True):
        mass = _shared_chances(points.shape, points.location[:, None], data, prior, group)[:, 0, :]
        share = mass / mass.sum(axis=1, keepdims=True)
        location.append(
            (points.location[:, None] + points.shape.shared[:, None] * SHARED_NODES).ravel()
        )
        weight.append((points.weight[:, None] * share * size).ravel())
        row.append(np.repeat(np.arange(len(points.weight)), len(SHARED_NODES)))
    rows = np.concatenate(row)
    everything = CutPoints(
        shape=take(points.shape, rows),
        location=np.concatenate(location),
        extra_sd=np.zeros(len(rows)),
        weight=np.concatenate(weight),
    )
    return thinned(everything, _THINNED)


def thinned(points: CutPoints, n: int) -> CutPoints:
    """At most n even-weight draws of weighted points; nothing random."""
    if len(points.weight) <= n:
        return points
    pick = systematic(points.weight, points.location, n)
    return CutPoints(
        shape=take(points.shape, pick),
        location=points.location[pick],
        extra_sd=points.extra_sd[pick],
        weight=np.full(n, 1.0 / n),
    )


def take(shape: Shape, rows: npt.NDArray[np.int64]) -> Shape:
    """The shape parameters of some points, in the given order."""
    return Shape(**{name: getattr(shape, name)[rows] for name in PARAMETERS})


def reach(points: CutPoints, at: Points) -> Array:
    """Reach of each setting at each posterior point, (J, n) [ln W]."""
    return np.asarray(critical_location(points.shape, at) - points.location[:, None])


def coupon_chance(points: CutPoints, at: Points) -> Array:
    """Chance that the next coupon is through, (n,)."""
    return np.asarray(points.weight @ through_by_point(points, at))


def through_by_point(points: CutPoints, at: Points) -> Array:
    """Chance that the next coupon is through at each posterior point, (J, n)."""
    spread = np.hypot(points.shape.scatter, points.extra_sd)[:, None]
    return np.asarray(ndtr(reach(points, at) / spread))


def job_chance(points: CutPoints, at: Points, length_ratio: float) -> Array:
    """Chance that a whole job of so many coupons' length is through, (n,)."""
    value = reach(points, at)
    nodes, weights = SHARED_NODES, SHARED_WEIGHTS
    if not points.extra_sd.any():
        nodes, weights = np.zeros(1), np.ones(1)
    total = np.zeros(value.shape[1])
    for node, node_weight in zip(nodes, weights, strict=True):
        z = (value + (points.extra_sd * node)[:, None]) / points.shape.scatter[:, None]
        total += node_weight * (points.weight @ np.exp(length_ratio * log_ndtr(z)))
    return total


def grade_chances(points: CutPoints, at: Points) -> Array:
    """Chances of no, hanging and through at each posterior point, (3, J, n)."""
    z = reach(points, at) / points.shape.scatter[:, None]
    through = ndtr(z)
    no = ndtr(-z - (points.shape.band / points.shape.scatter)[:, None])
    return np.stack([no, np.maximum(1.0 - through - no, 0.0), through])


def edge_ln_speed(
    points: CutPoints,
    machine_ln_power: tuple[float, float],
    speed0_mm_s: float,
    sigmas: float,
    passes: int = 1,
) -> Array:
    """Ln speed at which the reach is ``sigmas`` scatters, at each point, (J,) [ln mm/s].

    ``machine_ln_power`` is (ln full power, ln share of it); where nothing is cut, a very low speed.
    """
    full, share = machine_ln_power
    shape = points.shape
    ln_power = full + shape.exponent * share - sigmas * shape.scatter
    ratio = edge_speed_ratio(shape, points.location, ln_power, float(np.log(passes)))
    return np.asarray(np.log(np.maximum(ratio, 1e-4) * speed0_mm_s))
