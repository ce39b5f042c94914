"""The one kernel: the chance of a grade from a latent, cut points and a scatter.

Every response here, of cut, char and mark alike, is a latent y = critical − α + σ ε, ε ~ N(0, 1),
and a grade that counts how many of the rising cut points y lies above. α is the location that a
sheet shares; everything else that the grade depends on is in ``critical``. An ordered probit
regression is the same with a linear ``critical``, σ = 1, coupons of one length and no misreading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from calib.fit.levels import alike, blurred, ends, grid_around
from calib.fit.numerics import normal_below

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Chances that are worked at once: so many stay where the processor is quick.
_AT_ONCE = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Latent:
    """What M shape points say whatever α is.

    ``critical`` (M, n) is the α at which each reading is on cut point 0 [ln W]; ``scatter`` σ and
    ``shared`` τ (M,); ``cuts`` (M, K), rising [ln W]. ``next_step`` (M, n) is ``critical`` of the
    step of a stair that failed, -inf where none did; None without stairs.
    """

    critical: Array
    scatter: Array
    shared: Array
    cuts: Array
    next_step: Array | None = None

    def some(self, points: npt.NDArray[np.int64]) -> Latent:
        """Of some points only."""
        return Latent(
            critical=self.critical[points],
            scatter=self.scatter[points],
            shared=self.shared[points],
            cuts=self.cuts[points],
            next_step=None if self.next_step is None else self.next_step[points],
        )

    def of_rows(self, rows: Ints) -> Latent:
        """For some readings only."""
        following = None if self.next_step is None else self.next_step[:, rows]
        return replace(self, critical=self.critical[:, rows], next_step=following)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was read: n distinct readings, and how often each came in each of G sessions.

    ``grade`` and ``length`` (n,): the path over a coupon's, along all of which the top grade is
    reached, so that its chance is raised to that power; ``ln_whole`` (n,) is the ln chance that no
    defect spoils it. ``count`` (G, n); ``lots`` names the lot of each session, ``lot_scale`` is how
    much lots differ [ln W]. ``stair`` (n,) are readings of stairs, None without any; each has an
    offset of its own, the same for all its steps, of a standard deviation ``stair_sd`` [ln W].
    """

    grade: Ints
    count: Array
    length: Array
    ln_whole: Array
    misread: float
    stair: npt.NDArray[np.bool_] | None = None
    stair_sd: float = 0.0
    lots: tuple[str, ...] = ("",)
    lot_scale: float = 0.0

    def of_rows(self, rows: Ints) -> Readings:
        """Some of them only."""
        return replace(
            self,
            grade=self.grade[rows],
            count=self.count[:, rows],
            length=self.length[rows],
            ln_whole=self.ln_whole[rows],
            stair=None if self.stair is None else self.stair[rows],
        )


def grade_chances(y: Array, scatter: Array, cuts: Array) -> Array:
    """Chance of each grade, (K + 1, J, n), at latents (J, n); scatter (J,), cuts (J, K)."""
    below = [normal_below((cut[:, None] - y) / scatter[:, None]) for cut in cuts.T]
    steps = np.stack([np.zeros_like(y), *below, np.ones_like(y)])
    return np.asarray(np.maximum(np.diff(steps, axis=0), 0.0))


