"""The chances that stand behind a recommendation, and everything that is said beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import pdtr

from calib.advise.recommendation import Recommendation
from calib.fit import cut_fit
from calib.fit.cut import points_of
from calib.fit.region import Region
from calib.materials import expected_response
from calib.physics import mean_coupon_speed_mm_s
from calib.records import COUPON_CUT_MM, Setting

Array = npt.NDArray[np.float64]

SECONDS_PER_HOUR = 3600.0
# Doubt of how the power needed grows with thickness is larger than this floor of its exponent.
_LEAST_THICKNESS_EXPONENT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Promised:
    """A region together with what is promised of it."""

    region: Region
    char_at_most: int | None
    mark: int
    cut_length_mm: float | None
    next_sheet: bool

    @property
    def scope(self) -> str:
        """Which of the three promises it is."""
        if self.cut_length_mm is not None:
            return "job"
        return "sheet" if self.next_sheet else "coupon"

    def through(self, power: Array, speed: Array, passes: Array) -> Array:
        """Chance that the coupon or job drops, (n,)."""
        chance = self.region.chance_through(
            power, speed, passes, self.cut_length_mm, self.next_sheet
        )
        return np.asarray(chance)

    def char_fine(self, power: Array, speed: Array, passes: Array) -> Array:
        """Chance that a cut coupon is no blacker than the limit, (n,); 1 without a limit."""
        if self.char_at_most is None:
            return np.ones(len(power))
        return np.asarray(self.region.chance_char_at_most(self.char_at_most, power, speed, passes))

    def exactly(self, power: Array, speed: Array, passes: Array, pitch: float | None) -> Array:
        """Chance that a mark comes out at exactly the wanted grade, (n,)."""
        return np.asarray(self.region.chance_mark(self.mark, power, speed, passes, pitch))

    def reliability_of(
        self, power: Array, speed: Array, passes: Array, pitch: float | None
    ) -> Array:
        """Chance that must meet the reliability, (n,).

        For cuts the chance of char is conditional on being cut, so that the joint chance is the
        product; for marks it is the chance of going no deeper than wanted.
        """
        if self.region.operation != "cut":
            return np.asarray(
                self.region.chance_mark_at_most(self.mark, power, speed, passes, pitch)
            )
        return self.through(power, speed, passes) * self.char_fine(power, speed, passes)

    def single(self, at: Setting) -> float:
        """The chance that must meet the reliability, for one setting."""
        return float(self.reliability_of(*columns(at), at.line_pitch_mm)[0])


def columns(at: Setting) -> tuple[Array, Array, Array]:
    """One setting as power, speed and passes, (1,) each."""
    return np.array([at.power_pct]), np.array([at.speed_mm_s]), np.array([float(at.passes)])


def describe(
    promised: Promised, aim: str, reliability: float | None, at: Setting
) -> Recommendation:
    """Everything that is said of a setting."""
    rec = Recommendation(
        operation=promised.region.operation,
        power_pct=at.power_pct,
        speed_mm_s=at.speed_mm_s,
        passes=at.passes,
        line_pitch_mm=at.line_pitch_mm,
        aim=aim,
        reliability=reliability,
        scope=promised.scope,
        chance=promised.single(at),
        cut_length_mm=promised.cut_length_mm,
    )
    if promised.region.operation != "cut":
        return _with_marks(rec, promised, at)
    return _with_pushes(_with_margins(_with_char(rec, promised, at), promised, at), promised, at)


def _with_marks(rec: Recommendation, promised: Promised, at: Setting) -> Recommendation:
    exactly = float(promised.exactly(*columns(at), at.line_pitch_mm)[0])
    return replace(rec, chance=exactly, chance_not_deeper=rec.chance, mark=promised.mark)


def _with_char(rec: Recommendation, promised: Promised, at: Setting) -> Recommendation:
    expected = float(promised.region.expected_char(at.power_pct, at.speed_mm_s, at.passes))
    if promised.char_at_most is None:
        return replace(rec, expected_char=expected)
    both = promised.through(*columns(at))[0] + promised.char_fine(*columns(at))[0]
    return replace(
        rec,
        expected_char=expected,
        char_at_most=promised.char_at_most,
        chance_at_least=max(0.0, float(both) - 1.0),
    )


def _with_margins(rec: Recommendation, promised: Promised, at: Setting) -> Recommendation:
    """Spare energy, and what it stands for: a power loss, or more thickness."""
    region = promised.region
    margin = float(region.median_reach(at.power_pct, at.speed_mm_s, at.passes))
    response = expected_response(region.sheet.material, region.machine.source)
    exponent = max(1.0 + response.thickness_exponent, _LEAST_THICKNESS_EXPONENT)
    thickness = region.sheet.working_thickness_mm
    return replace(
        rec,
        energy_margin_pct=100.0 * float(np.expm1(margin)),
        power_loss_survived_pct=-100.0 * float(np.expm1(-margin)),
        extra_thickness_survived_mm=thickness * float(np.expm1(margin / exponent)),
    )


def _with_pushes(rec: Recommendation, promised: Promised, at: Setting) -> Recommendation:
    """Parts that need help, per hour of cutting and for the job's length, defects included."""
    hour_mm = SECONDS_PER_HOUR * cut_speed_mm_s(promised.region, at) / at.passes
    rate = pushes_per_mm(promised, at)
    weight = _points(promised).weight
    rec = replace(rec, pushes_per_hour=float(weight @ rate) * hour_mm)
    if promised.cut_length_mm is None:
        return rec
    mean = rate * promised.cut_length_mm
    no_push = float(promised.through(*columns(at))[0])
    defects = promised.region.defects_per_m * promised.cut_length_mm / 1000.0
    return replace(
        rec,
        expected_pushes=float(weight @ mean),
        expected_pushes_interval=_mixed_poisson(weight, mean),
        expected_defects=defects,
        chance_no_push=no_push,
        chance_no_help=no_push * float(np.exp(-defects)),
    )


