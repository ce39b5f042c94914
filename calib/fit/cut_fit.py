"""Posterior of the cut model, and what it says of a coupon, a job and the next sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtr

from calib.fit import engine, kernel
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
from calib.fit.engine import Problem, solve, systematic
from calib.fit.kernel import Latent, Readings
from calib.fit.levels import student_weights
from calib.fit.priors import MISREAD, CutPrior
from calib.records import COUPON_CUT_MM, Burn, Machine

Array = npt.NDArray[np.float64]

# Nodes for what a session shares: the trapezoidal rule on a normal; a whole job may pull far out.
SHARED_NODES = np.linspace(-4.5, 4.5, 15)
_weights = np.exp(-0.5 * SHARED_NODES**2)
SHARED_WEIGHTS = _weights / _weights.sum()
# The same for what a lot has to itself: a Student t, closer in its middle.
LOT_NODES = np.sinh(np.linspace(-3.0, 3.0, 41))
LOT_WEIGHTS = student_weights(LOT_NODES) * np.cosh(np.linspace(-3.0, 3.0, 41))
LOT_WEIGHTS = LOT_WEIGHTS / LOT_WEIGHTS.sum()
# Points that a mixture over lots or sessions is thinned to, and those that it is made of.
_THINNED = 16_000
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


def latent_of(shape: Shape, data: CutData) -> Latent:
    """The kernel's latent: hanging lies between −δ and 0, through above it."""
    return Latent(
        critical=critical_location(shape, data.at),
        scatter=shape.scatter,
        shared=shape.shared,
        cuts=np.stack([-shape.band, np.zeros_like(shape.band)], axis=1),
    )


def readings_of(data: CutData, prior: CutPrior) -> Readings:
    """The kernel's readings."""
    return Readings(
        grade=data.grade,
        count=data.count,
        group=data.group,
        length=data.length_ratio,
        ln_whole=-prior.defects_per_m * COUPON_CUT_MM / 1000.0 * data.length_ratio,
        misread=MISREAD,
        lots=tuple(lot for lot, _ in data.sessions),
        lot_scale=prior.lot_scale,
    )


def log_chances(shape: Shape, location: Array, data: CutData, prior: CutPrior) -> Array:
    """Sum of count × ln chance of what was read, nothing shared, (M, A)."""
    return kernel.log_chances(latent_of(shape, data), readings_of(data, prior), location)


def _informed(data: CutData) -> tuple[int, ...]:
    """Which parameters these data can tell anything of, as places in ``PARAMETERS``."""
    names = ["floor", "exponent", "scatter", "band"]
    if data.at.ln_passes.any():
        names.append("passes")
    if len(data.sessions) > 1:
        names.append("shared")
    return tuple(PARAMETERS.index(name) for name in names)


def cut_problem(data: CutData, prior: CutPrior) -> Problem:
    """The cut model with its data, for the engine: six shape parameters and α."""
    return Problem(
        dimensions=len(PARAMETERS),
        informed=_informed(data),
        latent_of=lambda scores: latent_of(shape_of(scores, prior), data),
        readings=readings_of(data, prior),
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
    here, elsewhere = _sheets(posterior.points(), data, prior)
    return CutFit(
        prior=prior,
        here=here,
        elsewhere=elsewhere,
        learned=posterior.learned(PARAMETERS, problem.location_prior),
        effective=posterior.effective,
    )


def _sheets(
    posterior: engine.Points, data: CutData, prior: CutPrior
) -> tuple[CutPoints, CutPoints]:
    """Points for this sheet and for the next one, both of the current lot."""
    shape = shape_of(posterior.scores, prior)
    common = CutPoints(
        shape=shape,
        location=posterior.location,
        extra_sd=np.zeros(len(posterior.weight)),
        weight=posterior.weight,
    )
    lots = {lot for lot, _ in data.sessions}
    if len(data.sessions) <= 1:
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
    here = _mixture(thinned(common, _THINNED), data, prior) if THIS_LOT in lots else anew
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
    readings = readings_of(data, prior)
    told = kernel.lot_likelihood_at(latent_of(points.shape, data), readings, location, THIS_LOT)
    told = np.exp(told - told.max(axis=1, keepdims=True))
    return _moved_by_lot(points, prior.lot_scale, told)


def _mixture(points: CutPoints, data: CutData, prior: CutPrior) -> CutPoints:
    """This sheet as a mixture over the sessions of this lot that it was burnt in.

    Each point stands for one session, as often as it holds burns, so that the work is that of one.
    """
    boards = data.groups_of(THIS_LOT)
    ends_at = np.cumsum([data.count[data.group == g].sum() for g in boards])
    # Multiples of the golden ratio fill 0 to 1 evenly, whatever the order of the points.
    turns = np.arange(len(points.weight)) * 0.6180339887498949 % 1.0
    session = np.searchsorted(ends_at, turns * ends_at[-1], side="right")
    location = points.location[:, None] + points.shape.shared[:, None] * SHARED_NODES
    readings = readings_of(data, prior)
    mass = np.empty(location.shape)
    for place, group in enumerate(boards):
        own = np.flatnonzero(session == place)
        if own.size:
            latent = latent_of(take(points.shape, own), data)
            rows = readings.rows_of[group]
            mass[own] = kernel.log_chances(latent, readings, location[own], rows)
    mass = np.exp(mass - mass.max(axis=1, keepdims=True)) * SHARED_WEIGHTS
    mass /= mass.sum(axis=1, keepdims=True)
    rows = np.repeat(np.arange(len(points.weight)), len(SHARED_NODES))
    everything = CutPoints(
        shape=take(points.shape, rows),
        location=location.ravel(),
        extra_sd=np.zeros(len(rows)),
        weight=(points.weight[:, None] * mass).ravel(),
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
    shape = points.shape
    cuts = np.stack([-shape.band, np.zeros_like(shape.band)], axis=1)
    return kernel.grade_chances(reach(points, at), shape.scatter, cuts)


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
