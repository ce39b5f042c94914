"""What one pair's burns say, in a few numbers: the first stage of pooling a logbook.

Pooling needs no full posterior of each pair, only where its edge lies against the family's
expectation and how far its scatter and the like differ from the usual, each as a mean and a
variance. They come from a coarse version of the engine's own integral: a pilot over points that
fill the prior, then a second pass where the pilot found the weight. The work per pair is constant.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.fit.numerics import even_scores, log_student_t
from calib.fit.priors import MISREAD

Array = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]

# Points of the pilot, of the second pass, and of a third where too few of the second's count.
_PASSES = (48, 128, 256)
_ENOUGH = 24.0
_SCOUTS = 8
# Log-posterior this far below its maximum is left out: e^-9 is about 1e-4.
_DEPTH = 9.0
_FEWEST_NODES, _MOST_NODES = 10, 48
# Distance of nodes in scatters.
_STEP = 0.8
_LEAST_VARIANCE = 0.1
# Each pass covers a normal this much wider than the one fitted to the pass before.
_INFLATION = 1.3
_LEAST_SCORE_VARIANCE = 0.15
# Data never count for less than this share of the precision before them.
_LEAST_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What some shape points say whatever α is.

    Parameters
    ----------
    critical
        α at which each reading is at cut point 0, (J, n) [ln W].
    scatter, shared
        σ, and τ that a sitting shares, (J,) each [ln W].
    cuts
        Cut points, rising, (J, K) [ln W].
    """

    critical: Array
    scatter: Array
    shared: Array
    cuts: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordinal:
    """Readings of one pair and response in the common form of all models.

    A reading is its grade's number: the grade is how many of the cut points y = critical − α + σ ε
    lies above.

    Parameters
    ----------
    dimensions, informed
        Number of shape scores, and which of them the readings can tell anything of.
    frame_of
        From scores (J, d) to everything that doesn't depend on α.
    grade, count, group
        What was read, how often and in which sitting, (n,) each.
    power
        Exponent of the top grade's chance: a longer path has as many chances to fail, (n,).
    ln_whole
        Ln chance that no defect spoils the top grade, (n,).
    location_prior
        Centre, scale and degrees of freedom of the Student t of α.
    """

    dimensions: int
    informed: tuple[int, ...]
    frame_of: Callable[[Array], Frame]
    grade: Ints
    count: Array
    group: Ints
    power: Array
    ln_whole: Array
    location_prior: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighted:
    """The coarse posterior: scores (J, d), locations (J, A) and weights that sum to one (J, A)."""

    scores: Array
    location: Array
    weight: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Mean and variance of one number."""

    mean: float
    variance: float

    def without(self, prior: Moments) -> Moments:
        """What the data alone say: this posterior less its prior, both taken as normal.

        Parameters
        ----------
        prior
            Moments before the data.

        Returns
        -------
        Moments
            Of a normal likelihood; a large variance where the data said next to nothing.
        """
        precision = 1.0 / self.variance - 1.0 / prior.variance
        if precision <= _LEAST_SHARE / prior.variance:
            return Moments(mean=prior.mean, variance=prior.variance / _LEAST_SHARE)
        natural = self.mean / self.variance - prior.mean / prior.variance
        return Moments(mean=natural / precision, variance=1.0 / precision)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Weighted draws of a number that was standard normal before the data, (J,) each."""

    value: Array
    weight: Array


def told_by(draws: Sequence[Draws], before: Sequence[Moments]) -> list[Moments]:
    """What each pair's data say of a number, as a normal that is right where it matters.

    Parameters
    ----------
    draws
        Of each pair.
    before
        What is believed of each pair's number without its data.

    Returns
    -------
    list of Moments
        The normal likelihoods that give, with ``before``, the means and variances that the draws
        give with it.

    References
    ----------
    .. [1] Minka T.P. (2001) Expectation propagation for approximate Bayesian inference.
       Proceedings of the 17th UAI, 362-369 (from memory).
    """
    most = max(len(d.value) for d in draws)
    value, weight = np.zeros((len(draws), most)), np.zeros((len(draws), most))
    for row, d in enumerate(draws):
        value[row, : len(d.value)], weight[row, : len(d.value)] = d.value, d.weight
    centre = np.array([m.mean for m in before])
    spread = np.array([m.variance for m in before])
    log_ratio = 0.5 * (value**2 - (value - centre[:, None]) ** 2 / spread[:, None])
    log_ratio -= np.where(weight > 0.0, log_ratio, -np.inf).max(axis=1, keepdims=True)
    mass = weight * np.exp(np.minimum(log_ratio, 0.0))
    mass /= mass.sum(axis=1, keepdims=True)
    mean = (mass * value).sum(axis=1)
    variance = (mass * (value - mean[:, None]) ** 2).sum(axis=1)
    # A board of twenty burns can't narrow a shape score by more than this.
    variance = np.maximum(variance, _LEAST_SCORE_VARIANCE * spread)
    precision = np.maximum(1.0 / variance - 1.0 / spread, _LEAST_SHARE / spread)
    # The mean is met whatever the precision: what hardly narrows a score may still pull at it.
    natural = mean * (1.0 / spread + precision) - centre / spread
    return [
        Moments(mean=float(m), variance=float(v))
        for m, v in zip(natural / precision, 1.0 / precision, strict=True)
    ]


