"""The one posterior engine: low-discrepancy points in the shape, nodes in the location.

Every model here has one location α (how much power it takes) and a handful of shape parameters θ.
Given θ, the posterior of α is integrated by the trapezoidal rule on nodes placed around the
data's own edge; θ is integrated over points that fill its prior evenly, then, in a second pass,
over points that fill a normal fitted to the first pass. Nothing is random: the same input gives
the same result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from calib.fit.numerics import even_scores, log_student_t

Array = npt.NDArray[np.float64]

FIRST_PASS_POINTS = 384
POINTS = 4096
# Fewest and most nodes in the location.
NODES = (16, 64)
# Distance of two nodes: in the first pass in scatters, since the posterior given a shape is seldom
# narrower than about a third of one; in the second in standard deviations of that posterior, where
# the trapezoidal rule is right to 1e-6 up to about 1.
_FIRST_STEP = 0.25
_STEP = 0.8
# No coarser than so many scatters: chances of a next burn change within one.
_WIDEST = 0.4
# Log-posterior this far below its maximum is left out: e^-16 is about 1e-7.
_DEEP = 16.0
# Student's t with 4 degrees holds all but 3 in 10,000 within so many scales.
_FARTHEST = 12.0
# So many shape points scout where the posterior of the location lies.
_SCOUTS = 32
# Posterior points are kept until this share of the weight is reached.
_KEPT_SHARE = 1.0 - 1e-5
# Wide posteriors, of few or one-sided burns, are thinned to so many even-weight points.
_MOST_POINTS = 60_000
# The second pass covers a normal this much wider than the fitted one, so that tails count.
_INFLATION = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Weighted points of the posterior.

    Parameters
    ----------
    scores
        Shape parameters as normal scores (prior standard normal), (J, d).
    location
        α at each point, (J,) [ln W].
    weight
        Weights that sum to one, (J,).
    location_sd
        Posterior standard deviation of α at the data's own centre [ln W].
    effective
        Effective number of shape points.
    """

    scores: Array
    location: Array
    weight: Array
    location_sd: float
    effective: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """What the engine needs to know of a model and its data.

    Parameters
    ----------
    dimensions
        Number of shape parameters.
    informed
        Which of them these data can tell anything of; the others keep their prior.
    shape_of
        From scores (M, d) to shape parameters, in a form that only the model knows.
    critical
        From shapes to each burn's critical location, (M, n): the α at which it is on the edge. No
        column when there are no burns.
    scatter
        From shapes to σ, (M,) [ln W].
    log_likelihood
        From shapes and locations (M, A) to the log-likelihood, (M, A).
    location_prior
        Centre, scale and degrees of freedom of the Student t of α.
    """

    dimensions: int
    informed: tuple[int, ...]
    shape_of: Callable[[Array], Any]
    critical: Callable[[Any], Array]
    scatter: Callable[[Any], Array]
    log_likelihood: Callable[[Any, Array], Array]
    location_prior: tuple[float, float, float]

    def log_posterior(self, shape: Any, location: Array) -> Array:
        """Log-likelihood plus log prior of α, (M, A)."""
        return self.log_likelihood(shape, location) + log_student_t(location, *self.location_prior)


@dataclass(frozen=True, slots=True)
class Lattice:
    """Where the nodes in α lie: around each shape's centre, in units of its own.

    Parameters
    ----------
    centre
        The centre is the mean critical location plus (1, scores) · centre, (1 + d,).
    ln_unit
        The ln of the unit is (1, scores) · ln_unit, (1 + d,) [ln of ln W].
    step
        Greatest distance of two nodes, in units.
    """

    centre: Array
    ln_unit: Array
    step: float

    def centres(self, problem: Problem, scores: Array, critical: Array) -> Array:
        """Centre for each shape, (M,); around the prior's without any burn."""
        middle = (
            critical.mean(axis=1)
            if critical.shape[1]
            else np.full(len(critical), problem.location_prior[0])
        )
        return np.asarray(middle + _with_ones(scores) @ self.centre)

    def units(self, scores: Array) -> Array:
        """Unit of each shape, (M,) [ln W]."""
        return np.asarray(np.exp(_with_ones(scores) @ self.ln_unit))


def _with_ones(scores: Array) -> Array:
    return np.column_stack([np.ones(len(scores)), scores])