def log_chances(latent: Latent, readings: Readings, location: Array) -> Array:
    """Sum of count × ln chance of what was read in each session, (G, M, A), at α (M, A).

    The chance of a reading is that of reaching its grade less that of reaching the next one, and of
    a stair that of its step less that of the step that failed. The chance of the top grade is that
    of the whole path.
    """
    n, (shapes, nodes) = len(readings.grade), location.shape
    top = latent.cuts.shape[1]
    stair = np.zeros(n, dtype=bool) if readings.stair is None else readings.stair
    # First those of the lowest grade, which is always reached, last those above which is nothing.
    lowest, highest = readings.grade == 0, (readings.grade == top) & ~stair
    order = np.argsort(1 - lowest.astype(int) + highest, kind="stable")
    least, most = slice(int(lowest.sum()), n), slice(0, n - int(highest.sum()))
    grade, stair = readings.grade[order], stair[order]
    critical = latent.critical[:, order]
    beyond = critical
    if latent.next_step is not None:
        beyond = np.where(stair & (grade > 0), latent.next_step[:, order], critical)
    # Of a stair all of which failed the first step is the one that failed, at the top grade's cut.
    next_cut = np.where(stair, grade - 1, grade)
    sharp = 1.0 / latent.scatter[:, None]
    edges = np.concatenate([
        critical[:, least] - latent.cuts[:, grade[least] - 1],
        beyond[:, most] - latent.cuts[:, next_cut[most]],
    ], axis=1)  # fmt: skip
    edges = np.ascontiguousarray((edges * sharp).T)
    reading = np.concatenate([order[least], order[most]])
    whole_path = np.concatenate([grade[least] == top, next_cut[most] == top - 1])
    blunted = np.concatenate([stair[least], stair[most]])
    whole_path &= ~blunted
    length = np.where(whole_path, readings.length[reading], 1.0)
    whole = np.exp(np.where(whole_path, readings.ln_whole[reading], 0.0))[:, None, None]
    place = location * sharp
    found = np.zeros((len(readings.count), shapes, nodes))
    count = readings.count[:, order]
    told = [(np.flatnonzero(times), times[times > 0]) for times in count]
    step = max(_AT_ONCE // max(n * nodes, 1), 1)
    for start in range(0, shapes if n else 0, step):
        part = slice(start, start + step)
        above = edges[:, part, None] - place[part]
        if blunted.any():
            above[blunted] /= np.hypot(1.0, readings.stair_sd * sharp[part])
        reached = normal_below(above)
        for long in np.flatnonzero(length != 1.0):
            reached[long] = np.exp(length[long] * log_ndtr(above[long]))
        reached *= whole
        chance = np.ones((n, *reached.shape[1:]))
        chance[least] = reached[: n - least.start]
        chance[most] -= reached[n - least.start :]
        # A path shorter than a coupon may drop more surely than a coupon hangs.
        np.maximum(chance, 0.0, out=chance)
        if readings.misread:
            chance *= 1.0 - readings.misread
            chance += readings.misread / (top + 1)
        logs = np.log(chance, out=chance).reshape(n, -1)
        for own, (rows, times) in zip(found, told, strict=True):
            own[part] = (times @ logs[rows]).reshape(-1, nodes)
    return found


def log_likelihood(latent: Latent, readings: Readings, location: Array) -> Array:
    """Log-likelihood (M, A) at α (M, A), what each session and each lot shares integrated out.

    Sessions stand within lots, lots within the sheet; each level is a sum along one even grid of
    locations. A single session shares nothing that α doesn't hold.
    """
    if len(readings.lots) == 1:
        return np.asarray(log_chances(latent, readings, location)[0])
    several = len(set(readings.lots)) > 1
    scale = readings.lot_scale if several else 0.0
    # A session of many readings is a peak so much narrower than one reading's own.
    finest = latent.scatter / np.sqrt(max(1.0, readings.count.sum(axis=1).max() / 40.0))
    return _along_a_grid(latent, readings, location, finest, scale)


def lot_likelihood(latent: Latent, readings: Readings, location: Array, lot: str) -> Array:
    """Log-likelihood of a lot's own location (M, A), its sessions integrated out."""
    mine = [group for group, own in enumerate(readings.lots) if own == lot]
    only = replace(readings, count=readings.count[mine], lots=(lot,) * len(mine))
    return _along_a_grid(latent, only, location, latent.scatter, 0.0)


def _along_a_grid(
    latent: Latent, readings: Readings, location: Array, finest: Array, lot_scale: float
) -> Array:
    more = ends(latent.shared, lot_scale)
    found = np.empty(location.shape)
    for points in alike(location, finest, more):
        part = latent.some(points)
        grid = grid_around(location[points], finest[points], more[points])
        sessions = blurred(log_chances(part, readings, grid.nodes), grid.normal(part.shared))
        told = np.zeros(grid.nodes.shape)
        for lot in sorted(set(readings.lots)):
            own = sessions[[name == lot for name in readings.lots]].sum(axis=0)
            told += blurred(own, grid.student(lot_scale)) if lot_scale else own
        found[points] = grid.read_off(told, location[points])
    return found