def cut_speed_mm_s(region: Region, at: Setting) -> float:
    """Mean speed along a coupon at a setting [mm/s]."""
    return float(mean_coupon_speed_mm_s(at.speed_mm_s, region.machine.working_acceleration_mm_s2))


def _points(promised: Promised) -> cut_fit.CutPoints:
    fit = promised.region.cut
    assert fit is not None
    return fit.elsewhere if promised.next_sheet else fit.here


def pushes_per_mm(promised: Promised, at: Setting) -> Array:
    """Expected pushes per length at each posterior point, (J,) [1/mm].

    A coupon's length is one chance to hang; defects come on top.
    """
    region = promised.region
    assert region.cut is not None
    points = _points(promised)
    where = points_of(region.machine, columns(at), region.cut.prior.speed0_mm_s)
    failing = 1.0 - cut_fit.through_by_point(points, where)[:, 0]
    return np.asarray(failing / COUPON_CUT_MM + region.defects_per_m / 1000.0)


def _mixed_poisson(weight: Array, mean: Array) -> tuple[float, float]:
    """Central 90 % interval of counts that are Poisson given each point's mean."""
    found = []
    for share in (0.05, 0.95):
        low, high = -1, int(np.max(mean) + 10.0 * np.sqrt(np.max(mean) + 1.0)) + 5
        while high - low > 1:
            middle = (low + high) // 2
            if weight @ pdtr(middle, np.maximum(mean, 1e-12)) >= share:
                high = middle
            else:
                low = middle
        found.append(float(high))
    return found[0], found[1]


def doubled_scatter(region: Region) -> Region:
    """The region had the scatter assumed before the burns been twice as large."""
    assert region.cut is not None
    prior = replace(region.cut.prior, scatter_ln=region.cut.prior.scatter_ln + float(np.log(2.0)))
    return replace(region, cut=cut_fit.fit_cut(region.machine, region.burns, prior))
