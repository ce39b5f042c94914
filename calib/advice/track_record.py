"""How often what was said beforehand came out: a calibration table and scores."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv
from sklearn.isotonic import IsotonicRegression
from sklearn.metrics import brier_score_loss, log_loss

from calib.errors import InvalidRecord
from calib.texts.say import say

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
            raise InvalidRecord(say("advice.told_chance", chance=self.chance))
        if self.count < 1:
            raise InvalidRecord(say("advice.told_count", count=self.count))


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

    @classmethod
    def of(cls, told: Sequence[Told]) -> _Table:
        chance, came, count = np.array([(t.chance, t.came, t.count) for t in told], dtype=float).T
        numbers = np.unique([t.group for t in told], return_inverse=True)[1]
        return cls(chance, came, count, numbers)

    def where(self, chosen: npt.NDArray[np.bool_]) -> _Table:
        numbers = np.unique(self.group[chosen], return_inverse=True)[1]
        return _Table(self.chance[chosen], self.came[chosen], self.count[chosen], numbers)

    @property
    def groups(self) -> int:
        return int(self.group.max()) + 1

    def by_group(self, values: Array) -> Array:
        """Sum of what each outcome has, over the outcomes of each group."""
        return np.asarray(np.bincount(self.group, self.count * values), dtype=float)

    def brier(self, chance: Array) -> float:
        return float(brier_score_loss(self.came, chance, sample_weight=self.count, pos_label=1.0))

    def log_loss(self, chance: Array) -> float:
        sure = np.clip(chance, _SUREST, 1.0 - _SUREST)
        return float(log_loss(self.came, sure, sample_weight=self.count, labels=[0.0, 1.0]))


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
    every = list(told)
    if not every:
        raise InvalidRecord(say("advice.told_is_give_at_least_one"))
    table = _Table.of(every)
    counted, groups = int(table.count.sum()), table.groups
    place = np.minimum(np.searchsorted(EDGES, table.chance, side="right"), len(EDGES) - 1)
    error = base_brier = base_log_loss = None
    notes = []
    if counted < FEW:
        notes.append(say("advice.outcomes_are_few", counted=counted, few=FEW))
    if groups > 1:
        error = _left_out_error(table)
        hits, totals = table.by_group(table.came), table.by_group(np.ones(len(every)))
        # Half an outcome of either kind keeps what came on the others from being certain.
        share = (hits.sum() - hits + 0.5) / (totals.sum() - totals + 1.0)
        base_brier, base_log_loss = (
            table.brier(share[table.group]),
            table.log_loss(share[table.group]),
        )
    else:
        notes.append(say("advice.all_outcomes_are_of_one_board"))
    brier = table.brier(table.chance)
    curve = IsotonicRegression(y_min=0.0, y_max=1.0, out_of_bounds="clip")
    right = curve.fit_transform(table.chance, table.came, sample_weight=table.count)
    return TrackRecord(
        count=counted,
        groups=groups,
        overall=_row(table),
        rows=tuple(_row(table.where(place == number)) for number in np.unique(place)),
        brier=brier,
        brier_error=error,
        log_loss=table.log_loss(table.chance),
        base_brier=base_brier,
        base_log_loss=base_log_loss,
        miscalibration=max(brier - table.brier(right), 0.0),
        notes=tuple(notes),
    )


def _row(table: _Table) -> StatedRow:
    total, hits = float(table.count.sum()), float(table.count @ table.came)
    worth = total / _design_effect(table)
    share, tail = hits / total, 0.5 * (1.0 - _COVERS)
    # Jeffreys's interval; at none and at all it reaches 0 and 1.
    of = (share * worth + 0.5, (1.0 - share) * worth + 0.5)
    low = 0.0 if share <= 0.0 else float(betaincinv(*of, tail))
    high = 1.0 if share >= 1.0 else float(betaincinv(*of, 1.0 - tail))
    return StatedRow(
        stated=float(np.average(table.chance, weights=table.count)),
        came=share,
        # Few outcomes worth less than one pull the interval off the share itself.
        low=min(low, share),
        high=max(high, share),
        count=int(total),
        groups=table.groups,
    )


def _design_effect(table: _Table) -> float:
    """How many outcomes are worth one independent one, at least 1 [-].

    Compares the spread of sums over groups with the spread of single outcomes, both of what came
    less what was stated: chances that differ between groups must not count as groups that differ.
    """
    groups, total = table.groups, float(table.count.sum())
    if groups < 2:
        return 1.0
    residual = table.came - table.chance
    residual = residual - float(table.count @ residual) / total
    between = float((table.by_group(residual) ** 2).sum()) * groups / (groups - 1.0)
    alone = float(table.count @ residual**2) * total / (total - 1.0)
    return max(between / alone, 1.0) if alone > 0 else 1.0


def _left_out_error(table: _Table) -> float:
    """Standard error of the Brier score: the jackknife that leaves out one group at a time."""
    distances = table.by_group((table.chance - table.came) ** 2)
    counts = table.by_group(np.ones(len(table.came)))
    scores = (distances.sum() - distances) / (counts.sum() - counts)
    spread = float(((scores - scores.mean()) ** 2).sum())
    return float(np.sqrt((table.groups - 1.0) / table.groups * spread))
