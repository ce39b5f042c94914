"""What a caliper tells: repeats, resolution and its own error, combined as the GUM does.

GUM: JCGM 100:2008, Evaluation of measurement data, Guide to the expression of uncertainty in
measurement; clauses are cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import stdtr, stdtrit

from calib.errors import InvalidRecord
from calib.texts.say import say

COVERAGE = 0.95
# Repeatability in an untrained hand on wood [mm], a guess that may be off by a third; by GUM G.4.2
# that is worth about 1 / (2 x 0.35²) degrees of freedom. It is pooled with the repeats at hand, so
# that two readings that happen to agree don't make the caliper perfect.
GUESSED_REPEATABILITY_MM = 0.03
_GUESSED_DEGREES = 4.0
# How far the same drawn width wanders from place to place along a board [mm], a guess that may be
# off by a third (G.4.2).
PLACE_SCATTER_MM = 0.01
_PLACE_DEGREES = 4.5
# From so many degrees of freedom on, the scatter between places is taken from the readings.
_ENOUGH_DEGREES = 5
# Nothing is known better than this, whatever the readings say [mm].
_LEAST_MM = 1e-6
# Gauss and Legendre's points for the errors of the jaws: the half width is right to 1 % while the
# scatter is at least an eighth of the jaws' limit, and the resolution alone keeps it there.
_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caliper:
    """The tool that was measured with."""

    resolution_mm: float = 0.01  # its smallest step [mm]
    # largest error that its maker allows, for inside and outside jaws each [mm]; 0.02 mm is usual
    # for a sliding caliper of 150 mm (common practice, no source)
    limit_mm: float = 0.02
    # standard deviation of one reading, if known from many [mm]; None: from the repeats at hand
    # and a guess
    repeatability_mm: float | None = None

    def __post_init__(self) -> None:
        for field in ("resolution_mm", "limit_mm", "repeatability_mm"):
            value = getattr(self, field)
            unknown = value is None and field == "repeatability_mm"
            if not unknown and not 0.0 <= value <= 1.0:
                raise InvalidRecord(say("joints.caliper_is_give_number", field=field, value=value))


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A length with what is known of its error.

    Examples
    --------
    >>> length = Estimate(value_mm=0.21, random_mm=0.010, outside=-1.0, limit_mm=0.02)
    >>> round(length.standard_mm, 4), round(length.low_mm, 3), round(length.high_mm, 3)
    (0.0153, 0.181, 0.239)
    """

    value_mm: float
    random_mm: float  # standard uncertainty of all that differs from reading to reading [mm]
    degrees: float = math.inf  # degrees of freedom of random_mm
    inside: float = 0.0  # how much of the error of the inside and of the outside jaws is in it [1]
    outside: float = 0.0
    limit_mm: float = 0.0  # largest error of each pair of jaws [mm]

    @property
    def standard_mm(self) -> float:
        """Combined standard uncertainty (GUM 5.1.2; rectangular errors by 4.3.7) [mm]."""
        jaws = math.hypot(self.inside, self.outside) * self.limit_mm / math.sqrt(3.0)
        return math.hypot(self.random_mm, jaws)

    @property
    def half_width_mm(self) -> float:
        """Half the 95 % interval [mm]."""
        limits = sorted(abs(share) * self.limit_mm for share in (self.inside, self.outside))
        return _half_width(self.random_mm, self.degrees, limits[0], limits[1])

    @property
    def low_mm(self) -> float:
        """Lower end of the 95 % interval [mm]."""
        return self.value_mm - self.half_width_mm

    @property
    def high_mm(self) -> float:
        """Upper end of the 95 % interval [mm]."""
        return self.value_mm + self.half_width_mm

    def __str__(self) -> str:
        """Value and interval to a hundredth."""
        return f"{self.value_mm:z.2f} mm ({self.low_mm:z.2f} to {self.high_mm:z.2f})"


@lru_cache(maxsize=4096)
def _half_width(random_mm: float, degrees: float, small: float, large: float) -> float:
    """Distance q with P(|s t + a u + b v| <= q) = 95 %, t Student, u and v even in -1 … 1.

    Convolving the distributions (JCGM 101:2008) rather than using the normal's factor keeps the
    interval from being too wide when the jaws' error is the larger part (GUM G.5.3).
    """
    random_mm = max(random_mm, _LEAST_MM)
    shifts, weights = large * _POINTS, _WEIGHTS / 2.0
    if small:
        shifts = np.add.outer(small * _POINTS, shifts).ravel()
        weights = np.multiply.outer(weights, weights).ravel()
    # Student's t stays below this factor with 97.5 % (GUM table G.2).
    factor = float(stdtrit(degrees, 0.5 + COVERAGE / 2.0))
    low, high = 0.0, small + large + random_mm * factor
    for _ in range(24):
        middle = 0.5 * (low + high)
        # The sum is even about 0: one tail tells of both.
        share = 2.0 * float(weights @ stdtr(degrees, (middle - shifts) / random_mm)) - 1.0
        low, high = (low, middle) if share >= COVERAGE else (middle, high)
    return high


