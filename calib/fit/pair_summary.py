"""What one pair's burns say of its edge, its char or its marks, in a few numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from calib.fit.engine import COARSE, Posterior, solve
from calib.fit.kernel import Readings
from calib.fit.model import CutShape, Settings, parameters_of, problem_of, shape_of
from calib.fit.moments import Draws, Moments, moments_of
from calib.fit.priors import MISREAD, CutPrior, GradedPrior, Priors
from calib.physics import delivered_power_w
from calib.records import COUPON_CUT_MM, Burn, Machine, Operation, Sheet

Array = npt.NDArray[np.float64]
Response = Operation | Literal["char"]

# Coupons and parts at least this sure to drop tell of defects when they don't.
_SURE = 0.99
# Share of misread results of a coupon that dropped which come down as something else.
_MISREAD_DROP = MISREAD * 2.0 / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSummary:
    """What the burns of one pair say of one response."""

    machine: Machine
    sheet: Sheet
    response: Response
    # Speed at which the power needed is compared, in the middle of the burns, and the table's
    # reference speed, where the score of a floor is its share [mm/s]
    speed_mm_s: float
    speed0_mm_s: float
    # How much more nominal power than the family's table expects is needed at that speed, as a
    # logarithm: what the data alone say, and the table alone
    excess: Moments
    table: Moments
    # Of each shape score that the burns could tell of, by name
    draws: Mapping[str, Draws] = field(default_factory=dict)
    # Mean share of the power needed at that speed that conduction takes, and its standard
    # deviation; 0 for graded responses
    floor: float = 0.0
    floor_sd: float = 0.0
    # Mean of the power exponent, which turns watts at the work into those that are set
    exponent: float = 1.0
    # How much steeper than the table's the power needed of a graded response rises in ln speed
    slope: float = 0.0
    # Cut path of what was sure to drop [mm], how much of it didn't, and how much of that
    # misreading and scatter explain
    sure_mm: float = 0.0
    sure_failures: float = 0.0
    sure_expected: float = 0.0
    readings: int = 0


def pair_summaries(
    machine: Machine, sheet: Sheet, burns: Sequence[Burn], expected: Mapping[Operation, Priors]
) -> list[PairSummary]:
    """Summaries of all responses that a pair's burns tell anything of.

    ``expected`` has the priors from the family's table, for each operation among the burns.
    """
    found: list[PairSummary | None] = []
    for operation, priors in expected.items():
        used = [b for b in burns if b.operation == operation]
        if priors.cut is not None:
            found.append(_summary(machine, sheet, used, priors.cut, "cut"))
        if priors.char is not None:
            found.append(_summary(machine, sheet, used, priors.char, "char"))
        if priors.mark is not None:
            found.append(_summary(machine, sheet, used, priors.mark, operation))
    return [summary for summary in found if summary is not None]


def written(summaries: Sequence[PairSummary]) -> bytes:
    """Summaries of one pair as bytes, without machine and sheet: a line of JSON, then the draws."""
    heads, numbers = [], b""
    for summary in summaries:
        told = {
            field.name: getattr(summary, field.name)
            for field in fields(PairSummary)
            if field.name not in ("machine", "sheet", "draws")
        }
        told |= {name: asdict(told[name]) for name in ("excess", "table")}
        weights = [draws.weight for draws in summary.draws.values()]
        rows = [*weights[:1], *(draws.value for draws in summary.draws.values())]
        heads.append({**told, "draws": list(summary.draws), "points": sum(map(len, weights[:1]))})
        numbers += np.array(rows, dtype="<f4").tobytes()
    return json.dumps(heads).encode() + b"\n" + numbers


def read_back(text: bytes, machine: Machine, sheet: Sheet) -> list[PairSummary]:
    """Summaries that were ``written``, their draws in single precision."""
    heads, _, numbers = text.partition(b"\n")
    values, found = np.frombuffer(numbers, dtype="<f4").astype(np.float64), []
    for told in json.loads(heads):
        names, points = told.pop("draws"), told.pop("points")
        count = (len(names) + 1) * points
        rows, values = values[:count].reshape(-1, max(points, 1)), values[count:]
        told |= {name: Moments(**told[name]) for name in ("excess", "table")}
        draws = {n: Draws(value=v, weight=rows[0]) for n, v in zip(names, rows[1:], strict=True)}
        found.append(PairSummary(machine=machine, sheet=sheet, draws=draws, **told))
    return found


def nominal_ln_w(ln_full: float, location: float, exponent: float) -> float:
    """Ln power to set [ln W] for a location, which counts in what the power curve gives."""
    return ln_full + (location - ln_full) / exponent


def excess_variance(machine: Machine, prior: CutPrior | GradedPrior) -> float:
    """Variance of the excess at the reference speed before any burn, to first order.

    By the family's table alone; the machine's full power pivots the power exponent.
    """
    spread = prior.location_df / (prior.location_df - 2.0) * prior.location_scale**2
    away = prior.location - float(np.log(delivered_power_w(machine, 100.0)))
    curve = (prior.exponent_sd * away / prior.exponent_mean) ** 2
    return float((spread + curve) / prior.exponent_mean**2)


def _summary(
    machine: Machine,
    sheet: Sheet,
    burns: Sequence[Burn],
    prior: CutPrior | GradedPrior,
    response: Response,
) -> PairSummary | None:
    read = response if response in ("cut", "char") else "mark"
    problem, at = problem_of(machine, burns, prior, read)
    count, full = problem.readings.count.sum(axis=0), at.ln_full
    if not len(count):
        return None
    posterior = solve(problem, COARSE)
    shape = shape_of(posterior.scores, prior, at.factors)
    names = parameters_of(prior, at.factors)
    # In the middle of the burns, over the reference speed.
    ratio = float(np.exp(np.average(at.ln_speed_ratio, weights=count)))
    ln_ratio, variance = float(np.log(ratio)), excess_variance(machine, prior)
    table = nominal_ln_w(full, prior.location, prior.exponent_mean)
    more: dict[str, float] = {}
    if isinstance(prior, CutPrior):
        needed = shape.floor + (1.0 - shape.floor) * ratio
        ln_needed = np.log(needed)
        usual = prior.floor_a / (prior.floor_a + prior.floor_b)
        expected = float(np.log(usual + (1.0 - usual) * ratio)) / prior.exponent_mean - ln_ratio
        table += ln_ratio
        more = _sure(problem.readings, at, posterior, shape)
        share = moments_of(posterior, shape.floor / needed)
        more |= {"floor": share.mean, "floor_sd": float(np.sqrt(share.variance))}
    else:
        ln_needed, expected = shape.speed * ln_ratio, 0.0
        usual = prior.speed_mean / prior.exponent_mean
        table += usual * ln_ratio
        variance += (prior.speed_sd * ln_ratio / prior.exponent_mean) ** 2
        more = {"slope": moments_of(posterior, shape.speed / shape.exponent).mean - usual}
    # Ln nominal power needed at that speed over what the table expects there.
    excess = posterior.location + ln_needed[:, None] - full
    excess = full + excess / shape.exponent[:, None] - table
    before, weight = Moments(mean=float(expected), variance=variance), posterior.shape_weight
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response=response,
        speed_mm_s=prior.speed0_mm_s * ratio,
        speed0_mm_s=prior.speed0_mm_s,
        excess=moments_of(posterior, excess).without(before),
        table=before,
        draws={
            names[i]: Draws(value=posterior.scores[:, i], weight=weight) for i in problem.informed
        },
        exponent=moments_of(posterior, shape.exponent).mean,
        readings=int(count.sum()),
        **more,
    )


def _sure(
    readings: Readings, at: Settings, posterior: Posterior, shape: CutShape
) -> dict[str, float]:
    """Path of what was sure to drop [mm], how many failed, how many were expected to."""
    critical = shape.critical(at).T[:, :, None]
    chance = ndtr((critical - posterior.location) / shape.scatter[:, None])
    drops = np.einsum("ja,nja->n", posterior.weight, chance) ** readings.length
    count = readings.count.sum(axis=0) * (drops > _SURE)
    return {
        "sure_mm": float((count * readings.length).sum() * COUPON_CUT_MM),
        "sure_failures": float(count[readings.grade < 2].sum()),
        "sure_expected": float((count * (1.0 - drops + _MISREAD_DROP)).sum()),
    }