def _plain_lattice(problem: Problem, scores: Array) -> Lattice:
    """Nodes of the first pass: alike for all shapes, a share of the usual scatter apart."""
    sigma = float(np.median(problem.scatter(problem.shape_of(scores))))
    ln_unit = np.zeros(1 + problem.dimensions)
    ln_unit[0] = np.log(sigma)
    return Lattice(np.zeros(1 + problem.dimensions), ln_unit, _FIRST_STEP)


def _fitted_lattice(
    plain: Lattice, problem: Problem, scores: Array, location: Array, log_mass: Array
) -> Lattice:
    """Nodes of the second pass: linear fits to the first pass's mean and ln sd of α give them."""
    total = logsumexp(log_mass, axis=1)
    share = np.exp(log_mass - total[:, None])
    mean = (share * location).sum(axis=1)
    sd = np.sqrt((share * (location - mean[:, None]) ** 2).sum(axis=1))
    sigma = float(np.exp(plain.ln_unit[0]))
    away = mean - plain.centres(problem, scores, problem.critical(problem.shape_of(scores)))
    # What a shape's posterior is like matters where the shape is likely.
    weight = np.exp(total - logsumexp(total))[:, None]
    design = _with_ones(scores)
    normal = design.T @ (design * weight) + 1e-3 * np.eye(design.shape[1])
    wanted = np.column_stack([away, np.log(np.maximum(sd, 1e-6))])
    start = (weight * wanted).sum(axis=0)
    slope = np.linalg.solve(normal, (design * weight).T @ (wanted - start))
    slope[0] += start
    fitted = Lattice(slope[:, 0], slope[:, 1], _STEP)
    return replace(
        fitted, step=min(_STEP, _WIDEST * sigma / float(np.median(fitted.units(scores))))
    )


