"""How often what was said beforehand came out: a calibration table and scores."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv
from sklearn.isotonic import IsotonicRegression

from calib.errors import InvalidRecord

Array = npt.NDArray[np.float64]

# Chances at which one row of the table ends and the next begins: fine where promises are made.
EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0)
# A chance of 0 or 1 that came out otherwise would cost infinitely much; none is that sure.
_SUREST = 1e-6
_COVERS = 0.9
# Below so many outcomes a table says little (own judgement, no source).
FEW = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A chance that was stated beforehand, and what came of it."""

    chance: float  # What was stated, 0…1
    came: bool  # True when it came out so
    group: str  # Board or job: outcomes of one group have more in common than those of two
    count: int = 1  # How many equal outcomes this stands for

    def __post_init__(self) -> None:
        if not 0.0 <= self.chance <= 1.0:
            raise InvalidRecord(f"Told.chance is {self.chance!r}: give a chance from 0 to 1.")
        if self.count < 1:
            raise InvalidRecord(f"Told.count is {self.count!r}: give 1 or more.")


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedRow:
    """Outcomes of which about the same chance was stated."""

    stated: float  # Mean chance that was stated
    came: float  # Share that came out so
    # low, high: Central 90 % interval of the true share, wider where outcomes of a board go
    # together
    low: float
    high: float
    # count, groups: How many outcomes, of how many boards and jobs
    count: int
    groups: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackRecord:
    """How well stated chances did; scores of 0 are best."""

    # count, groups: How many outcomes, of how many boards and jobs
    count: int
    groups: int
    overall: StatedRow  # All of them in one row
    rows: tuple[StatedRow, ...]  # The calibration table, from low to high chance
    # brier, brier_error: Mean squared distance of chance and outcome, and its standard error from
    # leaving out one board after the other; None with a single board
    brier: float
    brier_error: float | None
    log_loss: float  # Mean of −ln of the chance of what came out
    # base_brier, base_log_loss: The same scores for one who states, on every board, the share that
    # came out on all other boards; None with a single board
    base_brier: float | None
    base_log_loss: float | None
    # How much of the Brier score would go if every stated chance were corrected, in hindsight, to
    # the share that came out at it
    miscalibration: float
    notes: tuple[str, ...] = ()  # What the user must know, in sentences


@dataclass(frozen=True, slots=True)
class _Table:
    """Told outcomes as arrays; groups are numbered from 0."""

    chance: Array
    came: Array
    count: Array
    group: npt.NDArray[np.intp]

    @property
    def groups(self) -> int:
        return len(np.unique(self.group))

    def where(self, chosen: npt.NDArray[np.bool_]) -> _Table:
        return _Table(
            self.chance[chosen], self.came[chosen], self.count[chosen], self.group[chosen]
        )


def track_record(told: Iterable[Told]) -> TrackRecord:
    """Compare what was stated with what came.

    Raises InvalidRecord when nothing is given.

    Notes
    -----
    The Brier score [1]_ is taken over the event alone: half of what Brier's own formula gives for
    two classes. Its part that is miscalibration is found by isotonic regression [2]_. Standard
    errors leave out one board after the other. The intervals are Jeffreys's for the number of
    independent outcomes that they are worth, by the spread between boards [3]_.

    References
    ----------
    .. [1] G. W. Brier, Verification of forecasts expressed in terms of probability, Monthly Weather
       Review 78 (1950) 1-3.
    .. [2] T. Dimitriadis, T. Gneiting, A. I. Jordan, Stable reliability diagrams for probabilistic
       classifiers, PNAS 118 (2021) e2016191118.
    .. [3] J. N. K. Rao, A. J. Scott, A simple method for the analysis of clustered binary data,
       Biometrics 48 (1992) 577-585.

    Examples
    --------
    >>> record = track_record([
    ...     Told(chance=0.9, came=True, group="a"), Told(chance=0.2, came=False, group="b"),
    ... ])
    >>> round(record.brier, 3)
    0.025
    """
    table = _table_of(list(told))
    base = _base_chances(table)
    counted = int(table.count.sum())
    return TrackRecord(
        count=counted,
        groups=table.groups,
        overall=_row(table),
        rows=tuple(_rows(table)),
        brier=brier_score(table.chance, table.came, table.count),
        brier_error=_left_out_error(table),
        log_loss=log_loss(table.chance, table.came, table.count),
        base_brier=None if base is None else brier_score(base, table.came, table.count),
        base_log_loss=None if base is None else log_loss(base, table.came, table.count),
        miscalibration=_miscalibration(table),
        notes=_notes(counted, table.groups),
    )


def brier_score(chance: npt.ArrayLike, came: npt.ArrayLike, count: npt.ArrayLike = 1.0) -> float:
    """Mean squared distance of chances and outcomes.

    Examples
    --------
    >>> brier_score([0.5, 0.5], [1, 0])
    0.25
    """
    stated, outcome = np.asarray(chance, dtype=float), np.asarray(came, dtype=float)
    weight = np.broadcast_to(np.asarray(count, dtype=float), stated.shape)
    return float(np.average((stated - outcome) ** 2, weights=weight))