def effective_degrees(parts: Iterable[tuple[float, float]]) -> float:
    """Degrees of freedom of a combined uncertainty by Welch and Satterthwaite.

    Of each independent part its standard uncertainty and degrees: u⁴ / Σ(uᵢ⁴ / νᵢ) (GUM G.4.1,
    equation G.2b); infinite when all parts are known exactly.

    Examples
    --------
    The example of GUM G.4.1, in per cent (from memory):

    >>> round(effective_degrees([(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]), 1)
    19.0
    """
    pairs = list(parts)
    total = sum(u**2 for u, _ in pairs)
    doubt = sum(u**4 / degrees for u, degrees in pairs)
    return total**2 / doubt if doubt > 0.0 else math.inf


def combine(terms: Sequence[tuple[float, Estimate]]) -> Estimate:
    """Add estimates up, each times a factor.

    Their random errors are independent, the jaws' error is one and the same in all (GUM 5.1.2,
    and 5.2.2 for the correlated part).
    """
    parts = [(abs(factor) * e.random_mm, e.degrees) for factor, e in terms]
    return Estimate(
        value_mm=sum(factor * e.value_mm for factor, e in terms),
        random_mm=math.sqrt(sum(u**2 for u, _ in parts)),
        degrees=effective_degrees(parts),
        inside=sum(factor * e.inside for factor, e in terms),
        outside=sum(factor * e.outside for factor, e in terms),
        limit_mm=max((e.limit_mm for _, e in terms), default=0.0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How far readings scatter within a place and between places."""

    within_mm: float  # standard deviation of one reading at one place [mm]
    within_degrees: float
    # standard deviation of the means of places [mm]; no degrees: it can't be told
    between_mm: float
    between_degrees: int
    caliper: Caliper

    def of_mean(self, places: Sequence[Sequence[float]]) -> tuple[float, float]:
        """Standard uncertainty of the mean of places [mm], and its degrees of freedom.

        The resolution stays in full however often is read (GUM F.2.2.1).
        """
        count = len(places)
        steps = (self.caliper.resolution_mm / math.sqrt(12.0), math.inf)
        if self.between_degrees >= _ENOUGH_DEGREES:
            parts = [(self.between_mm / math.sqrt(count), float(self.between_degrees)), steps]
        else:
            share = math.sqrt(sum(1.0 / len(place) for place in places)) / count
            wander = PLACE_SCATTER_MM / math.sqrt(count)
            parts = [
                (self.within_mm * share, self.within_degrees), (wander, _PLACE_DEGREES), steps
            ]  # fmt: skip
        combined = math.sqrt(sum(u**2 for u, _ in parts))
        return max(combined, _LEAST_MM), effective_degrees(parts)

    def mean(
        self, places: Sequence[Sequence[float]], *, inside: float = 0.0, outside: float = 0.0
    ) -> Estimate:
        """Mean of several places, and so much of the error of each pair of jaws in it."""
        random_mm, degrees = self.of_mean(places)
        return Estimate(
            value_mm=sum(sum(place) / len(place) for place in places) / len(places),
            random_mm=random_mm,
            degrees=degrees,
            inside=inside,
            outside=outside,
            limit_mm=self.caliper.limit_mm,
        )


def scatter_of(
    groups: Iterable[Sequence[Sequence[float]]],
    caliper: Caliper | None,
    *,
    fitted: int | None = None,
) -> Scatter:
    """Pool the scatter of all readings (GUM 4.2.4).

    Each group's places share one true value, each place holds its readings [mm]; ``fitted`` is how
    many numbers were fitted to them all (None: one mean per group). Without a caliper: a usual one.
    """
    tool = caliper or Caliper()
    listed = [group for group in groups if group]
    places = [place for group in listed for place in group]
    repeated, repeats = _pooled(places, len(places))
    degrees = _GUESSED_DEGREES + repeats
    squares = _GUESSED_DEGREES * GUESSED_REPEATABILITY_MM**2 + repeats * repeated**2
    within = math.sqrt(squares / degrees)
    if tool.repeatability_mm is not None:
        within, degrees = tool.repeatability_mm, math.inf
    means = [[sum(place) / len(place) for place in group] for group in listed]
    between, between_degrees = _pooled(means, len(means) if fitted is None else fitted)
    return Scatter(
        within_mm=within,
        within_degrees=degrees,
        between_mm=between,
        between_degrees=int(max(between_degrees, 0.0)),
        caliper=tool,
    )


def _pooled(groups: Sequence[Sequence[float]], fitted: int) -> tuple[float, float]:
    """Standard deviation about the groups' means and its degrees of freedom."""
    squares, count = 0.0, 0
    for group in groups:
        mean = sum(group) / len(group)
        squares += sum((value - mean) ** 2 for value in group)
        count += len(group)
    degrees = count - fitted
    return (math.sqrt(squares / degrees), float(degrees)) if degrees > 0 else (0.0, 0.0)


def weighted(estimates: Sequence[Estimate]) -> Estimate:
    """Weighted mean of estimates of one length that were had in different ways."""
    weights = [1.0 / e.standard_mm**2 for e in estimates]
    total = sum(weights)
    return combine([(weight / total, e) for weight, e in zip(weights, estimates, strict=True)])
