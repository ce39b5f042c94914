"""What one pair's burns say of its edge, its char or its marks, in a few numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from calib.fit import cut, graded
from calib.fit.coarse import (
    Draws,
    Frame,
    Moments,
    Ordinal,
    Weighted,
    below,
    coarse_posterior,
    moments_of,
    score_draws,
)
from calib.fit.priors import MISREAD, CutPrior, GradedPrior, Priors
from calib.physics import delivered_power_w
from calib.records import COUPON_CUT_MM, Burn, Machine, Operation, Sheet

Array = npt.NDArray[np.float64]
Response = Literal["cut", "char", "line_mark", "area_mark"]

# Coupons and parts at least this sure to drop tell of defects when they don't.
_SURE = 0.99
# Share of misread results of a coupon that dropped which come down as something else.
_MISREAD_DROP = MISREAD * 2.0 / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSummary:
    """What the burns of one pair say of one response.

    Parameters
    ----------
    machine, sheet, response
        Of whom and what.
    speed_mm_s
        Speed at which the power needed is compared: in the middle of the burns [mm/s].
    excess
        How much more nominal power than the family's table expects is needed at that speed, as a
        logarithm: what the data alone say.
    table
        The same by the family's table alone.
    draws
        Draws of each shape score that the burns could tell of, by name.
    speed0_mm_s
        The table's reference speed; the score of a floor is its share there [mm/s].
    floor, floor_sd
        Mean share of the power needed at ``speed_mm_s`` that conduction takes, and its standard
        deviation; 0 for graded responses.
    slope
        How much steeper than the table's the power needed rises in ln speed, in the mean; of a
        graded response.
    sure_mm, sure_failures, sure_expected
        Cut path of what was sure to drop, how much of it didn't, and how much of that misreading
        and scatter explain [mm], [-], [-].
    readings
        How many readings it rests on.
    """

    machine: Machine
    sheet: Sheet
    response: Response
    speed_mm_s: float
    speed0_mm_s: float
    excess: Moments
    table: Moments
    draws: Mapping[str, Draws] = field(default_factory=dict)
    floor: float = 0.0
    floor_sd: float = 0.0
    slope: float = 0.0
    sure_mm: float = 0.0
    sure_failures: float = 0.0
    sure_expected: float = 0.0
    readings: int = 0


def pair_summaries(
    machine: Machine, sheet: Sheet, burns: Sequence[Burn], expected: Mapping[Operation, Priors]
) -> list[PairSummary]:
    """Summaries of all responses that a pair's burns tell anything of.

    Parameters
    ----------
    machine, sheet
        The pair.
    burns
        Its burns, any operation and order.
    expected
        Priors from the family's table, for each operation among the burns.

    Returns
    -------
    list of PairSummary
        None for responses without a reading.
    """
    found: list[PairSummary | None] = []
    for operation, priors in expected.items():
        used = [b for b in burns if b.operation == operation]
        if priors.cut is not None:
            found.append(_of_cut(machine, sheet, used, priors.cut))
        if priors.char is not None:
            found.append(_of_grades(machine, sheet, used, priors.char, "char"))
        if priors.mark is not None:
            kind: Response = "line_mark" if operation == "line_mark" else "area_mark"
            found.append(_of_grades(machine, sheet, used, priors.mark, kind))
    return [summary for summary in found if summary is not None]


def nominal_ln_w(ln_full: float, location: float, exponent: float) -> float:
    """Ln power to set [ln W] for a location, which counts in what the power curve gives."""
    return ln_full + (location - ln_full) / exponent


def excess_variance(machine: Machine, prior: CutPrior | GradedPrior) -> float:
    """Variance of the excess at the reference speed before any burn, by the family's table alone.

    Parameters
    ----------
    machine
        Whose full power pivots the power exponent.
    prior
        From the table.

    Returns
    -------
    float
        Variance of a ln nominal power, to first order.
    """
    spread = prior.location_df / (prior.location_df - 2.0) * prior.location_scale**2
    away = prior.location - float(np.log(delivered_power_w(machine, 100.0)))
    curve = (prior.exponent_sd * away / prior.exponent_mean) ** 2
    return float((spread + curve) / prior.exponent_mean**2)


def _middle_ratio(ln_ratio: Array, count: Array) -> float:
    """Speed in the middle of the burns over the reference speed."""
    return float(np.exp(np.average(ln_ratio, weights=count)))


def _excess(
    weighted: Weighted, exponent: Array, ln_ratio_needed: Array, ln_full: float, table: float
) -> Array:
    """Ln nominal power needed at a speed over what the table expects there, (J, A)."""
    needed = weighted.location + ln_ratio_needed[:, None] - ln_full
    return np.asarray(ln_full + needed / exponent[:, None] - table)


def _of_cut(
    machine: Machine, sheet: Sheet, burns: Sequence[Burn], prior: CutPrior
) -> PairSummary | None:
    data = cut.cut_data(machine, burns, prior)
    if len(data.grade) == 0:
        return None
    weighted = coarse_posterior(_ordinal_cut(data, prior))
    shape, full = cut.shape_of(weighted.scores, prior), data.at.ln_full
    ratio = _middle_ratio(np.log(data.at.speed_ratio), data.count)
    needed = shape.floor + (1.0 - shape.floor) * ratio
    table = nominal_ln_w(full, prior.location, prior.exponent_mean) + float(np.log(ratio))
    excess = _excess(weighted, shape.exponent, np.log(needed), full, table)
    usual = prior.floor_a / (prior.floor_a + prior.floor_b)
    more = float(np.log(usual + (1.0 - usual) * ratio)) / prior.exponent_mean - np.log(ratio)
    before = Moments(mean=float(more), variance=excess_variance(machine, prior))
    share = moments_of(weighted, np.broadcast_to((shape.floor / needed)[:, None], excess.shape))
    sure = _sure(data, weighted, shape)
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response="cut",
        speed_mm_s=prior.speed0_mm_s * ratio,
        speed0_mm_s=prior.speed0_mm_s,
        excess=moments_of(weighted, excess).without(before),
        table=before,
        draws=score_draws(weighted, cut.PARAMETERS),
        floor=share.mean,
        floor_sd=float(np.sqrt(share.variance)),
        sure_mm=sure[0],
        sure_failures=sure[1],
        sure_expected=sure[2],
        readings=int(data.count.sum()),
    )


def _ordinal_cut(data: cut.CutData, prior: CutPrior) -> Ordinal:
    informed = ["floor", "exponent", "scatter", "band"]
    if data.at.ln_passes.any():
        informed.append("passes")
    if len(np.unique(data.group)) > 1:
        informed.append("shared")
    return Ordinal(
        dimensions=len(cut.PARAMETERS),
        informed=tuple(cut.PARAMETERS.index(name) for name in informed),
        frame_of=lambda scores: _cut_frame(cut.shape_of(scores, prior), data),
        grade=data.grade,
        count=data.count,
        group=data.group,
        power=data.length_ratio,
        # A coupon's own defects are too few to matter here; a long part's aren't.
        ln_whole=np.where(
            data.length_ratio == 1.0,
            0.0,
            -prior.defects_per_m * COUPON_CUT_MM / 1000.0 * data.length_ratio,
        ),
        location_prior=(prior.location, prior.location_scale, prior.location_df),
    )


def _cut_frame(shape: cut.Shape, data: cut.CutData) -> Frame:
    return Frame(
        critical=cut.critical_location(shape, data.at),
        scatter=shape.scatter,
        shared=shape.shared,
        cuts=np.stack([-shape.band, np.zeros_like(shape.band)], axis=1),
    )


def _sure(data: cut.CutData, weighted: Weighted, shape: cut.Shape) -> tuple[float, float, float]:
    """Path of what was sure to drop [mm], how many failed, how many were expected to."""
    critical = cut.critical_location(shape, data.at).T[:, :, None]
    y = (critical - weighted.location).astype(np.float32)
    chance = below(y / shape.scatter.astype(np.float32)[:, None])
    drops = np.einsum("ja,nja->n", weighted.weight, chance) ** data.length_ratio
    sure = drops > _SURE
    count = data.count * sure
    return (
        float((count * data.length_ratio).sum() * COUPON_CUT_MM),
        float(count[data.grade < 2].sum()),
        float((count * (1.0 - drops + _MISREAD_DROP)).sum()),
    )


def _of_grades(
    machine: Machine,
    sheet: Sheet,
    burns: Sequence[Burn],
    prior: GradedPrior,
    response: Response,
) -> PairSummary | None:
    read: graded.Response = "char" if response == "char" else "mark"
    at, grade, count = graded.graded_rows(machine, burns, prior, read)
    if len(grade) == 0:
        return None
    weighted = coarse_posterior(_ordinal_grades(at, grade, count, prior))
    shape, full = graded.graded_shape(weighted.scores, prior), at.ln_full
    ratio = _middle_ratio(at.ln_speed_ratio, count)
    ln_ratio, usual = float(np.log(ratio)), prior.speed_mean / prior.exponent_mean
    table = nominal_ln_w(full, prior.location, prior.exponent_mean) + usual * ln_ratio
    excess = _excess(weighted, shape.exponent, shape.speed * ln_ratio, full, table)
    steep = (prior.speed_sd * ln_ratio / prior.exponent_mean) ** 2
    before = Moments(mean=0.0, variance=excess_variance(machine, prior) + steep)
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response=response,
        speed_mm_s=prior.speed0_mm_s * ratio,
        speed0_mm_s=prior.speed0_mm_s,
        excess=moments_of(weighted, excess).without(before),
        table=before,
        draws=score_draws(weighted, graded.PARAMETERS),
        slope=moments_of(weighted, shape.speed / shape.exponent).mean - usual,
        readings=int(count.sum()),
    )


def _ordinal_grades(
    at: graded.GradedSettings, grade: Array, count: Array, prior: GradedPrior
) -> Ordinal:
    n = len(grade)
    return Ordinal(
        dimensions=len(graded.PARAMETERS),
        informed=graded.informed_by(at),
        frame_of=lambda scores: _graded_frame(graded.graded_shape(scores, prior), at),
        grade=grade.astype(np.int64),
        count=count,
        group=np.zeros(n, dtype=np.int64),
        power=np.ones(n),
        ln_whole=np.zeros(n),
        location_prior=(prior.location, prior.location_scale, prior.location_df),
    )


def _graded_frame(shape: graded.GradedShape, at: graded.GradedSettings) -> Frame:
    return Frame(
        critical=graded.critical_location(shape, at),
        scatter=shape.scatter,
        shared=np.zeros_like(shape.scatter),
        cuts=shape.cuts,
    )
