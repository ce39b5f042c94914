"""What one pair's burns say of its edge, its char or its marks, in a few numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from calib.fit import cut, graded
from calib.fit.cut_fit import cut_problem
from calib.fit.engine import COARSE, Posterior, solve
from calib.fit.moments import Draws, Moments, moments_of, score_draws
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
    posterior: Posterior, exponent: Array, ln_ratio_needed: Array, ln_full: float, table: float
) -> Array:
    """Ln nominal power needed at a speed over what the table expects there, (J, A)."""
    needed = posterior.location + ln_ratio_needed[:, None] - ln_full
    return np.asarray(ln_full + needed / exponent[:, None] - table)


def _of_cut(
    machine: Machine, sheet: Sheet, burns: Sequence[Burn], prior: CutPrior
) -> PairSummary | None:
    data = cut.cut_data(machine, burns, prior)
    if len(data.grade) == 0:
        return None
    problem = cut_problem(data, prior)
    posterior = solve(problem, COARSE)
    shape, full = cut.shape_of(posterior.scores, prior), data.at.ln_full
    ratio = _middle_ratio(np.log(data.at.speed_ratio), data.count)
    needed = shape.floor + (1.0 - shape.floor) * ratio
    table = nominal_ln_w(full, prior.location, prior.exponent_mean) + float(np.log(ratio))
    excess = _excess(posterior, shape.exponent, np.log(needed), full, table)
    usual = prior.floor_a / (prior.floor_a + prior.floor_b)
    more = float(np.log(usual + (1.0 - usual) * ratio)) / prior.exponent_mean - np.log(ratio)
    before = Moments(mean=float(more), variance=excess_variance(machine, prior))
    share = moments_of(posterior, np.broadcast_to((shape.floor / needed)[:, None], excess.shape))
    sure = _sure(data, posterior, shape)
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response="cut",
        speed_mm_s=prior.speed0_mm_s * ratio,
        speed0_mm_s=prior.speed0_mm_s,
        excess=moments_of(posterior, excess).without(before),
        table=before,
        draws=score_draws(posterior, cut.PARAMETERS, problem.informed),
        floor=share.mean,
        floor_sd=float(np.sqrt(share.variance)),
        sure_mm=sure[0],
        sure_failures=sure[1],
        sure_expected=sure[2],
        readings=int(data.count.sum()),
    )


def _sure(data: cut.CutData, posterior: Posterior, shape: cut.Shape) -> tuple[float, float, float]:
    """Path of what was sure to drop [mm], how many failed, how many were expected to."""
    critical = cut.critical_location(shape, data.at).T[:, :, None]
    chance = ndtr((critical - posterior.location) / shape.scatter[:, None])
    drops = np.einsum("ja,nja->n", posterior.weight, chance) ** data.length_ratio
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
    problem, at = graded.graded_problem(machine, burns, prior, read)
    count = problem.readings.count
    if len(count) == 0:
        return None
    posterior = solve(problem, COARSE)
    shape, full = graded.graded_shape(posterior.scores, prior), at.ln_full
    ratio = _middle_ratio(at.ln_speed_ratio, count)
    ln_ratio, usual = float(np.log(ratio)), prior.speed_mean / prior.exponent_mean
    table = nominal_ln_w(full, prior.location, prior.exponent_mean) + usual * ln_ratio
    # In what counts, not in what is set: the start of the beam is pooled as a score of its own.
    excess = _excess(posterior, shape.exponent, shape.speed * ln_ratio, full, table)
    steep = (prior.speed_sd * ln_ratio / prior.exponent_mean) ** 2
    before = Moments(mean=0.0, variance=excess_variance(machine, prior) + steep)
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response=response,
        speed_mm_s=prior.speed0_mm_s * ratio,
        speed0_mm_s=prior.speed0_mm_s,
        excess=moments_of(posterior, excess).without(before),
        table=before,
        draws=score_draws(posterior, graded.names_of(prior), problem.informed),
        slope=moments_of(posterior, shape.speed / shape.exponent).mean - usual,
        readings=int(count.sum()),
    )
