"""Fit a response to burns; of a cut, what they say of this sheet and of the next one of its lot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Generic, TypeVar, overload

import numpy as np
import numpy.typing as npt

from calib.fit import kernel
from calib.fit.engine import COARSE, solve, systematic
from calib.fit.kernel import Readings
from calib.fit.levels import student_weights
from calib.fit.model import (
    SHARED_NODES,
    SHARED_WEIGHTS,
    THIS_LOT,
    CutShape,
    Draws,
    GradedShape,
    Response,
    Settings,
    Shape,
    latent_of,
    parameters_of,
    problem_of,
    shape_of,
    together,
)
from calib.fit.priors import FACTORS, CutPrior, GradedPrior
from calib.records import AIRS, Air, Burn, Machine

Array = npt.NDArray[np.float64]
Prior = TypeVar("Prior", CutPrior, GradedPrior)

# Nodes for what a lot has to itself: a Student t, closer in its middle.
_LOT_NODES = np.sinh(np.linspace(-3.0, 3.0, 41))
_LOT_WEIGHTS = student_weights(_LOT_NODES) * np.cosh(np.linspace(-3.0, 3.0, 41))
_LOT_WEIGHTS = _LOT_WEIGHTS / _LOT_WEIGHTS.sum()
# Points that a mixture over lots or sessions is thinned to, and those that it is made of.
_THINNED = 16_000
_BEFORE_MIXING = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit(Generic[Shape, Prior]):
    """Posterior of a response."""

    prior: Prior  # What was believed before
    # This sheet, as it was burnt; where only other lots were, a sheet of the current one
    here: Draws[Shape]
    # The next sheet of the current lot: ``extra_sd`` holds what is drawn anew; of grades the same
    elsewhere: Draws[Shape]
    learned: dict[str, float]  # Posterior sd / prior sd of each parameter
    effective: float  # Effective number of shape points
    readings: int  # How many readings it rests on
    # How much more power another air takes than the usual one, by air: the middle and the two ends
    # of nine cases of ten [ln W]
    air: Mapping[Air, tuple[float, float, float]] = field(default_factory=dict)

    def thinned(self, n: int) -> Fit[Shape, Prior]:
        """The same on at most n points."""
        here = self.here.thinned(n)
        same = self.elsewhere is self.here
        return replace(self, here=here, elsewhere=here if same else self.elsewhere.thinned(n))


CutFit = Fit[CutShape, CutPrior]
GradedFit = Fit[GradedShape, GradedPrior]


@overload
def fit(
    machine: Machine,
    burns: Sequence[Burn],
    prior: CutPrior,
    response: Response,
    air: Air | None = None,
) -> CutFit: ...
@overload
def fit(
    machine: Machine,
    burns: Sequence[Burn],
    prior: GradedPrior,
    response: Response,
    air: Air | None = None,
) -> GradedFit: ...
def fit(
    machine: Machine,
    burns: Sequence[Burn],
    prior: Any,
    response: Response,
    air: Air | None = None,
) -> Fit[Any, Any]:
    """Fit a response to burns of one sheet and machine, of any kind and in any order.

    Those without its reading are left out. The draws are of burns with an air; None: the usual one.
    """
    problem, at = problem_of(machine, burns, prior, response, air)
    posterior = solve(problem)
    scores, location, weight = posterior.points()
    here = elsewhere = Draws(
        shape=shape_of(scores, prior, at.factors),
        location=location,
        extra_sd=np.zeros(len(weight)),
        weight=weight,
    )
    if isinstance(prior, CutPrior):
        here, elsewhere = _sheets(here, at, problem.readings, prior.lot_scale)
    told = {
        one: _middle_and_ends(here.shape.offsets[:, FACTORS.index(f"air_{one}")], here)
        for one in AIRS
        if f"air_{one}" in at.factors
    }
    if air is not None:
        same = elsewhere is here
        here = _with_air(here, air)
        elsewhere = here if same else _with_air(elsewhere, air)
    return Fit(
        prior=prior,
        here=here,
        elsewhere=elsewhere,
        air=told,
        learned=posterior.learned(parameters_of(prior, at.factors), problem.location_prior),
        effective=posterior.effective,
        readings=int(problem.readings.count.sum()),
    )


def log_evidence(machine: Machine, burns: Sequence[Burn], prior: CutPrior) -> float:
    """Ln chance of all readings of cuts together under a prior, to a few hundredths."""
    return solve(problem_of(machine, burns, prior, "cut")[0], COARSE).log_evidence


def mixed(fits: Sequence[CutFit], weights: Sequence[float]) -> CutFit:
    """One fit that believes each of several with its weight."""
    return replace(
        fits[0],
        here=together([one.here for one in fits], weights),
        elsewhere=together([one.elsewhere for one in fits], weights),
    )


def _with_air(draws: Draws[Any], air: Air) -> Draws[Any]:
    """Draws of what is burnt with an air."""
    added = draws.shape.offsets[:, FACTORS.index(f"air_{air}")]
    return replace(draws, location=draws.location + added)


def _middle_and_ends(value: Array, draws: Draws[Any]) -> tuple[float, float, float]:
    order = np.argsort(value)
    ends = np.cumsum(draws.weight[order])
    places = np.searchsorted(ends, np.array([0.5, 0.05, 0.95]) * ends[-1])
    middle, low, high = value[order[np.minimum(places, len(order) - 1)]]
    return float(middle), float(low), float(high)


def _sheets(
    common: Draws[CutShape], at: Settings, readings: Readings, lot_scale: float
) -> tuple[Draws[CutShape], Draws[CutShape]]:
    """Draws for this sheet and for the next one, both of the current lot."""
    lots = set(readings.lots)
    if len(readings.lots) == 1:
        # α holds this sheet's own u; the next sheet differs by two draws of u.
        anew = replace(common, extra_sd=np.sqrt(2.0) * common.shape.shared)
        if lots == {THIS_LOT}:
            return common, anew
        # Only another lot was burnt: two draws of a lot's own lie between it and this one.
        other = _moved_by_lot(anew.thinned(_BEFORE_MIXING), np.sqrt(2.0) * lot_scale)
        return other, other
    if THIS_LOT not in lots:
        # Of one other lot α is that lot's own; of several it is what they have in common.
        apart = lot_scale * (np.sqrt(2.0) if len(lots) == 1 else 1.0)
        common = _moved_by_lot(common.thinned(_BEFORE_MIXING), apart)
    elif len(lots) > 1:
        some = common.thinned(_BEFORE_MIXING)
        location = some.location[:, None] + lot_scale * _LOT_NODES
        told = kernel.lot_likelihood(latent_of(some.shape, at), readings, location, THIS_LOT)
        told = np.exp(told - told.max(axis=1, keepdims=True))
        common = _moved_by_lot(some, lot_scale, told)
    anew = replace(common, extra_sd=common.shape.shared)
    if THIS_LOT not in lots:
        return anew, anew
    return _mixture(common.thinned(_THINNED), at, readings), anew


def _moved_by_lot(
    draws: Draws[CutShape], scale: float, told: float | Array = 1.0
) -> Draws[CutShape]:
    """Draws moved by what a lot has to itself; ``told``, (J, nodes), is what its burns say."""
    return _spread_over(draws, scale * _LOT_NODES, _LOT_WEIGHTS * told)


def _spread_over(draws: Draws[CutShape], moves: Array, mass: Array) -> Draws[CutShape]:
    """Draws at several moves each, (nodes,) or (J, nodes), weighted by mass, and thinned."""
    size = (len(draws.weight), moves.shape[-1])
    mass = np.broadcast_to(mass, size)
    mass = mass / mass.sum(axis=1, keepdims=True)
    location = (draws.location[:, None] + moves).ravel()
    weight = (draws.weight[:, None] * mass).ravel()
    places = np.arange(len(weight))
    if len(weight) > _THINNED:
        places = systematic(weight, location, _THINNED)
        weight = np.full(_THINNED, 1.0 / _THINNED)
    return draws.take(places // size[1], location=location[places], weight=weight)


def _mixture(draws: Draws[CutShape], at: Settings, readings: Readings) -> Draws[CutShape]:
    """This sheet as a mixture over the sessions of this lot that it was burnt in.

    Each draw stands for one session, as often as it holds burns, so that the work is that of one.
    """
    sessions = [group for group, lot in enumerate(readings.lots) if lot == THIS_LOT]
    ends_at = np.cumsum(readings.count[sessions].sum(axis=1))
    # Multiples of the golden ratio fill 0 to 1 evenly, whatever the order of the draws.
    turns = np.arange(len(draws.weight)) * 0.6180339887498949 % 1.0
    chosen = np.searchsorted(ends_at, turns * ends_at[-1], side="right")
    moves = draws.shape.shared[:, None] * SHARED_NODES
    mass = np.empty(moves.shape)
    for place, group in enumerate(sessions):
        own, rows = np.flatnonzero(chosen == place), np.flatnonzero(readings.count[group])
        some = draws.take(own)
        latent = latent_of(some.shape, at).of_rows(rows)
        only = replace(readings, count=readings.count[[group]]).of_rows(rows)
        mass[own] = kernel.log_chances(latent, only, some.location[:, None] + moves[own])[0]
    mass = np.exp(mass - mass.max(axis=1, keepdims=True)) * SHARED_WEIGHTS
    return _spread_over(draws, moves, mass)
