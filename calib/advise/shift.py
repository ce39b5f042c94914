"""How far a few new burns lie from what a region expects, as a shift of the reach.

A new lot, a fouled lens and another set-up all do the same to the cut model: they move every reach
by one number. What the region doesn't know of the edge is kept, point by point, and so is what a
sitting shares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from calib.errors import InvalidRecord
from calib.fit import cut_fit
from calib.fit.cut import points_of
from calib.fit.priors import MISREAD
from calib.fit.region import Region
from calib.records import COUPON_CUT_MM, THROUGH_GRADES, Burn, Setting

Array = npt.NDArray[np.float64]

# Shifts that are looked at [ln W]: from half the power to a third more, in steps below any scatter.
SHIFTS = np.linspace(-0.7, 0.3, 101)
_STEP = float(SHIFTS[1] - SHIFTS[0])
# Draws of the region's posterior; a chance of a shift is then right to about 0.01.
DRAWS = 600
# Classes of what a sitting shares, so that few blurs do for all draws.
_BLURS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftLikelihood:
    """Likelihood of the shift at draws of what the region doesn't know.

    Parameters
    ----------
    points
        Draws of the region's posterior.
    values
        Likelihood, scaled, (J, shifts).
    """

    points: cut_fit.CutPoints
    values: Array

    @property
    def marginal(self) -> Array:
        """Likelihood of the shift with everything else averaged out, (shifts,)."""
        return np.asarray(self.points.weight @ self.values)


def need_cut(region: Region) -> cut_fit.CutFit:
    """The region's fit of the cut, or a refusal."""
    if region.cut is None:
        raise InvalidRecord(
            f"Region.operation is {region.operation!r}: a shift is judged on cuts, whose edge is"
            " sharp. Fit the region of the cut."
        )
    return region.cut


def draws_of(region: Region) -> cut_fit.CutPoints:
    """Even draws of a region's posterior, always the same ones."""
    return cut_fit.thinned(need_cut(region).here, DRAWS)


def shift_likelihood(
    region: Region,
    burns: Sequence[Burn],
    *,
    another_sitting: bool = True,
    points: cut_fit.CutPoints | None = None,
) -> ShiftLikelihood:
    """Likelihood of a shift of the reach, from burns of one sitting.

    Parameters
    ----------
    region
        What is expected without a shift; of cuts.
    burns
        Cuts of one sitting, read.
    another_sitting
        True when the set-up may differ from the region's as sittings do: the shift is then apart
        from that.
    points
        From ``draws_of``, where several sittings are judged; None: drawn here.

    Returns
    -------
    ShiftLikelihood
        At the shifts of ``SHIFTS``.

    Raises
    ------
    InvalidRecord
        When no cut among the burns was read.
    """
    points = draws_of(region) if points is None else points
    read = [b for b in burns if b.operation == "cut" and b.through is not None]
    if not read:
        raise InvalidRecord(f"burns hold {len(burns)} burns and no cut that was read: read them.")
    setting = [np.array([getattr(b, name) for b in read], float) for name in _COLUMNS]
    at = points_of(region.machine, setting, need_cut(region).prior.speed0_mm_s)
    reach = cut_fit.reach(points, at)
    total = np.zeros((len(points.weight), len(SHIFTS)))
    for column, burn in enumerate(read):
        total += burn.count * np.log(_read_chance(points, reach[:, [column]] + SHIFTS, burn))
    values = np.exp(total - total.max())
    if another_sitting:
        values = blurred(values, points.shape.shared)
    return ShiftLikelihood(points=points, values=values)


_COLUMNS = ("power_pct", "speed_mm_s", "passes")


def _read_chance(points: cut_fit.CutPoints, reach: Array, burn: Burn) -> Array:
    """Chance of what was read, misreading included, (J, shifts)."""
    sigma = points.shape.scatter[:, None]
    no = ndtr((-reach - points.shape.band[:, None]) / sigma)
    through = ndtr(reach / sigma) ** ((burn.cut_length_mm or COUPON_CUT_MM) / COUPON_CUT_MM)
    grade = THROUGH_GRADES.index(burn.through or "no")
    chance = (no, 1.0 - no - through, through)[grade]
    return (1.0 - MISREAD) * np.maximum(chance, 0.0) + MISREAD / 3.0