def _bracket(problem: Problem, lattice: Lattice, scores: Array) -> tuple[float, float]:
    """Range of α around each shape's centre, in its units, that holds the posterior."""
    scouts = scores[:: max(len(scores) // _SCOUTS, 1)]
    some = problem.shape_of(scouts)
    critical = problem.critical(some)
    centre, unit = lattice.centres(problem, scouts, critical), lattice.units(scouts)
    _, scale, _ = problem.location_prior
    sigma = float(np.median(problem.scatter(some)))
    spread = np.abs(critical - centre[:, None])
    reach = float(spread.max()) + 6.0 * sigma if spread.size else 0.0
    near = np.linspace(-reach, reach, max(int(2 * reach / (0.5 * sigma)), 2))
    far = scale * np.geomspace(0.05, _FARTHEST, 40)
    offset = problem.location_prior[0] - centre.mean()
    steps = np.unique(np.concatenate([near, offset + far, offset - far])) / np.median(unit)
    value = problem.log_posterior(some, centre[:, None] + unit[:, None] * steps)
    deep = (value > value.max(axis=1, keepdims=True) - _DEEP).any(axis=0)
    first, last = deep.argmax(), len(steps) - 1 - deep[::-1].argmax()
    return float(steps[max(first - 1, 0)]), float(steps[min(last + 1, len(steps) - 1)])


def _weigh(problem: Problem, lattice: Lattice, scores: Array) -> tuple[Array, Array]:
    """Locations (M, A) and log of posterior mass per node, (M, A), at given points."""
    low, high = _bracket(problem, lattice, scores)
    shape = problem.shape_of(scores)
    count = int(np.clip(np.ceil((high - low) / lattice.step), *NODES))
    centre = lattice.centres(problem, scores, problem.critical(shape))[:, None]
    unit = lattice.units(scores)[:, None]
    location = centre + unit * np.linspace(low, high, count)
    apart = unit * (high - low) / (count - 1)
    return location, problem.log_posterior(shape, location) + np.log(apart)


def _fitted_normal(scores: Array, log_mass: Array) -> tuple[Array, Array]:
    """Mean (d,) and lower Cholesky factor (d, d) of the posterior of the scores, inflated."""
    weight = np.exp(log_mass - logsumexp(log_mass))
    mean = weight @ scores
    spread = (scores - mean) * np.sqrt(weight)[:, None]
    covariance = spread.T @ spread + 1e-4 * np.eye(scores.shape[1])
    return mean, np.asarray(np.linalg.cholesky(covariance)) * _INFLATION


def _spread_scores(problem: Problem, n: int, mean: Array, factor: Array) -> tuple[Array, Array]:
    """Points of the second pass, (n, d), and the log of prior over proposal, (n,)."""
    informed = list(problem.informed)
    rest = [i for i in range(problem.dimensions) if i not in informed]
    base = even_scores(n, len(informed))
    scores = np.empty((n, problem.dimensions))
    scores[:, informed] = mean + base @ factor.T
    if rest:
        # A fixed shuffle, so that the two sequences have nothing to do with one another.
        shuffle = np.random.default_rng(0).permutation(n)
        scores[:, rest] = even_scores(n, len(rest))[shuffle]
    return scores, 0.5 * (base**2).sum(axis=1) - 0.5 * (scores[:, informed] ** 2).sum(axis=1)


def solve(problem: Problem) -> Posterior:
    """Integrate the posterior of a model.

    Parameters
    ----------
    problem
        The model with its data.

    Returns
    -------
    Posterior
        Weighted points, most of the weight first trimmed of what doesn't count.

    Notes
    -----
    Importance weights in the second pass are prior × likelihood over the fitted normal [1]_.

    References
    ----------
    .. [1] Robert C.P., Casella G. (2004) Monte Carlo Statistical Methods, 2nd ed., Springer,
       section 3.3 (from memory).
    """
    first = even_scores(FIRST_PASS_POINTS, problem.dimensions)
    plain = _plain_lattice(problem, first)
    location, log_mass = _weigh(problem, plain, first)
    lattice = _fitted_lattice(plain, problem, first, location, log_mass)
    informed = first[:, list(problem.informed)]
    mean, factor = _fitted_normal(informed, logsumexp(log_mass, axis=1))
    scores, log_ratio = _spread_scores(problem, POINTS, mean, factor)
    location, log_mass = _weigh(problem, lattice, scores)
    log_mass = log_mass + log_ratio[:, None]
    mass = np.exp(log_mass - log_mass.max())
    return _trimmed(scores, location, mass / mass.sum())


def _trimmed(scores: Array, location: Array, weight: Array) -> Posterior:
    """Drop the points that hold next to nothing; keep the order of the rest."""
    shape_weight = weight.sum(axis=1)
    flat = weight.ravel()
    centred = location - location.mean(axis=1, keepdims=True)
    mean = float((weight * centred).sum())
    keep = np.sort(_heaviest(flat))
    kept = flat[keep]
    if len(keep) > _MOST_POINTS:
        keep = keep[systematic(kept, location.ravel()[keep], _MOST_POINTS)]
        kept = np.ones(len(keep))
    return Posterior(
        scores=scores[keep // weight.shape[1]],
        location=location.ravel()[keep],
        weight=kept / kept.sum(),
        location_sd=float(np.sqrt((weight * (centred - mean) ** 2).sum())),
        effective=float(1.0 / (shape_weight**2).sum()),
    )


def _heaviest(flat: Array) -> npt.NDArray[np.int64]:
    """Places of the heaviest weights that make up the share that is kept."""
    # Most nodes hold next to nothing: they need no sorting.
    some = np.flatnonzero(flat > flat.max() * 1e-12)
    order = some[np.argsort(flat[some])[::-1]]
    return order[: int(np.searchsorted(np.cumsum(flat[order]), _KEPT_SHARE)) + 1]


def learned(
    posterior: Posterior, names: tuple[str, ...], location_prior: tuple[float, float, float]
) -> dict[str, float]:
    """Posterior sd / prior sd of each parameter: 1 means that the data taught nothing of it.

    Parameters
    ----------
    posterior
        Weighted points.
    names
        Names of the shape parameters; "edge" stands for α at the data's own centre.
    location_prior
        Centre, scale and degrees of freedom of the Student t of α.

    Returns
    -------
    dict
        Ratio by name.
    """
    w = posterior.weight[:, None]
    mean = (w * posterior.scores).sum(axis=0)
    sd = np.sqrt((w * (posterior.scores - mean) ** 2).sum(axis=0))
    _, scale, df = location_prior
    edge_sd = scale * np.sqrt(df / (df - 2.0)) if df > 2.0 else np.inf
    ratios = {name: float(value) for name, value in zip(names, sd, strict=True)}
    return {"edge": float(posterior.location_sd / edge_sd), **ratios}


def systematic(weight: Array, location: Array, n: int) -> npt.NDArray[np.int64]:
    """Places of n even-weight draws: systematic resampling in the order of the location.

    Parameters
    ----------
    weight, location
        Weighted points, (J,) each.
    n
        How many draws.

    Returns
    -------
    numpy.ndarray
        Places, (n,); nothing is random.
    """
    order = np.argsort(location, kind="stable")
    ends = np.cumsum(weight[order])
    ticks = (np.arange(n) + 0.5) / n * ends[-1]
    return np.asarray(order[np.minimum(np.searchsorted(ends, ticks), len(order) - 1)])
