"""The one posterior engine: low-discrepancy points in the shape, nodes in the location.

Every response has one location α (how much power it takes) and a handful of shape parameters θ.
Given θ, the posterior of α is integrated by the trapezoidal rule on nodes placed around the
data's own edge; θ is integrated over points that fill its prior evenly, then, in further passes,
over points that fill a normal fitted to the pass before. How many points is the effort. Nothing is
random: the same input gives the same result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from calib.fit.kernel import Latent, Readings, log_likelihood
from calib.fit.numerics import even_scores, log_student_t

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """Points of each pass, how many must count at the end, and fewest and most nodes in α."""

    first: int
    last: int
    enough: float
    nodes: tuple[int, int]


# For a region, and for what a pair adds to the pool (means to a tenth of a standard deviation).
FULL = Effort(first=384, last=4096, enough=150.0, nodes=(16, 64))
COARSE = Effort(first=96, last=320, enough=40.0, nodes=(12, 48))
# With more rows fewer points do: the posterior is narrow, and work grows with points × rows.
_MOST_WORK = 4096 * 64
_PILOT_WORK = 384 * 128
_FEWEST_POINTS = 128
# The first passes see every fourth, sixteenth, … row while so many are left: then each normal is
# but twice as wide as what the next pass seeks.
_FEWEST_ROWS = 48
# A pass of which fewer points count is done again from the normal that it gave.
_USABLE = 8.0
_MOST_PASSES = 12
# Distance of two nodes: in the first pass in scatters, since the posterior given a shape is seldom
# narrower than about a third of one; later in standard deviations of that posterior, where the
# trapezoidal rule is right to 1e-6 up to about 1.
_FIRST_STEP = 0.25
_STEP = 0.8
# So far from the centre the nodes are about that close, in the first pass and later.
_FIRST_EVEN, _EVEN = 1000.0, 4.0
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
# Further passes cover a normal this much wider than the fitted one, so that tails count.
_INFLATION = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A response with its data.

    ``dimensions`` counts the shape scores, ``informed`` are those that the readings can tell
    anything of; ``latent_of`` turns scores (M, d) into latents; ``location_prior`` is centre, scale
    and degrees of freedom of the Student t of α.
    """

    dimensions: int
    informed: tuple[int, ...]
    latent_of: Callable[[Array], Latent]
    readings: Readings
    location_prior: tuple[float, float, float]

    def every(self, apart: int) -> Problem:
        """The same with every so many-th row only."""
        if apart == 1:
            return self
        rows = np.arange(0, len(self.readings.grade), apart)
        return replace(
            self,
            latent_of=lambda scores: self.latent_of(scores).of_rows(rows),
            readings=self.readings.of_rows(rows),
        )

    def log_posterior(self, latent: Latent, location: Array) -> Array:
        """Log-likelihood plus log prior of α, (M, A)."""
        told = log_likelihood(latent, self.readings, location)
        return told + log_student_t(location, *self.location_prior)


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Scores (M, d), locations (M, A) and weights that sum to one (M, A).

    ``log_evidence`` is the ln chance of all readings together under the prior.
    """

    scores: Array
    location: Array
    weight: Array
    log_evidence: float

    @property
    def shape_weight(self) -> Array:
        """Weight of each shape point, (M,)."""
        return np.asarray(self.weight.sum(axis=1))

    @property
    def effective(self) -> float:
        """Effective number of shape points."""
        return float(1.0 / (self.shape_weight**2).sum())

    def learned(
        self, names: tuple[str, ...], location_prior: tuple[float, float, float]
    ) -> dict[str, float]:
        """Posterior sd / prior sd by name; "edge" is α at the data's own centre.

        1 means that the data taught nothing of it.
        """
        weight = self.shape_weight[:, None]
        mean = (weight * self.scores).sum(axis=0)
        sd = np.sqrt((weight * (self.scores - mean) ** 2).sum(axis=0))
        centred = self.location - self.location.mean(axis=1, keepdims=True)
        centred = centred - (self.weight * centred).sum()
        edge = float(np.sqrt((self.weight * centred**2).sum()))
        _, scale, df = location_prior
        edge_sd = scale * np.sqrt(df / (df - 2.0)) if df > 2.0 else np.inf
        ratios = {name: float(value) for name, value in zip(names, sd, strict=True)}
        return {"edge": float(edge / edge_sd), **ratios}

    def points(self) -> tuple[Array, Array, Array]:
        """Scores (J, d), locations and weights (J,), without points that hold next to nothing."""
        flat, location = self.weight.ravel(), self.location.ravel()
        # Most nodes hold next to nothing: they need no sorting.
        some = np.flatnonzero(flat > flat.max() * 1e-12)
        order = some[np.argsort(flat[some])[::-1]]
        keep = np.sort(order[: int(np.searchsorted(np.cumsum(flat[order]), _KEPT_SHARE)) + 1])
        kept = flat[keep]
        if len(keep) > _MOST_POINTS:
            keep = keep[systematic(kept, location[keep], _MOST_POINTS)]
            kept = np.ones(len(keep))
        return self.scores[keep // self.weight.shape[1]], location[keep], kept / kept.sum()


@dataclass(frozen=True, slots=True)
class Lattice:
    """Where the nodes in α lie: around each shape's centre, in units of its own.

    The centre is the mean critical location plus (1, scores) · ``centre``, (1 + d,); the ln of the
    unit is (1, scores) · ``ln_unit``, (1 + d,) [ln of ln W]. Nodes are ``step`` units apart at the
    centre, and ever further beyond ``even`` units from it: misreadings leave a little mass far out.
    """

    centre: Array
    ln_unit: Array
    step: float
    even: float

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
    sigma = float(np.median(problem.latent_of(scores).scatter))
    ln_unit = np.zeros(1 + problem.dimensions)
    ln_unit[0] = np.log(sigma)
    return Lattice(np.zeros(1 + problem.dimensions), ln_unit, _FIRST_STEP, _FIRST_EVEN)


def _fitted_lattice(
    plain: Lattice,
    problem: Problem,
    scores: Array,
    location: Array,
    log_mass: Array,
    shape_weight: Array,
) -> Lattice:
    """Nodes of a further pass: linear fits to the last pass's mean and ln sd of α give them."""
    total = logsumexp(log_mass, axis=1)
    share = np.exp(log_mass - total[:, None])
    mean = (share * location).sum(axis=1)
    sd = np.sqrt((share * (location - mean[:, None]) ** 2).sum(axis=1))
    sigma = float(np.exp(plain.ln_unit[0]))
    away = mean - plain.centres(problem, scores, problem.latent_of(scores).critical)
    # What a shape's posterior is like matters where the shape is likely.
    weight = shape_weight[:, None]
    design = _with_ones(scores)
    normal = design.T @ (design * weight) + 1e-3 * np.eye(design.shape[1])
    wanted = np.column_stack([away, np.log(np.maximum(sd, 1e-6))])
    start = (weight * wanted).sum(axis=0)
    slope = np.linalg.solve(normal, (design * weight).T @ (wanted - start))
    slope[0] += start
    fitted = Lattice(slope[:, 0], slope[:, 1], _STEP, _EVEN)
    return replace(
        fitted, step=min(_STEP, _WIDEST * sigma / float(np.median(fitted.units(scores))))
    )