def below(x: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """Standard normal distribution function to 2e-4, many times as fast as the exact one.

    Parameters
    ----------
    x
        Any shape; single precision is enough, and faster still.

    Returns
    -------
    numpy.ndarray
        Chances, same shape and precision.

    References
    ----------
    .. [1] Page E. (1977) Approximations to the cumulative normal function and its inverse for use
       on a pocket calculator. Applied Statistics 26(1):75-76 (from memory); the coefficients are
       the rounded ones in common use.
    """
    near = np.clip(x, -8.0, 8.0)
    return np.asarray(1.0 / (1.0 + np.exp(-near * (1.5976 + 0.07056 * near * near))))


class _Points:
    """Everything about some shape points that doesn't depend on the location."""

    def __init__(self, data: Ordinal, scores: Array) -> None:
        frame = data.frame_of(scores)
        self.data, self.scores = data, scores
        self.critical, self.scatter, self.shared = frame.critical, frame.scatter, frame.shared
        cuts = frame.cuts
        far = np.full((len(scores), 1), 1e3)
        walls = np.concatenate([-far, cuts, far], axis=1).T[:, :, None]
        self.low, self.high = _single(walls[data.grade]), _single(walls[data.grade + 1])
        self.last_cut = _single(cuts[:, -1:])
        self.top = cuts.shape[1]
        self.open_low = data.grade > 0
        self.open_high = data.grade < self.top
        self.centre = self.critical.mean(axis=1)

    def log_chances(self, location: Array) -> Single:
        """Count × ln chance of each reading, (n, J, A); single precision is plenty here."""
        y = _single(self.critical.T[:, :, None]) - _single(location)
        sharp = _single(1.0 / self.scatter)[:, None]
        lower, chance = np.zeros_like(y), np.ones_like(y)
        some = self.open_high
        chance[some] = below((self.high[some] - y[some]) * sharp)
        some = self.open_low
        lower[some] = below((self.low[some] - y[some]) * sharp)
        chance -= lower
        self._lengthen(chance, y, lower)
        # A path shorter than a coupon may drop more surely than a coupon hangs: no chance is left.
        seen = (1.0 - MISREAD) * np.maximum(chance, 0.0) + MISREAD / (self.top + 1)
        return np.asarray(_single(self.data.count)[:, None, None] * np.log(seen))

    def _lengthen(self, chance: Single, y: Single, lower: Single) -> None:
        """Put in the chances of paths that aren't one coupon's, in place."""
        data = self.data
        long = (data.power != 1.0) | (data.ln_whole != 0.0)
        for row in np.flatnonzero(long & (data.grade >= self.top - 1)):
            drops = below((y[row] - self.last_cut) / _single(self.scatter)[:, None])
            whole = data.power[row] * np.log(np.maximum(drops, 1e-12)) + data.ln_whole[row]
            is_top = data.grade[row] == self.top
            chance[row] = np.exp(whole) if is_top else 1.0 - lower[row] - np.exp(whole)

    def log_likelihood(self, location: Array) -> Array:
        """Log-likelihood with what each sitting shares integrated out, (J, A)."""
        rows = self.log_chances(location)
        groups = np.unique(self.data.group)
        if len(groups) <= 1:
            return np.asarray(rows.sum(axis=0), dtype=float)
        sittings = np.stack([rows[self.data.group == group].sum(axis=0) for group in groups])
        peak = sittings.max(axis=2, keepdims=True)
        step = self.shared / (location[:, 1] - location[:, 0])
        averaged = _averaged(np.exp(sittings - peak), step)
        return np.asarray((np.log(averaged) + peak).sum(axis=0), dtype=float)


def _averaged(values: Single, step: Array) -> Single:
    """Average over N(0, τ), τ in node distances: three nodes of Gauss-Hermite, values in between.

    ``values`` is (sittings, J, A), ``step`` (J,).
    """
    last = values.shape[2] - 1
    apart = np.arange(last + 1) + np.array([[[-1.0]], [[1.0]]]) * np.sqrt(3.0) * step[:, None]
    place = np.clip(apart, 0.0, last)
    before = np.minimum(place.astype(np.int64), last - 1)
    share = _single(place - before)
    rows = np.arange(values.shape[1])[:, None]
    found = np.float32(2.0 / 3.0) * values
    for at, part in zip(before, share, strict=True):
        sixth = values[:, rows, at] * (1.0 - part) + values[:, rows, at + 1] * part
        found += sixth / np.float32(6.0)
    return np.asarray(np.maximum(found, np.float32(1e-30)))


def _single(values: npt.NDArray[np.floating]) -> Single:
    return values.astype(np.float32)


def _range(data: Ordinal, scores: Array) -> tuple[float, float]:
    """Range of α about each point's centre that holds the posterior, by a few scouts."""
    some = _Points(data, scores)
    centre, scale, df = data.location_prior
    away = float(np.abs(some.critical - some.centre[:, None]).max()) + 4.0 * float(
        np.median(some.scatter)
    )
    offset = centre - float(some.centre.mean())
    far = scale * np.geomspace(0.1, 12.0, 10)
    steps = np.unique(np.concatenate([np.linspace(-away, away, 48), offset + far, offset - far]))
    location = some.centre[:, None] + steps
    value = some.log_chances(location).sum(axis=0) + log_student_t(location, centre, scale, df)
    return _deep(steps, value, 1)


def _deep(steps: Array, value: Array, beyond: int) -> tuple[float, float]:
    """First and last step that count, and so many beyond."""
    deep = np.flatnonzero((value > value.max(axis=1, keepdims=True) - _DEPTH).any(axis=0))
    first, last = max(int(deep[0]) - beyond, 0), min(int(deep[-1]) + beyond, len(steps) - 1)
    return float(steps[first]), float(steps[last])


def _weigh(points: _Points, low: float, high: float) -> tuple[Array, Array]:
    """Locations and log posterior mass at the nodes of each point, (J, A) each."""
    wanted = np.ceil((high - low) / (_STEP * float(np.median(points.scatter))))
    count = int(np.clip(wanted, _FEWEST_NODES, _MOST_NODES))
    location = points.centre[:, None] + np.linspace(low, high, count)
    prior = log_student_t(location, *points.data.location_prior)
    return location, points.log_likelihood(location) + prior + np.log((high - low) / (count - 1))


def coarse_posterior(data: Ordinal) -> Weighted:
    """Integrate the posterior of one pair coarsely.

    Parameters
    ----------
    data
        Readings, at least one.

    Returns
    -------
    Weighted
        Weighted points; means are right to about a tenth of a standard deviation (see
        ``tests/test_pool.py``).
    """
    informed = list(data.informed)
    mean, factor = np.zeros(len(informed)), np.eye(len(informed))
    low, high = _range(data, _placed(data, even_scores(_SCOUTS, len(informed))))
    for count in _PASSES:
        base = even_scores(count, len(informed))
        drawn = mean + base @ factor.T
        points = _Points(data, _placed(data, drawn))
        location, log_mass = _weigh(points, low, high)
        log_ratio = 0.5 * (base**2).sum(axis=1) - 0.5 * (drawn**2).sum(axis=1)
        log_mass = log_mass + log_ratio[:, None]
        mass = np.exp(log_mass - log_mass.max())
        mass /= mass.sum()
        weight = mass.sum(axis=1)
        if count != _PASSES[0] and 1.0 / (weight**2).sum() > _ENOUGH:
            break
        mean, factor = _fitted(drawn, weight)
        low, high = _deep(location[0] - points.centre[0], log_mass, 1)
    return Weighted(scores=points.scores, location=location, weight=mass)


def _placed(data: Ordinal, informed: Array) -> Array:
    """Scores of all parameters: those that the data can't tell anything of stay at their mean."""
    scores = np.zeros((len(informed), data.dimensions))
    scores[:, list(data.informed)] = informed
    return scores


def _fitted(drawn: Array, weight: Array) -> tuple[Array, Array]:
    """Mean and factor of the normal that the next pass covers."""
    mean = weight @ drawn
    spread = (drawn - mean) * np.sqrt(weight)[:, None]
    # A pass of few points can't see a narrow posterior: no variance counts as below this.
    covariance = spread.T @ spread + _LEAST_VARIANCE * np.eye(drawn.shape[1])
    return mean, np.asarray(np.linalg.cholesky(covariance)) * _INFLATION


def moments_of(weighted: Weighted, value: Array) -> Moments:
    """Mean and variance of a number at the points, (J, A) or (J,)."""
    weight = weighted.weight if value.ndim == 2 else weighted.weight.sum(axis=1)
    mean = float((weight * value).sum())
    return Moments(mean=mean, variance=max(float((weight * (value - mean) ** 2).sum()), 1e-8))


def score_draws(weighted: Weighted, names: tuple[str, ...]) -> dict[str, Draws]:
    """Draws of each score that the data could tell anything of, by name."""
    columns = zip(names, weighted.scores.T, strict=True)
    return {name: draws_of(weighted, values) for name, values in columns if values.any()}


def draws_of(weighted: Weighted, values: Array) -> Draws:
    """Draws of a number that was standard normal before, from its values (J, A) or (J,)."""
    if values.ndim == 1:
        return Draws(value=values, weight=weighted.weight.sum(axis=1))
    # One draw for each shape point, at its mean over the location: the rest is narrow.
    weight = weighted.weight.sum(axis=1)
    mean = (weighted.weight * values).sum(axis=1) / np.maximum(weight, 1e-300)
    return Draws(value=mean, weight=weight)