def log_loss(chance: npt.ArrayLike, came: npt.ArrayLike, count: npt.ArrayLike = 1.0) -> float:
    """Mean of −ln of the chance that was given to what came out.

    Examples
    --------
    >>> round(log_loss([0.5, 0.5], [1, 0]), 4)
    0.6931
    """
    stated = np.clip(np.asarray(chance, dtype=float), _SUREST, 1.0 - _SUREST)
    outcome = np.asarray(came, dtype=float)
    weight = np.broadcast_to(np.asarray(count, dtype=float), stated.shape)
    of_what_came = np.where(outcome > 0.5, stated, 1.0 - stated)
    return float(np.average(-np.log(of_what_came), weights=weight))


def _table_of(told: Sequence[Told]) -> _Table:
    if not told:
        raise InvalidRecord("told is []: give at least one chance with its outcome.")
    numbers = {name: n for n, name in enumerate(dict.fromkeys(t.group for t in told))}
    return _Table(
        np.array([t.chance for t in told]),
        np.array([float(t.came) for t in told]),
        np.array([float(t.count) for t in told]),
        np.array([numbers[t.group] for t in told]),
    )


def _rows(table: _Table) -> Iterable[StatedRow]:
    """One row for each span of chances in which something was stated."""
    last = len(EDGES) - 2
    place = np.minimum(np.searchsorted(EDGES, table.chance, side="right") - 1, last)
    for number in range(last + 1):
        chosen = place == number
        if chosen.any():
            yield _row(table.where(chosen))


def _row(table: _Table) -> StatedRow:
    total = float(table.count.sum())
    hits = float(table.count @ table.came)
    worth = total / _design_effect(table)
    low, high = _jeffreys(hits / total * worth, worth)
    return StatedRow(
        stated=float(np.average(table.chance, weights=table.count)),
        came=hits / total,
        low=low,
        high=high,
        count=int(total),
        groups=table.groups,
    )


def _design_effect(table: _Table) -> float:
    """How many outcomes are worth one independent one, at least 1 [-].

    Compares the spread of sums over groups with the spread of single outcomes, both of what came
    less what was stated: chances that differ between groups must not count as groups that differ.
    """
    numbers, place = np.unique(table.group, return_inverse=True)
    total = float(table.count.sum())
    if len(numbers) < 2:
        return 1.0
    residual = table.came - table.chance
    residual = residual - float(table.count @ residual) / total
    by_group = np.bincount(place, weights=table.count * residual)
    between = float(by_group @ by_group) * len(numbers) / (len(numbers) - 1.0)
    alone = float(table.count @ residual**2) * total / (total - 1.0)
    return max(between / alone, 1.0) if alone > 0 else 1.0


def _jeffreys(hits: float, total: float) -> tuple[float, float]:
    """Central interval of a share; at none and at all it reaches 0 and 1."""
    tail = 0.5 * (1.0 - _COVERS)
    low = 0.0 if hits <= 0 else float(betaincinv(hits + 0.5, total - hits + 0.5, tail))
    high = 1.0 if hits >= total else float(betaincinv(hits + 0.5, total - hits + 0.5, 1.0 - tail))
    # Few outcomes worth less than one pull the interval off the share itself.
    return min(low, hits / total), max(high, hits / total)


def _left_out_error(table: _Table) -> float | None:
    """Standard error of the Brier score: the jackknife that leaves out one group at a time."""
    numbers, place = np.unique(table.group, return_inverse=True)
    if len(numbers) < 2:
        return None
    distance = table.count * (table.chance - table.came) ** 2
    distances, counts = np.bincount(place, weights=distance), np.bincount(place, table.count)
    scores = (distances.sum() - distances) / (counts.sum() - counts)
    spread = float(((scores - scores.mean()) ** 2).sum())
    return float(np.sqrt((len(numbers) - 1.0) / len(numbers) * spread))


def _base_chances(table: _Table) -> Array | None:
    """For each outcome the share that came on all other groups; None with one group."""
    if table.groups < 2:
        return None
    hits = np.bincount(table.group, weights=table.count * table.came)
    totals = np.bincount(table.group, weights=table.count)
    # Half an outcome of either kind keeps it from being certain.
    share = (hits.sum() - hits + 0.5) / (totals.sum() - totals + 1.0)
    return np.asarray(share[table.group])


def _miscalibration(table: _Table) -> float:
    curve = IsotonicRegression(y_min=0.0, y_max=1.0, out_of_bounds="clip")
    right = curve.fit_transform(table.chance, table.came, sample_weight=table.count)
    stated = brier_score(table.chance, table.came, table.count)
    return max(stated - brier_score(right, table.came, table.count), 0.0)


def _notes(count: int, groups: int) -> tuple[str, ...]:
    notes = []
    if count < FEW:
        notes.append(
            f"{count} outcomes are few: from about {FEW} on the table begins to tell something."
        )
    if groups < 2:
        notes.append(
            "All outcomes are of one board or job: nothing shows yet how boards differ, and the"
            " intervals are too narrow."
        )
    return tuple(notes)
