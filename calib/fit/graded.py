"""The model of graded responses: char on a coupon that was cut, and damage of a surface mark.

For a cell at delivered power P [W], speed v [mm/s], n passes and, for an area, line pitch s [mm]

    y = ln P + κ ln n − g ln(v / v0) − h ln(s / s0) − α + σ ε,  ε ~ N(0, 1)

and the grade is the number of cut points −w1, 0, w2, w2 + w3 that y lies above: α is the ln power
at which grade 1 turns into grade 2. g = h = 1 would mean that the energy per length or per area
alone decides. Of a mark, which takes little power, P counts from where the beam starts:
proportional to (p − d)^k at the share p of full power, d the share at which it starts. Grades are
damage, which only grows with dose; darkness need not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from calib.fit import kernel
from calib.fit.engine import Problem, solve, systematic
from calib.fit.kernel import Latent, Readings
from calib.fit.priors import MISREAD, GradedPrior
from calib.physics import delivered_power_w, mean_coupon_speed_mm_s
from calib.records import Burn, Machine

Array = npt.NDArray[np.float64]
Response = Literal["char", "mark"]

PARAMETERS = (
    "exponent", "speed", "scatter", "width1", "width2", "width3", "passes", "pitch", "start",
)  # fmt: skip
_STARTLESS = len(PARAMETERS) - 1
GRADES = 5
# So near to the start of the beam, as a share of the power that is set, next to nothing comes out.
_FITFUL = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedShape:
    """Shape parameters in their own units, (J,) each; ``cuts`` is (J, 4)."""

    exponent: Array
    speed: Array
    scatter: Array
    cuts: Array
    passes: Array
    pitch: Array
    start: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedSettings:
    """Settings as the model sees them: ln full power and (n,) arrays of logs."""

    ln_full: float
    ln_share: Array
    ln_speed_ratio: Array
    ln_passes: Array
    ln_pitch_ratio: Array
    pivot: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedFit:
    """Posterior of a graded response.

    Parameters
    ----------
    prior
        What was believed before.
    shape, location, weight
        Weighted points, (J,) each.
    learned
        Posterior sd / prior sd of each parameter.
    readings
        How many readings it rests on.
    """

    prior: GradedPrior
    shape: GradedShape
    location: Array
    weight: Array
    learned: dict[str, float]
    readings: int


def graded_shape(scores: Array, prior: GradedPrior) -> GradedShape:
    """Turn normal scores, (J, 8) in the order of ``PARAMETERS``, into shape parameters."""
    exponent, speed, scatter, *widths, passes, pitch = scores.T[:_STARTLESS]
    low, middle, high = (np.exp(prior.width_ln + prior.width_ln_sd * w) for w in widths)
    zero = np.zeros_like(low)
    return GradedShape(
        exponent=np.maximum(prior.exponent_mean + prior.exponent_sd * exponent, 0.3),
        speed=np.maximum(prior.speed_mean + prior.speed_sd * speed, 0.05),
        scatter=np.exp(prior.scatter_ln + prior.scatter_ln_sd * scatter),
        cuts=np.stack([-low, zero, middle, middle + high], axis=1),
        passes=prior.passes_mean + prior.passes_sd * passes,
        pitch=np.maximum(prior.pitch_mean + prior.pitch_sd * pitch, 0.0),
        start=prior.start_most * ndtr(prior.start_mean + prior.start_sd * scores.T[-1])
        if prior.start_most
        else zero,
    )


def names_of(prior: GradedPrior) -> tuple[str, ...]:
    """The parameters of a prior; the start of the beam only where it is one."""
    return PARAMETERS if prior.start_most else PARAMETERS[:_STARTLESS]


def counted_ln_share(ln_share: Array, start: Array | float, pivot: float) -> Array:
    """What a share of full power counts for, as a logarithm, when the beam starts at ``start``."""
    share = np.exp(ln_share)
    above = np.maximum(share - start, _FITFUL * share)
    return np.asarray(np.log(above * (pivot / (pivot - start))))


def set_ln_share(counted: Array, start: Array | float, pivot: float) -> Array:
    """The share to be set for what it shall count for; the inverse of ``counted_ln_share``."""
    return np.asarray(np.log(start + (1.0 - start / pivot) * np.exp(counted)))


def graded_settings(
    machine: Machine, setting: Sequence[Array], prior: GradedPrior, response: Response
) -> GradedSettings:
    """Settings in the model's terms.

    Parameters
    ----------
    machine
        Where they are burnt.
    setting
        Power [%], speed [mm/s], passes and line pitch [mm] (nan where there is none), (n,) each.
    prior
        Gives the reference speed and pitch.
    response
        Char is read along a coupon's outline, where corners slow the head; a mark has a run-up.

    Returns
    -------
    GradedSettings
        Logs of the setting.
    """
    power, speed, passes, pitch = setting
    full = float(delivered_power_w(machine, 100.0))
    real = (
        mean_coupon_speed_mm_s(speed, machine.working_acceleration_mm_s2)
        if response == "char"
        else speed
    )
    return GradedSettings(
        ln_full=float(np.log(full)),
        ln_share=np.log(delivered_power_w(machine, power) / full),
        ln_speed_ratio=np.log(real / prior.speed0_mm_s),
        ln_passes=np.log(passes),
        ln_pitch_ratio=np.log(np.where(np.isnan(pitch), prior.pitch0_mm, pitch) / prior.pitch0_mm),
        pivot=prior.pivot,
    )


def critical_location(shape: GradedShape, at: GradedSettings) -> Array:
    """α at which each setting is between grades 1 and 2, (J, n) [ln W]."""
    share = at.ln_share
    if shape.start.any():
        share = counted_ln_share(share, shape.start[:, None], at.pivot)
    return np.asarray(
        at.ln_full
        + shape.exponent[:, None] * share
        + shape.passes[:, None] * at.ln_passes
        - shape.speed[:, None] * at.ln_speed_ratio
        - shape.pitch[:, None] * at.ln_pitch_ratio
    )


def _used(burns: Sequence[Burn], response: Response) -> list[tuple[tuple[float, ...], int]]:
    """Distinct (power, speed, passes, pitch, grade) with their counts, sorted."""
    counts: Counter[tuple[float, ...]] = Counter()
    for b in burns:
        grade = getattr(b, response)
        # Char of a coupon that wasn't cut at least to hanging says nothing of a cut edge.
        if grade is None or (response == "char" and b.through not in ("hanging", "through")):
            continue
        pitch = b.line_pitch_mm if b.line_pitch_mm is not None else np.nan
        counts[b.power_pct, b.speed_mm_s, float(b.passes), pitch, float(grade)] += b.count
    return sorted(counts.items(), key=repr)


def graded_rows(
    machine: Machine, burns: Sequence[Burn], prior: GradedPrior, response: Response
) -> tuple[GradedSettings, Array, Array]:
    """Settings, grades (n,) and counts (n,) of the burns with this reading, in a fixed order."""
    used = _used(burns, response)
    table = np.array([key for key, _ in used], dtype=float).reshape(-1, 5)
    at = graded_settings(machine, list(table.T[:4]), prior, response)
    return at, table[:, 4], np.array([n for _, n in used], dtype=float)


def graded_problem(
    machine: Machine, burns: Sequence[Burn], prior: GradedPrior, response: Response
) -> tuple[Problem, GradedSettings]:
    """The model with the burns that have this reading, for the engine, and their settings."""
    at, grade, count = graded_rows(machine, burns, prior, response)
    n = len(grade)

    def latent_of(scores: Array) -> Latent:
        shape = graded_shape(scores, prior)
        return Latent(
            critical=critical_location(shape, at),
            scatter=shape.scatter,
            shared=np.zeros_like(shape.scatter),
            cuts=shape.cuts,
        )

    problem = Problem(
        dimensions=len(names_of(prior)),
        informed=_informed_by(at, prior),
        latent_of=latent_of,
        readings=Readings(
            grade=grade.astype(np.int64),
            count=count,
            group=np.zeros(n, dtype=np.int64),
            length=np.ones(n),
            ln_whole=np.zeros(n),
            misread=MISREAD,
        ),
        location_prior=(prior.location, prior.location_scale, prior.location_df),
    )
    return problem, at


def fit_graded(
    machine: Machine, burns: Sequence[Burn], prior: GradedPrior, response: Response
) -> GradedFit:
    """Fit char or mark grades to the burns of one sheet and machine.

    Parameters
    ----------
    machine
        Where they were burnt.
    burns
        Burns in any order; those without this reading are left out.
    prior
        What is believed before.
    response
        ``char`` (of coupons cut at least to hanging) or ``mark``.

    Returns
    -------
    GradedFit
        Weighted points of the posterior.
    """
    problem, _ = graded_problem(machine, burns, prior, response)
    posterior = solve(problem)
    points = posterior.points()
    return GradedFit(
        prior=prior,
        shape=graded_shape(points.scores, prior),
        location=points.location,
        weight=points.weight,
        learned=posterior.learned(names_of(prior), problem.location_prior),
        readings=int(problem.readings.count.sum()),
    )


def _informed_by(at: GradedSettings, prior: GradedPrior) -> tuple[int, ...]:
    """Which parameters readings at these settings can tell anything of."""
    names = [name for name in names_of(prior) if name not in ("passes", "pitch")]
    if at.ln_passes.any():
        names.append("passes")
    if at.ln_pitch_ratio.any():
        names.append("pitch")
    return tuple(PARAMETERS.index(name) for name in names)


def chances_by_point(fit: GradedFit, at: GradedSettings) -> Array:
    """Chance of each grade at each posterior point, (5, J, n)."""
    y = critical_location(fit.shape, at) - fit.location[:, None]
    return kernel.grade_chances(y, fit.shape.scatter, fit.shape.cuts)


def grade_chances(fit: GradedFit, at: GradedSettings) -> Array:
    """Chance of each grade, (5, n)."""
    return np.asarray(np.einsum("j,gjn->gn", fit.weight, chances_by_point(fit, at)))


def thinned(fit: GradedFit, n: int) -> GradedFit:
    """The same posterior on at most n even-weight draws; nothing random."""
    if len(fit.weight) <= n:
        return fit
    pick = systematic(fit.weight, fit.location, n)
    shape = GradedShape(**{f.name: getattr(fit.shape, f.name)[pick] for f in fields(fit.shape)})
    return replace(fit, shape=shape, location=fit.location[pick], weight=np.full(n, 1.0 / n))