def blurred(values: Array, shared: Array) -> Array:
    """Average over what the sitting shares, N(0, τ) at each draw; by classes of τ."""
    edges = np.quantile(shared, np.linspace(0.0, 1.0, _BLURS + 1)[1:-1])
    group = np.searchsorted(edges, shared)
    found = np.empty_like(values)
    apart = SHIFTS[:, None] - SHIFTS[None, :]
    for k in range(_BLURS):
        mine = group == k
        if not mine.any():
            continue
        tau = max(float(np.sqrt((shared[mine] ** 2).mean())), 0.2 * _STEP)
        kernel = np.exp(-0.5 * (apart / tau) ** 2)
        found[mine] = values[mine] @ (kernel / kernel.sum(axis=0))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Shifted:
    """Posterior of the shift, together with what the region doesn't know.

    Parameters
    ----------
    region
        What was expected.
    points
        Draws of its posterior.
    weight
        Joint weights that sum to one, (J, shifts).
    """

    region: Region
    points: cut_fit.CutPoints
    weight: Array

    @property
    def shift_weight(self) -> Array:
        """Weights of the shifts alone, (shifts,)."""
        return np.asarray(self.weight.sum(axis=0))

    def chance_below(self, shift: float) -> float:
        """Chance that the shift lies below a value [ln W]; the node's own half counts."""
        mass = np.clip((shift - SHIFTS) / _STEP + 0.5, 0.0, 1.0)
        return float(self.shift_weight @ mass)

    def quantile(self, share: float) -> float:
        """Shift below which so much of the posterior lies [ln W]."""
        ends = np.cumsum(self.shift_weight)
        middle = ends - 0.5 * self.shift_weight
        return float(np.interp(share, middle, SHIFTS))

    def chance_through(self, at: Setting) -> float:
        """Chance that the next coupon drops at a setting."""
        return float(self.chances_through([at])[0])

    def chances_through(self, settings: Sequence[Setting]) -> Array:
        """Chances that the next coupon drops at settings, (n,)."""
        columns = [np.array([getattr(s, name) for s in settings], float) for name in _COLUMNS]
        speed0 = need_cut(self.region).prior.speed0_mm_s
        reach = cut_fit.reach(self.points, points_of(self.region.machine, columns, speed0))
        z = (reach[:, None, :] + SHIFTS[:, None]) / self.points.shape.scatter[:, None, None]
        return np.asarray(np.einsum("js,jsn->n", self.weight, ndtr(z)))


def posterior_of(region: Region, likelihood: ShiftLikelihood, prior: Array) -> Shifted:
    """Join a likelihood of the shift with its prior.

    Parameters
    ----------
    region
        What was expected.
    likelihood
        From ``shift_likelihood``.
    prior
        Prior weights at ``SHIFTS``, (shifts,), or (J, shifts) at each draw.

    Returns
    -------
    Shifted
        Joint posterior.
    """
    weight = likelihood.points.weight[:, None] * likelihood.values * prior
    return Shifted(region=region, points=likelihood.points, weight=weight / weight.sum())


def normal_weights(mean: float, sd: float) -> Array:
    """Weights of a normal at ``SHIFTS``, summing to one."""
    weight = np.exp(-0.5 * ((SHIFTS - mean) / sd) ** 2)
    return np.asarray(weight / weight.sum())


def student_weights(scale: float, df: float = 4.0) -> Array:
    """Weights of a Student t about 0 at ``SHIFTS``, summing to one."""
    weight = (1.0 + (SHIFTS / scale) ** 2 / df) ** (-0.5 * (df + 1.0))
    return np.asarray(weight / weight.sum())


def percent(shift: float) -> float:
    """A shift as a change of effective power [%]."""
    return 100.0 * float(np.expm1(shift))
