"""The one kernel: the chance of a grade from a latent, cut points and a scatter.

Every response here, of cut, char and mark alike, is a latent y = critical − α + σ ε, ε ~ N(0, 1),
and a grade that counts how many of the rising cut points y lies above. α is the location that a
sheet shares; everything else that the grade depends on is in ``critical``. An ordered probit
regression is the same with a linear ``critical``, σ = 1, coupons of one length and no misreading.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtr

from calib.fit.levels import alike, blurred, ends, grid_around

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# A product of so many chances, none below a misreading's 1/500, stays far from underflow.
_FACTORS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Latent:
    """What M shape points say whatever α is.

    ``critical`` (M, n) is the α at which each reading is on cut point 0 [ln W]; ``scatter`` σ and
    ``shared`` τ (M,); ``cuts`` (M, K), rising [ln W].
    """

    critical: Array
    scatter: Array
    shared: Array
    cuts: Array

    def some(self, points: npt.NDArray[np.int64]) -> Latent:
        """Of some points only."""
        return Latent(
            critical=self.critical[points],
            scatter=self.scatter[points],
            shared=self.shared[points],
            cuts=self.cuts[points],
        )

    def of_rows(self, rows: Ints) -> Latent:
        """For some readings only."""
        return replace(self, critical=self.critical[:, rows])


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was read, (n,) each: ``grade``, ``count`` and ``group``, its session.

    ``length`` is the path over a coupon's: the top grade is reached along all of it, so that its
    chance is raised to that power. ``ln_whole`` is the ln chance that no defect spoils the top
    grade. ``lots`` names the lot of each group, and ``lot_scale`` how much lots differ [ln W].
    """

    grade: Ints
    count: Array
    group: Ints
    length: Array
    ln_whole: Array
    misread: float
    lots: tuple[str, ...] = ("",)
    lot_scale: float = 0.0
    rows_of: dict[int, Ints] = field(init=False)

    def __post_init__(self) -> None:
        rows = {int(g): np.flatnonzero(self.group == g) for g in np.unique(self.group)}
        object.__setattr__(self, "rows_of", rows)

    def of_rows(self, rows: Ints) -> Readings:
        """Some of them only."""
        return replace(
            self,
            grade=self.grade[rows],
            count=self.count[rows],
            group=self.group[rows],
            length=self.length[rows],
            ln_whole=self.ln_whole[rows],
        )

    def largest_session(self) -> float:
        """Readings in the largest session."""
        return max((float(self.count[rows].sum()) for rows in self.rows_of.values()), default=0.0)


def grade_chances(y: Array, scatter: Array, cuts: Array) -> Array:
    """Chance of each grade, (K + 1, J, n), at latents (J, n); scatter (J,), cuts (J, K)."""
    below = [ndtr((cut[:, None] - y) / scatter[:, None]) for cut in cuts.T]
    steps = np.stack([np.zeros_like(y), *below, np.ones_like(y)])
    return np.asarray(np.maximum(np.diff(steps, axis=0), 0.0))


def log_chances(
    latent: Latent, readings: Readings, location: Array, rows: Ints | None = None
) -> Array:
    """Sum over rows (None: all) of count × ln chance of what was read, (M, A), at α (M, A)."""
    top = latent.cuts.shape[1]
    sharp = 1.0 / latent.scatter[:, None]
    critical, cuts = latent.critical * sharp, latent.cuts * sharp
    place = location * sharp
    total, product, waiting = np.zeros(location.shape), np.ones(location.shape), 0.0
    for row in range(len(readings.grade)) if rows is None else rows:
        y = critical[:, row : row + 1] - place
        grade, length, whole = readings.grade[row], readings.length[row], readings.ln_whole[row]
        under = ndtr(cuts[:, [grade - 1]] - y) if 0 < grade < top else 0.0
        if grade == top or (grade == top - 1 and (length != 1.0 or whole != 0.0)):
            above = y - cuts[:, [top - 1]]
            reached = (
                ndtr(above) * np.exp(whole)
                if length == 1.0
                else np.exp(length * log_ndtr(above) + whole)
            )
            # A path shorter than a coupon may drop more surely than a coupon hangs.
            chance = reached if grade == top else np.maximum(1.0 - under - reached, 0.0)
        else:
            chance = ndtr(cuts[:, [grade]] - y) - under
        if readings.misread:
            chance = (1.0 - readings.misread) * chance + readings.misread / (top + 1)
        count = readings.count[row]
        if count > _FACTORS or not readings.misread:
            total += count * np.log(chance)
            continue
        if waiting + count > _FACTORS:
            total += np.log(product)
            product[...], waiting = 1.0, 0.0
        product *= chance if count == 1.0 else chance**count
        waiting += count
    return np.asarray(total + np.log(product) if waiting else total)


def log_likelihood(latent: Latent, readings: Readings, location: Array) -> Array:
    """Log-likelihood (M, A) at α (M, A), what each session and each lot shares integrated out.

    Sessions stand within lots, lots within the sheet; each level is a sum along one even grid of
    locations. A single session shares nothing that α doesn't hold.
    """
    if len(readings.rows_of) <= 1:
        return log_chances(latent, readings, location)
    several = len(set(readings.lots)) > 1
    scale = readings.lot_scale if several else 0.0
    more = ends(latent.shared, scale)
    # A session of many readings is a peak so much narrower than one reading's own.
    finest = latent.scatter / np.sqrt(max(1.0, readings.largest_session() / 40.0))
    found = np.empty(location.shape)
    for points in alike(location, finest, more):
        part = latent.some(points)
        grid = grid_around(location[points], finest[points], more[points])
        kernel = grid.student(scale) if scale else None
        told = np.zeros(grid.nodes.shape)
        for lot in sorted(set(readings.lots)):
            own = lot_likelihood(part, readings, grid.nodes, grid.normal(part.shared), lot)
            told += own if kernel is None else blurred(own, kernel)
        found[points] = grid.read_off(told, location[points])
    return found


def lot_likelihood(
    latent: Latent, readings: Readings, nodes: Array, kernel: Array, lot: str
) -> Array:
    """Log-likelihood of a lot's own location at even nodes (M, K), its sessions integrated out."""
    total = np.zeros(nodes.shape)
    for group, rows in readings.rows_of.items():
        if readings.lots[group] == lot:
            total += blurred(log_chances(latent, readings, nodes, rows), kernel)
    return total


def lot_likelihood_at(latent: Latent, readings: Readings, location: Array, lot: str) -> Array:
    """The same at any locations, (M, A)."""
    more = ends(latent.shared, 0.0)
    told = np.empty(location.shape)
    for points in alike(location, latent.scatter, more):
        part = latent.some(points)
        grid = grid_around(location[points], part.scatter, more[points])
        own = lot_likelihood(part, readings, grid.nodes, grid.normal(part.shared), lot)
        told[points] = grid.read_off(own, location[points])
    return told
