"""How far burns made now lie from what a region expects, as a shift of the reach.

A fouled lens and another set-up both do the same to the cut model: they move every reach by one
number, as another lot does. The likelihood is the fit's own, at draws of what the region doesn't
know, with what a sitting shares integrated out as the fit does it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord
from calib.fit import cut_fit
from calib.fit.cut import cut_data
from calib.fit.levels import Grid, blurred
from calib.fit.region import Region
from calib.records import Burn

Array = npt.NDArray[np.float64]

# Shifts that are looked at [ln W]: from half the power to a third more, in steps below any scatter.
SHIFTS = np.linspace(-0.7, 0.3, 101)
_STEP = float(SHIFTS[1] - SHIFTS[0])
# Draws of the region's posterior; a chance of a shift is then right to about 0.01.
DRAWS = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftLikelihood:
    """Likelihood of the shift, scaled, (J, shifts), at draws of what the region doesn't know."""

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
    region: Region, burns: Sequence[Burn], points: cut_fit.CutPoints | None = None
) -> ShiftLikelihood:
    """Likelihood of a shift of the reach at ``SHIFTS``, from cuts of one sitting of its own.

    ``points`` from ``draws_of`` where several sittings are judged; None: drawn here.
    """
    prior = need_cut(region).prior
    points = draws_of(region) if points is None else points
    data = cut_data(region.machine, burns, prior)
    if not len(data.grade):
        raise InvalidRecord(f"burns hold {len(burns)} burns and no cut that was read: read them.")
    # What shifts the reach up shifts the location down.
    told = cut_fit.log_chances(points.shape, points.location[:, None] - SHIFTS, data, prior)
    alike = np.ones(len(points.weight))
    grid = Grid(first=alike * SHIFTS[0], step=alike * _STEP, count=len(SHIFTS))
    told = blurred(told, grid.normal(points.shape.shared))
    return ShiftLikelihood(points=points, values=np.exp(told - told.max()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shifted:
    """Posterior of the shift: weights that sum to one, (shifts,)."""

    weight: Array

    def chance_below(self, shift: float) -> float:
        """Chance that the shift lies below a value [ln W]; the node's own half counts."""
        mass = np.clip((shift - SHIFTS) / _STEP + 0.5, 0.0, 1.0)
        return float(self.weight @ mass)

    def quantile(self, share: float) -> float:
        """Shift below which so much of the posterior lies [ln W]."""
        middle = np.cumsum(self.weight) - 0.5 * self.weight
        return float(np.interp(share, middle, SHIFTS))


def normal_weights(mean: float, sd: float) -> Array:
    """Weights of a normal at ``SHIFTS``, summing to one."""
    weight = np.exp(-0.5 * ((SHIFTS - mean) / sd) ** 2)
    return np.asarray(weight / weight.sum())


def percent(shift: float) -> float:
    """A shift as a change of effective power [%]."""
    return 100.0 * float(np.expm1(shift))
