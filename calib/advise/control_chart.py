"""Control charts of check strips: EWMA and CUSUM, and how long they run before they signal.

The charts are for looking; whether the machine has drifted is judged in ``calib.advise.drift``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr
from scipy.stats import poisson

from calib.errors import InvalidRecord

Array = npt.NDArray[np.float64]

# Nodes of the integral equations: figures then stand to six digits for weights from 0.03 up.
_NODES = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Ewma:
    """An exponentially weighted moving average with its limits.

    Parameters
    ----------
    values
        The average after each check, (n,).
    upper, lower
        Limits at each check, (n,).
    first_signal
        Number of the first check outside, from 1; None when there is none.
    """

    values: Array
    upper: Array
    lower: Array
    first_signal: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Upper and lower cumulative sums.

    Parameters
    ----------
    upper, lower
        Sums after each check, (n,), both counted as positive.
    limit
        A sum above it signals.
    first_signal
        Number of the first check that signals, from 1; None when there is none.
    """

    upper: Array
    lower: Array
    limit: float
    first_signal: int | None


def ewma(
    values: npt.ArrayLike,
    *,
    target: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 2.962,
    settled: bool = False,
) -> Ewma:
    """Exponentially weighted moving average of a series of checks.

    Parameters
    ----------
    values
        One per check, (n,) [unit of the series].
    target
        Where they should lie [same unit].
    sigma
        Standard deviation of one check [same unit].
    weight
        Share of the newest check; with 0.2 and width 2.962 a chart of a machine that hasn't changed
        signals once in 500 checks.
    width
        Half the distance of the limits in standard deviations of the average.
    settled
        True for the limits of a long series from the first check on; False: they widen from check
        to check, as the average's own spread does.

    Returns
    -------
    Ewma
        Averages, limits, and the first check outside.

    Raises
    ------
    InvalidRecord
        When weight, sigma or width make no chart.

    References
    ----------
    .. [1] Roberts S.W. (1959) Control chart tests based on geometric moving averages. Technometrics
       1(3):239-250 (from memory).

    Examples
    --------
    >>> chart = ewma([52.0, 47.0], target=50.0, sigma=2.0539, weight=0.3, width=3.0)
    >>> chart.values.round(2).tolist()
    [50.6, 49.52]
    """
    _check_weight(weight)
    _check_above_zero("sigma", sigma)
    _check_above_zero("width", width)
    series = _series(values)
    average = np.empty_like(series)
    last = target
    for i, value in enumerate(series):
        last = weight * value + (1.0 - weight) * last
        average[i] = last
    number = np.arange(1, len(series) + 1)
    grown = 1.0 if settled else 1.0 - (1.0 - weight) ** (2 * number)
    half = width * sigma * np.sqrt(weight / (2.0 - weight) * grown) * np.ones_like(series)
    outside = np.abs(average - target) > half
    return Ewma(
        values=average,
        upper=target + half,
        lower=target - half,
        first_signal=_first(outside),
    )


def cusum(
    values: npt.ArrayLike, *, target: float, slack: float, limit: float, head_start: float = 0.0
) -> Cusum:
    """Cumulative sums of a series of checks, above and below the target.

    Parameters
    ----------
    values
        One per check, (n,) [unit of the series].
    target
        Where they should lie [same unit].
    slack
        What is taken off each step: half the shift that matters [same unit].
    limit
        A sum above it signals [same unit].
    head_start
        Where both sums start [same unit].

    Returns
    -------
    Cusum
        Both sums and the first check that signals.

    Raises
    ------
    InvalidRecord
        When the limit isn't above 0 or the slack below it.

    References
    ----------
    .. [1] Page E.S. (1954) Continuous inspection schemes. Biometrika 41:100-115 (from memory).

    Examples
    --------
    >>> cusum([10.0, 12.0, 12.0], target=10.0, slack=0.5, limit=5.0).upper.tolist()
    [0.0, 1.5, 3.0]
    """
    _check_above_zero("limit", limit)
    if slack < 0:
        raise InvalidRecord(f"slack is {slack!r}: give a number of 0 or more.")
    series = _series(values)
    high, low = np.empty_like(series), np.empty_like(series)
    up = down = head_start
    for i, value in enumerate(series):
        up = max(0.0, up + value - target - slack)
        down = max(0.0, down - value + target - slack)
        high[i], low[i] = up, down
    signals = (high > limit) | (low > limit)
    return Cusum(upper=high, lower=low, limit=limit, first_signal=_first(signals))


def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    """Mean number of checks until a two-sided EWMA chart with settled limits signals.

    Parameters
    ----------
    weight, width
        As in ``ewma``.
    shift
        How far the mean has moved, from the first check on [standard deviations of one check].

    Returns
    -------
    float
        Average run length [checks].

    Notes
    -----
    L(z) = 1 + ∫ L(y) φ((y − (1 − λ) z) / λ − δ) / λ dy over the limits, solved at Gauss-Legendre
    nodes [1]_.

    References
    ----------
    .. [1] Crowder S.V. (1987) A simple method for studying run-length distributions of
       exponentially weighted moving average charts. Technometrics 29(4):401-407 (seen in the help
       of R's spc).

    Examples
    --------
    >>> round(ewma_run_length(0.4, 3.054), 2)
    499.95
    """
    _check_weight(weight)
    _check_above_zero("width", width)
    half = width * np.sqrt(weight / (2.0 - weight))
    nodes, masses = np.polynomial.legendre.leggauss(_NODES)
    nodes, masses = half * nodes, half * masses

    def kernel(start: Array) -> Array:
        z = (nodes[None, :] - (1.0 - weight) * start[:, None]) / weight - shift
        return np.asarray(_density(z) / weight * masses)

    lengths = np.linalg.solve(np.eye(_NODES) - kernel(nodes), np.ones(_NODES))
    return float(1.0 + kernel(np.zeros(1))[0] @ lengths)


