"""What is asked of a setting, and the chances and margins that a region gives for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt

from calib.advice.recommendation import Recommendation
from calib.fit.fits import fit
from calib.fit.model import columns_of
from calib.fit.region import Region
from calib.jobs.pushes import pushes_interval, pushes_of
from calib.materials import expected_response
from calib.physics import mean_coupon_speed_mm_s
from calib.records import COUPON_CUT_MM, Setting
from calib.records.advice import RegionWish
from calib.records.fields import record, says

Array = npt.NDArray[np.float64]
Columns = Sequence[Array]  # power, speed, passes and line pitch of settings, as ``columns_of``

# Doubt of how the power needed grows with thickness is larger than this floor of its exponent.
_LEAST_THICKNESS_EXPONENT = 0.5


@record
class Wish(RegionWish):
    """What is asked of a setting, with what follows from the evidence."""

    priced: Annotated[Any, says("The priced job of the cheapest.")] = None
    asked: Annotated[float | None, says("Asked for where no more than reliability holds.")] = None
    least_exactly: Annotated[
        float | None, says("For marks, the fastest with that chance of the grade.")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """The chances that a region gives for a wish, (n,) for n settings."""

    region: Region
    wish: Wish

    def through(self, at: Columns) -> Array:
        """Chance that the coupon or job drops."""
        wish, (power, speed, passes, _) = self.wish, at
        length, other = wish.cut_length_mm, wish.next_sheet
        return np.asarray(self.region.chance_through(power, speed, passes, length, other))

    def char_fine(self, at: Columns) -> Array:
        """Chance that a cut coupon is no blacker than the limit; 1 without a limit."""
        worst = self.wish.char_at_most
        if worst is None:
            return np.ones(len(at[0]))
        return np.asarray(self.region.chance_char_at_most(worst, *at[:3]))

    def exactly(self, at: Columns) -> Array:
        """Chance that a mark comes out at a wanted grade."""
        return np.asarray(self.region.chance_mark(self.wish.mark, *at))

    def asked(self, at: Columns) -> Array:
        """Chance that must meet the reliability.

        For cuts the chance of char is conditional on being cut, so that the joint chance is the
        product; for marks it is the chance of going no deeper than wanted.
        """
        if self.region.operation != "cut":
            return np.asarray(self.region.chance_mark_at_most(self.wish.mark, *at))
        return self.through(at) * self.char_fine(at)

    def single(self, at: Setting) -> float:
        """The chance that must meet the reliability, for one setting."""
        return float(self.asked(columns_of([at]))[0])


def describe(chances: Chances, at: Setting) -> Recommendation:
    """Everything that is said of a setting."""
    region, wish = chances.region, chances.wish
    columns = columns_of([at])
    scope = "sheet" if wish.next_sheet else "coupon"
    rec = Recommendation(
        operation=region.operation,
        power_pct=at.power_pct,
        speed_mm_s=at.speed_mm_s,
        passes=at.passes,
        line_pitch_mm=at.line_pitch_mm,
        aim=wish.aim,
        reliability=wish.asked or wish.reliability,
        scope=scope if wish.cut_length_mm is None else "job",
        chance=chances.single(at),
        cut_length_mm=wish.cut_length_mm,
    )
    if region.operation != "cut":
        exactly = float(chances.exactly(columns)[0])
        return replace(rec, chance=exactly, chance_not_deeper=rec.chance, mark=wish.mark)
    if wish.char_at_most is not None:
        both = float(chances.through(columns)[0] + chances.char_fine(columns)[0])
        rec = replace(rec, char_at_most=wish.char_at_most, chance_at_least=max(0.0, both - 1.0))
    margin = float(region.median_reach(at.power_pct, at.speed_mm_s, at.passes))
    response = expected_response(region.sheet.material, region.machine.source)
    exponent = max(1.0 + response.thickness_exponent, _LEAST_THICKNESS_EXPONENT)
    thickness = region.sheet.working_thickness_mm
    rec = replace(
        rec,
        expected_char=float(region.expected_char(at.power_pct, at.speed_mm_s, at.passes)),
        energy_margin_pct=100.0 * float(np.expm1(margin)),
        power_loss_survived_pct=-100.0 * float(np.expm1(-margin)),
        extra_thickness_survived_mm=thickness * float(np.expm1(margin / exponent)),
    )
    return _with_pushes(rec, chances, at)


def _with_pushes(rec: Recommendation, chances: Chances, at: Setting) -> Recommendation:
    """Parts that need help, per hour of cutting and for the job's length, defects included."""
    region, length = chances.region, chances.wish.cut_length_mm
    setting = (at.power_pct, at.speed_mm_s, at.passes)
    hanging = 1.0 - region.chance_through(*setting, next_sheet=chances.wish.next_sheet)
    per_mm = hanging / COUPON_CUT_MM + region.defects_per_m / 1000.0
    acceleration = region.machine.working_acceleration_mm_s2
    hour_mm = 3600.0 * float(mean_coupon_speed_mm_s(at.speed_mm_s, acceleration)) / at.passes
    coupons = hour_mm / COUPON_CUT_MM
    rec = replace(rec, pushes_per_hour=per_mm * hour_mm, coupons_per_hour=coupons)
    if length is None:
        return rec
    pushes, places = pushes_of(region, at, length), length / COUPON_CUT_MM
    return replace(
        rec,
        expected_pushes=pushes.expected + pushes.defects,
        expected_pushes_interval=pushes_interval(
            *region.failing_draws(*setting), places, pushes.defects
        ),
        expected_defects=pushes.defects,
        chance_no_push=pushes.chance_no_push,
        chance_no_help=pushes.chance_no_help,
    )


def doubled_scatter(region: Region) -> Region:
    """The region had the scatter assumed before the burns been twice as large."""
    assert region.cut is not None
    prior = replace(region.cut.prior, scatter_ln=region.cut.prior.scatter_ln + float(np.log(2.0)))
    burns = (*region.burns, *region.other_air)
    return replace(region, cut=fit(region.machine, burns, prior, "cut"))
