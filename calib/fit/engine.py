"""The one posterior engine: low-discrepancy points in the shape, nodes in the location.

Every model here has one location α (how much power it takes) and a handful of shape parameters θ.
Given θ, the posterior of α is integrated by the trapezoidal rule on nodes placed around the
data's own edge; θ is integrated over points that fill its prior evenly, then, in a second pass,
over points that fill a normal fitted to the first pass. Nothing is random: the same input gives
the same result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, logsumexp, ndtri

Array = npt.NDArray[np.float64]

FIRST_PASS_POINTS = 384
POINTS = 3072
# Fewest and most nodes in the location, and their distance in scatters: the posterior given a shape
# is not narrower than about a third of a scatter, and the trapezoidal rule needs a node per sd.
NODES = (16, 64)
_NODE_STEP = 0.25
# Log-posterior this far below its maximum is left out: e^-16 is about 1e-7.
_DEEP = 16.0
# Student's t with 4 degrees holds all but 3 in 10,000 within so many scales.
_FARTHEST = 12.0
# So many shape points scout where the posterior of the location lies.
_SCOUTS = 32
# Posterior points are kept until this share of the weight is reached.
_KEPT_SHARE = 1.0 - 1e-6
# Wide posteriors, of few or one-sided burns, are thinned to so many even-weight points.
_MOST_POINTS = 40_000
# The second pass covers a normal this much wider than the fitted one, so that tails count.
_INFLATION = 1.1


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
    Additive recurrence with the generalised golden ratio g, the root of g^(d+1) = g + 1; point i
    is frac(1/2 + i (g^-1, …, g^-d)) [1]_.

    References
    ----------
    .. [1] Niederreiter H. (1992) Random Number Generation and Quasi-Monte Carlo Methods, SIAM,
       ch. 3 (Kronecker sequences; from memory).
    """
    g = 2.0
    for _ in range(60):
        g = (1.0 + g) ** (1.0 / (d + 1))
    steps = g ** -np.arange(1.0, d + 1)
    points = np.mod(0.5 + np.arange(1, n + 1)[:, None] * steps, 1.0)
    scores = np.asarray(ndtri(points))
    scores.setflags(write=False)
    return scores


def log_student_t(x: Array, centre: float, scale: float, df: float) -> Array:
    """Log density of Student's t with a centre and a scale (same shape as ``x``)."""
    constant = gammaln((df + 1) / 2) - gammaln(df / 2) - 0.5 * np.log(df * np.pi) - np.log(scale)
    return np.asarray(constant - (df + 1) / 2 * np.log1p(((x - centre) / scale) ** 2 / df))


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


def _centres(problem: Problem, critical: Array) -> Array:
    """Where the burns' critical locations lie on average, (M,); the prior's centre without any."""
    if critical.shape[1] == 0:
        return np.full(len(critical), problem.location_prior[0])
    return np.asarray(critical.mean(axis=1))


def _bracket(problem: Problem, scores: Array) -> tuple[float, float]:
    """Range of α, relative to each point's centre, that holds the posterior."""
    some = problem.shape_of(scores[:: max(len(scores) // _SCOUTS, 1)])
    critical = problem.critical(some)
    centre = _centres(problem, critical)
    _, scale, _ = problem.location_prior
    sigma = float(np.median(problem.scatter(some)))
    spread = np.abs(critical - centre[:, None])
    reach = float(spread.max()) + 6.0 * sigma if spread.size else 0.0
    near = np.linspace(-reach, reach, max(int(2 * reach / (0.5 * sigma)), 2))
    far = scale * np.geomspace(0.05, _FARTHEST, 40)
    offset = problem.location_prior[0] - centre.mean()
    steps = np.unique(np.concatenate([near, offset + far, offset - far]))
    value = problem.log_posterior(some, centre[:, None] + steps)
    deep = (value > value.max(axis=1, keepdims=True) - _DEEP).any(axis=0)
    first, last = deep.argmax(), len(steps) - 1 - deep[::-1].argmax()
    return float(steps[max(first - 1, 0)]), float(steps[min(last + 1, len(steps) - 1)])


def _weigh(problem: Problem, scores: Array) -> tuple[Array, Array]:
    """Locations (M, A) and log of posterior mass per node, (M, A), at given points."""
    low, high = _bracket(problem, scores)
    shape = problem.shape_of(scores)
    sigma = float(np.median(problem.scatter(shape)))
    count = int(np.clip(np.ceil((high - low) / (_NODE_STEP * sigma)), *NODES))
    centre = _centres(problem, problem.critical(shape))
    location = centre[:, None] + np.linspace(low, high, count)
    return location, problem.log_posterior(shape, location) + np.log((high - low) / (count - 1))


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
    _, log_mass = _weigh(problem, first)
    informed = first[:, list(problem.informed)]
    mean, factor = _fitted_normal(informed, logsumexp(log_mass, axis=1))
    scores, log_ratio = _spread_scores(problem, POINTS, mean, factor)
    location, log_mass = _weigh(problem, scores)
    log_mass = log_mass + log_ratio[:, None]
    mass = np.exp(log_mass - log_mass.max())
    return _trimmed(scores, location, mass / mass.sum())


def _trimmed(scores: Array, location: Array, weight: Array) -> Posterior:
    """Drop the points that hold next to nothing; keep the order of the rest."""
    shape_weight = weight.sum(axis=1)
    flat = weight.ravel()
    centred = location - location.mean(axis=1, keepdims=True)
    mean = float((weight * centred).sum())
    order = np.argsort(flat)[::-1]
    keep = np.sort(order[: int(np.searchsorted(np.cumsum(flat[order]), _KEPT_SHARE)) + 1])
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