def cusum_run_length(
    slack: float, limit: float, shift: float = 0.0, *, head_start: float = 0.0, sides: int = 2
) -> float:
    """Mean number of checks until a CUSUM chart of normal values signals.

    Parameters
    ----------
    slack, limit
        As in ``cusum``, in standard deviations of one check.
    shift
        How far the mean has moved up [same unit].
    head_start
        Where the sums start [same unit].
    sides
        1 for the upper sum alone, 2 for both.

    Returns
    -------
    float
        Average run length [checks].

    Raises
    ------
    InvalidRecord
        When the sides aren't 1 or 2, or both are asked for with a head start.

    Notes
    -----
    L(s) = 1 + L(0) Φ(k − s − δ) + ∫ L(y) φ(y − s + k − δ) dy from 0 to h. Two sums without a head
    start signal at the rate of both: 1/L = 1/L₊ + 1/L₋ [1]_.

    References
    ----------
    .. [1] Van Dobben de Bruyn C.S. (1968) Cumulative Sum Tests. Griffin (from memory).

    Examples
    --------
    >>> round(cusum_run_length(0.5, 4.0), 3)
    167.684
    """
    if sides == 2 and head_start == 0.0:
        up = cusum_run_length(slack, limit, shift, sides=1)
        down = cusum_run_length(slack, limit, -shift, sides=1)
        return 1.0 / (1.0 / up + 1.0 / down)
    if sides != 1:
        raise InvalidRecord(
            f"sides is {sides!r}: give 1, or 2 without a head start: two sums with one aren't"
            " independent."
        )
    _check_above_zero("limit", limit)
    nodes, masses = np.polynomial.legendre.leggauss(_NODES)
    nodes, masses = 0.5 * limit * (nodes + 1.0), 0.5 * limit * masses

    def kernel(start: Array) -> Array:
        to_zero = ndtr(slack - start - shift)[:, None]
        onward = _density(nodes[None, :] - start[:, None] + slack - shift) * masses
        return np.concatenate([to_zero, onward], axis=1)

    places = np.concatenate([[0.0], nodes])
    lengths = np.linalg.solve(np.eye(_NODES + 1) - kernel(places), np.ones(_NODES + 1))
    return float(1.0 + kernel(np.array([head_start]))[0] @ lengths)


def count_run_length(slack: float, limit: float, mean: float, *, head_start: float = 0.0) -> float:
    """Mean number of checks until an upper CUSUM of counts (Poisson) reaches its limit.

    Parameters
    ----------
    slack, limit, head_start
        Taken off each count, sum that signals, and where the sum starts [counts].
    mean
        Mean count of a check, such as of pushes per hour of cutting.

    Returns
    -------
    float
        Average run length [checks].

    Raises
    ------
    InvalidRecord
        When the mean or the limit isn't above 0.

    Notes
    -----
    The sum lives on a lattice, so its Markov chain is exact [1]_.

    References
    ----------
    .. [1] Brook D., Evans D.A. (1972) An approach to the probability distribution of cusum run
       length. Biometrika 59(3):539-549 (from memory).

    Examples
    --------
    >>> round(count_run_length(2.0, 6.0, 1.88), 1)
    37.2
    """
    _check_above_zero("limit", limit)
    _check_above_zero("mean", mean)
    parts = [Fraction(value).limit_denominator(100) for value in (slack, limit, head_start)]
    unit = int(np.lcm.reduce([part.denominator for part in parts]))
    taken, top, first = (int(part * unit) for part in parts)
    states = np.arange(top)
    # From state s a count x leads to s + unit x - taken, or to 0.
    counts = (states[None, :] - states[:, None] + taken) / unit
    chain = np.where(counts == np.round(counts), poisson.pmf(np.round(counts), mean), 0.0)
    chain[:, 0] = poisson.cdf(np.floor((taken - states) / unit), mean)
    lengths = np.linalg.solve(np.eye(top) - chain, np.ones(top))
    return float(lengths[first])


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))


def _series(values: npt.ArrayLike) -> Array:
    series = np.asarray(values, dtype=float)
    if series.ndim != 1 or len(series) == 0 or not np.isfinite(series).all():
        raise InvalidRecord(f"values are {values!r}: give one number for each check.")
    return series


def _first(signals: Sequence[bool] | npt.NDArray[np.bool_]) -> int | None:
    places = np.flatnonzero(signals)
    return int(places[0]) + 1 if len(places) else None


def _check_weight(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise InvalidRecord(f"weight is {weight!r}: give a share above 0 and at most 1.")


def _check_above_zero(name: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0):
        raise InvalidRecord(f"{name} is {value!r}: give a number above 0.")