def _bracket(problem: Problem, lattice: Lattice, scores: Array) -> tuple[float, float]:
    """Range of α around each shape's centre, in its units, that holds the posterior."""
    scouts = scores[:: max(len(scores) // _SCOUTS, 1)]
    some = problem.latent_of(scouts)
    critical = some.critical
    centre, unit = lattice.centres(problem, scouts, critical), lattice.units(scouts)
    _, scale, _ = problem.location_prior
    sigma = float(np.median(some.scatter))
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


def _weigh(
    problem: Problem, lattice: Lattice, scores: Array, nodes: tuple[int, int]
) -> tuple[Array, Array]:
    """Locations (M, A) and log of posterior mass per node, (M, A), at given points."""
    low, high = _bracket(problem, lattice, scores)
    latent = problem.latent_of(scores)
    first, last = np.arcsinh(np.array([low, high]) / lattice.even)
    count = int(np.clip(np.ceil((last - first) * lattice.even / lattice.step), *nodes))
    turns = np.linspace(first, last, count)
    centre = lattice.centres(problem, scores, latent.critical)[:, None]
    unit = lattice.units(scores)[:, None] * lattice.even
    location = centre + unit * np.sinh(turns)
    apart = unit * np.cosh(turns) * (turns[1] - turns[0])
    return location, problem.log_posterior(latent, location) + np.log(apart)


def _tempered(log_weight: Array, least: float) -> Array:
    """Weights that sum to one, flattened until at least so many of them count, (M,)."""
    low, high = 0.0, 1.0
    power = 1.0
    for _ in range(20):
        weight = np.exp(power * (log_weight - log_weight.max()))
        weight /= weight.sum()
        if 1.0 / (weight**2).sum() >= least:
            if power == 1.0:
                break
            low = power
        else:
            high = power
        power = 0.5 * (low + high)
    return np.asarray(weight)


def _fitted_normal(scores: Array, weight: Array) -> tuple[Array, Array]:
    """Mean (d,) and lower Cholesky factor (d, d) of the posterior of the scores, inflated."""
    mean = weight @ scores
    spread = (scores - mean) * np.sqrt(weight)[:, None]
    covariance = spread.T @ spread + 1e-4 * np.eye(scores.shape[1])
    return mean, np.asarray(np.linalg.cholesky(covariance)) * _INFLATION


def _spread_scores(problem: Problem, n: int, mean: Array, factor: Array) -> tuple[Array, Array]:
    """Points of a further pass, (n, d), and the log of prior over proposal, (n,)."""
    informed = list(problem.informed)
    rest = [i for i in range(problem.dimensions) if i not in informed]
    base = even_scores(n, len(informed))
    scores = np.empty((n, problem.dimensions))
    scores[:, informed] = mean + base @ factor.T
    if rest:
        # A fixed shuffle, so that the two sequences have nothing to do with one another.
        shuffle = np.random.default_rng(0).permutation(n)
        scores[:, rest] = even_scores(n, len(rest))[shuffle]
    log_ratio = 0.5 * ((base**2).sum(axis=1) - (scores[:, informed] ** 2).sum(axis=1))
    return scores, log_ratio + np.log(np.diag(factor)).sum()


def solve(problem: Problem, effort: Effort = FULL) -> Posterior:
    """Integrate the posterior of a response.

    Notes
    -----
    Importance weights of a further pass are prior × likelihood over the fitted normal [1]_. Where
    few points of a pass count, its weights are flattened before a normal is fitted to them, and
    another pass follows.

    References
    ----------
    .. [1] Robert C.P., Casella G. (2004) Monte Carlo Statistical Methods, 2nd ed., Springer,
       section 3.3 (from memory).
    """
    rows = max(len(problem.readings.grade), 1)
    last = min(effort.last, max(_MOST_WORK // rows, _FEWEST_POINTS))
    enough = min(effort.enough, 0.25 * last)
    apart = 1
    while rows >= 4 * apart * _FEWEST_ROWS:
        apart *= 4
    first = min(effort.first, max(_PILOT_WORK * apart // rows, _FEWEST_POINTS))
    scores, log_ratio = even_scores(first, problem.dimensions), np.zeros(first)
    lattice = plain = _plain_lattice(problem, scores)
    for number in range(_MOST_PASSES):
        seen = problem.every(apart)
        location, log_mass = _weigh(seen, lattice, scores, effort.nodes)
        log_mass = log_mass + log_ratio[:, None]
        mass = np.exp(log_mass - log_mass.max())
        found = Posterior(
            scores=scores,
            location=location,
            weight=mass / mass.sum(),
            log_evidence=float(logsumexp(log_mass) - np.log(len(scores))),
        )
        if number and apart == 1 and len(scores) == last and found.effective >= enough:
            break
        weight = _tempered(np.asarray(logsumexp(log_mass, axis=1)), 2.0 * len(problem.informed))
        lattice = _fitted_lattice(plain, seen, scores, location, log_mass, weight)
        mean, factor = _fitted_normal(scores[:, list(problem.informed)], weight)
        count = first
        if found.effective >= _USABLE:
            count, apart = (last, 1) if apart <= 4 else (first, apart // 4)
        elif number >= _MOST_PASSES - 3:
            count, apart = last, 1
        scores, log_ratio = _spread_scores(problem, count, mean, factor)
    return found


def systematic(weight: Array, location: Array, n: int) -> npt.NDArray[np.int64]:
    """Places of n even-weight draws: systematic resampling in the order of the location.

    Weighted points (J,) each; places (n,). Nothing is random.
    """
    # Shapes may share their nodes but for rounding, which must not choose among them.
    order = np.argsort(np.round(location, 12), kind="stable")
    ends = np.cumsum(weight[order])
    ticks = (np.arange(n) + 0.5) / n * ends[-1]
    return np.asarray(order[np.minimum(np.searchsorted(ends, ticks), len(order) - 1)])
