"""Posterior of the cut model, and what it says of a coupon, a job and the next sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtr

from calib.fit.cut import (
    PARAMETERS,
    THIS_LOT,
    CutData,
    Points,
    Shape,
    critical_location,
    cut_data,
    edge_speed_ratio,
    shape_of,
)
from calib.fit.engine import Posterior, Problem, learned, solve, systematic
from calib.fit.levels import Grid, alike, blurred, ends, grid_around, student_weights
from calib.fit.numerics import LogProduct
from calib.fit.priors import MISREAD, CutPrior
from calib.records import COUPON_CUT_MM, Burn, Machine

Array = npt.NDArray[np.float64]

# Nodes for what a sitting shares: the trapezoidal rule on a normal; a whole job may pull far out.
SHARED_NODES = np.linspace(-4.5, 4.5, 15)
_weights = np.exp(-0.5 * SHARED_NODES**2)
SHARED_WEIGHTS = _weights / _weights.sum()
# The same for what a lot has to itself: a Student t, closer in its middle.
LOT_NODES = np.sinh(np.linspace(-3.0, 3.0, 41))
LOT_WEIGHTS = student_weights(LOT_NODES) * np.cosh(np.linspace(-3.0, 3.0, 41))
LOT_WEIGHTS = LOT_WEIGHTS / LOT_WEIGHTS.sum()
# Points that a mixture over lots or sittings is thinned to, and those that it is made of.
_THINNED = 8000
_BEFORE_MIXING = 4000


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
        This sheet, as it was burnt; where only other lots were, a sheet of the current one.
    elsewhere
        The next sheet of the current lot: ``extra_sd`` holds what is drawn anew.
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


def log_chances(
    shape: Shape,
    location: Array,
    data: CutData,
    prior: CutPrior,
    rows: npt.NDArray[np.int64] | None = None,
) -> Array:
    """Sum over the rows (None: all) of count × ln chance of what was read, (M, A)."""
    rows = np.arange(len(data.grade)) if rows is None else rows
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
    """Log-likelihood with what each sitting and each lot shares integrated out, (M, A)."""
    if len(data.sittings) <= 1:
        return log_chances(shape, location, data, prior)
    lots = sorted({lot for lot, _ in data.sittings})
    scale = prior.lot_scale if len(lots) > 1 else 0.0
    more = ends(shape.shared, scale)
    found = np.empty(location.shape)
    for some in alike(location, shape.scatter, more):
        part = take(shape, some)
        grid = grid_around(location[some], part.scatter, more[some])
        told = [_of_lot(part, grid, data, prior, lot) for lot in lots]
        if scale:
            kernel = grid.student(scale)
            told = [blurred(one, kernel) for one in told]
        found[some] = grid.read_off(np.sum(told, axis=0), location[some])
    return found


def _of_lot(shape: Shape, grid: Grid, data: CutData, prior: CutPrior, lot: str) -> Array:
    """Log-likelihood of a lot's location at the nodes, its sittings integrated out, (M, K)."""
    kernel, nodes = grid.normal(shape.shared), grid.nodes
    total = np.zeros(nodes.shape)
    for group in data.groups_of(lot):
        rows = np.flatnonzero(data.group == group)
        total += blurred(log_chances(shape, nodes, data, prior, rows), kernel)
    return total


def _informed(data: CutData) -> tuple[int, ...]:
    """Which parameters these data can tell anything of, as places in ``PARAMETERS``."""
    names = ["floor", "exponent", "scatter", "band"]
    if data.at.ln_passes.any():
        names.append("passes")
    if len(data.sittings) > 1:
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
    """Points for this sheet and for the next one, both of the current lot."""
    shape = shape_of(posterior.scores, prior)
    common = CutPoints(
        shape=shape,
        location=posterior.location,
        extra_sd=np.zeros(len(posterior.weight)),
        weight=posterior.weight,
    )
    lots = {lot for lot, _ in data.sittings}
    if len(data.sittings) <= 1:
        # α holds this sheet's own u; the next sheet differs by two draws of u.
        anew = replace(common, extra_sd=np.sqrt(2.0) * shape.shared)
        if lots <= {THIS_LOT}:
            return common, anew
        # Only another lot was burnt: two draws of a lot's own lie between it and this one.
        other = _moved_by_lot(thinned(anew, _BEFORE_MIXING), np.sqrt(2.0) * prior.lot_scale)
        return other, other
    if len(lots) > 1 or THIS_LOT not in lots:
        common = _of_this_lot(thinned(common, _BEFORE_MIXING), data, prior, len(lots))
    anew = replace(common, extra_sd=common.shape.shared)
    here = _mixture(thinned(common, _BEFORE_MIXING), data, prior) if THIS_LOT in lots else anew
    return here, anew


def _moved_by_lot(points: CutPoints, scale: float, told: Array | None = None) -> CutPoints:
    """Points moved by what a lot has to itself; ``told``, (J, nodes), is what its burns say."""
    mass = LOT_WEIGHTS if told is None else LOT_WEIGHTS * told
    mass = np.broadcast_to(mass, (len(points.weight), len(LOT_NODES)))
    mass = mass / mass.sum(axis=1, keepdims=True)
    rows = np.repeat(np.arange(len(points.weight)), len(LOT_NODES))
    moved = CutPoints(
        shape=take(points.shape, rows),
        location=(points.location[:, None] + scale * LOT_NODES).ravel(),
        extra_sd=points.extra_sd[rows],
        weight=(points.weight[:, None] * mass).ravel(),
    )
    return thinned(moved, _THINNED)


def _of_this_lot(points: CutPoints, data: CutData, prior: CutPrior, lots: int) -> CutPoints:
    """Points of this lot, from points of what its lots have in common."""
    if not data.groups_of(THIS_LOT):
        # Of one other lot α is that lot's own; of several it is what they have in common.
        scale = prior.lot_scale * (np.sqrt(2.0) if lots == 1 else 1.0)
        return _moved_by_lot(points, scale)
    location = points.location[:, None] + prior.lot_scale * LOT_NODES
    more = ends(points.shape.shared, 0.0)
    told = np.empty(location.shape)
    for some in alike(location, points.shape.scatter, more):
        part = take(points.shape, some)
        grid = grid_around(location[some], part.scatter, more[some])
        told[some] = grid.read_off(_of_lot(part, grid, data, prior, THIS_LOT), location[some])
    told = np.exp(told - told.max(axis=1, keepdims=True))
    return _moved_by_lot(points, prior.lot_scale, told)


def _mixture(points: CutPoints, data: CutData, prior: CutPrior) -> CutPoints:
    """This sheet as a mixture over the sittings of this lot that it was burnt in."""
    boards = data.groups_of(THIS_LOT)
    sizes = np.array([data.count[data.group == g].sum() for g in boards])
    location = points.location[:, None] + points.shape.shared[:, None] * SHARED_NODES
    found, weight = [], []
    for group, size in zip(boards, sizes / sizes.sum(), strict=True):
        rows = np.flatnonzero(data.group == group)
        mass = log_chances(points.shape, location, data, prior, rows)
        mass = np.exp(mass - mass.max(axis=1, keepdims=True)) * SHARED_WEIGHTS
        found.append(location.ravel())
        share = mass / mass.sum(axis=1, keepdims=True)
        weight.append((points.weight[:, None] * share * size).ravel())
    rows = np.tile(np.repeat(np.arange(len(points.weight)), len(SHARED_NODES)), len(boards))
    everything = CutPoints(
        shape=take(points.shape, rows),
        location=np.concatenate(found),
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
