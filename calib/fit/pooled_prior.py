"""Priors of one pair from the summaries of the others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv, ndtr, xlogy

from calib.fit.another_speed import floor_score_shift
from calib.fit.kinship import PAIR, SCORE_PAIR, USUAL, Target, location_units, score_units
from calib.fit.model import WIDTHS
from calib.fit.moments import Draws, Moments, told_by
from calib.fit.pair_summary import PairSummary, excess_variance, nominal_ln_w
from calib.fit.priors import FACTORS, CutPrior, GradedPrior
from calib.fit.random_effects import Units, fit_fixed, fit_learning, half_normal
from calib.materials import family_of
from calib.physics import delivered_power_w
from calib.records import Machine, Sheet

Array = npt.NDArray[np.float64]
Prior = TypeVar("Prior", CutPrior, GradedPrior)
Score = tuple[float, float]  # Mean and standard deviation of a shape score

# Fewer pairs than this can't tell how much pairs differ: then the usual spreads are taken as given.
FEWEST_TO_LEARN = 6
_USUAL_SCORE: Score = (0.0, 1.0)
# Student's degrees of freedom of a prior whose spreads were learnt: lighter tails than the table's.
_LEARNT_DF = 8.0
# Fewer trials than this a beta distribution of a floor never stands for.
_LEAST_BETA = 4.0
# Nodes for the mean of a function of a normal score.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(20)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
# Rounds of telling scores, and the share of each step that is taken: fewer or longer steps swing.
_ROUNDS = 4
_DAMPING = 0.7
# Means of parameters that are normal in their score; their standard deviations end in ``_sd``.
_NORMAL = {
    "scatter": "scatter_ln",
    "band": "band_ln",
    "passes": "passes_mean",
    "speed": "speed_mean",
    "pitch": "pitch_mean",
    "width": "width_ln",
    "start": "start_mean",
    **{factor: f"{factor}_mean" for factor in FACTORS},
}


def pooled_cut(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: CutPrior
) -> CutPrior:
    """The table's prior of a cut, moved and narrowed by what other pairs, one or more, say.

    Pairs are compared in the nominal power that they need at the table's reference speed.
    """
    scored = _scores(others, machine, sheet, prior)
    moved = _with_scores(_relocated(others, machine, sheet, prior, scored), scored)
    shared = _normal_mean(scored.get("shared", _USUAL_SCORE), lambda z: half_normal(z) ** 2)

    def share(z: Array) -> Array:
        return np.asarray(betaincinv(prior.floor_a, prior.floor_b, ndtr(z)))

    floor = scored.get("floor", _USUAL_SCORE)
    mean = _normal_mean(floor, share)
    variance = _normal_mean(floor, lambda z: (share(z) - mean) ** 2)
    # The beta distribution of these two, never flatter than usual.
    size = max(mean * (1.0 - mean) / max(variance, 1e-6) - 1.0, _LEAST_BETA)
    return replace(
        moved,
        floor_a=mean * size,
        floor_b=(1.0 - mean) * size,
        shared_scale=prior.shared_scale * float(np.sqrt(shared)),
        defects_per_m=_defects_per_m(others, sheet, prior.defects_per_m),
    )


def pooled_graded(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: GradedPrior
) -> GradedPrior:
    """The table's prior of char or marks, moved and narrowed; as ``pooled_cut``."""
    scored = _scores(others, machine, sheet, prior)
    return _with_scores(_relocated(others, machine, sheet, prior, scored), scored)


def _relocated(
    others: Sequence[PairSummary],
    machine: Machine,
    sheet: Sheet,
    prior: Prior,
    scored: dict[str, Score],
) -> Prior:
    """Move the location and the power exponent to where they are now expected; narrow both."""
    exponent = scored.get("exponent", _USUAL_SCORE)
    usual = USUAL[others[0].response]
    before = excess_variance(machine, prior)
    target = Target(
        machine=machine, sheet=sheet, speed_mm_s=prior.speed0_mm_s, table_variance=before
    )
    units, row = location_units(others, target, usual)
    learning = len(others) >= FEWEST_TO_LEARN
    found = fit_learning(units) if learning else fit_fixed(units)
    excess, variance = found.predict(row, (usual.pair * found.spread[:, PAIR]) ** 2)
    df = _LEARNT_DF if learning else prior.location_df
    same_spread = prior.location_df / (prior.location_df - 2.0) * (df - 2.0) / df
    # Nothing that others say makes this pair less known than by the table alone.
    narrower = min(variance / before, 1.0) * same_spread
    full = float(np.log(delivered_power_w(machine, 100.0)))
    steeper = prior.exponent_mean + prior.exponent_sd * exponent[0]
    nominal = nominal_ln_w(full, prior.location, prior.exponent_mean) + excess
    return replace(
        prior,
        location=full + steeper * (nominal - full),
        location_scale=prior.location_scale * float(np.sqrt(narrower)),
        location_df=df,
        exponent_mean=steeper,
        exponent_sd=prior.exponent_sd * exponent[1],
    )


def _with_scores(prior: Prior, scored: dict[str, Score]) -> Prior:
    """Normals of parameters whose scores, standard normal before, are now other normals."""
    changes = {}
    for name, mean in _NORMAL.items():
        if name in scored and hasattr(prior, mean):
            sd, (moved, narrowed) = f"{mean.removesuffix('_mean')}_sd", scored[name]
            changes[mean] = getattr(prior, mean) + getattr(prior, sd) * moved
            changes[sd] = getattr(prior, sd) * narrowed
    return replace(prior, **changes)


def _scores(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: CutPrior | GradedPrior
) -> dict[str, Score]:
    """What is now believed of each shape score at the prior's own speed, by name."""
    found = {}
    graded = isinstance(prior, GradedPrior)
    # One prior serves all widths of grades, so each width of each pair tells of it.
    names = {own: "width" if own in WIDTHS else own for s in others for own in s.draws}
    for name in sorted(set(names.values())):
        telling = [(s, s.draws[own]) for s in others for own in s.draws if names[own] == name]
        pairs = [(s.machine, s.sheet) for s, _ in telling]
        told = _told_scores(name, pairs, [draws for _, draws in telling])
        if isinstance(prior, CutPrior) and name == "floor":
            # The floors as they would be at the prior's speed.
            beta, speed = (prior.floor_a, prior.floor_b), prior.speed0_mm_s
            told = [
                replace(m, mean=m.mean + floor_score_shift(speed / s.speed0_mm_s, m.mean, beta))
                for (s, _), m in zip(telling, told, strict=True)
            ]
        units, rows = score_units(name, [*pairs, (machine, sheet)], told)
        # Whether families differ at all decides what a book tells of a family that isn't in it.
        learning = graded and len(others) >= FEWEST_TO_LEARN
        learnt = fit_learning(units) if learning else fit_fixed(units)
        mean, variance = learnt.predict(
            rows[0], (units.unit_base * learnt.spread[:, SCORE_PAIR]) ** 2
        )
        found[name] = mean, min(float(np.sqrt(variance)), 1.0)
    return found


def _told_scores(
    name: str, pairs: Sequence[tuple[Machine, Sheet]], draws: Sequence[Draws]
) -> list[Moments]:
    """What each pair says of a score, as a normal that is right where the others put it.

    What one board says of its scatter is lopsided: a small scatter is never ruled out. A normal put
    in its place under the usual prior would leave a bias that grows with the number of pairs; so it
    is put there again under what the other pairs say, until the two agree.
    """
    told = told_by(draws, [Moments(mean=0.0, variance=1.0)] * len(draws))
    for _ in range(_ROUNDS if len(draws) > 1 else 0):
        units, _ = score_units(name, pairs, told)
        new = told_by(draws, _leaving_one_out(units))
        for i, (old, now) in enumerate(zip(told, new, strict=True)):
            # A damped step between two normal likelihoods, in their natural parameters.
            precision = (1.0 - _DAMPING) / old.variance + _DAMPING / now.variance
            natural = (1.0 - _DAMPING) * old.mean / old.variance
            natural += _DAMPING * now.mean / now.variance
            told[i] = Moments(mean=natural / precision, variance=1.0 / precision)
    return told


def _leaving_one_out(units: Units) -> list[Moments]:
    """What the other units say of each unit's own value."""
    own = units.unit_base**2
    noise = units.variance + own
    rows = units.effects * units.base
    information = np.eye(rows.shape[1]) + (rows / noise[:, None]).T @ rows
    covariance = np.linalg.inv(information)
    mean = rows @ (covariance @ (rows.T @ (units.value / noise)))
    variance = np.einsum("nq,qr,nr->n", rows, covariance, rows)
    left = np.maximum(1.0 / variance - 1.0 / noise, 1e-9)
    natural = mean / variance - units.value / noise
    return [
        Moments(mean=float(m), variance=float(v))
        for m, v in zip(natural / left, 1.0 / left + own, strict=True)
    ]


def _normal_mean(score: Score, value: Callable[[Array], Array]) -> float:
    """Mean of a function of a normal score."""
    return float(_WEIGHTS @ value(score[0] + score[1] * _NODES))


def _defects_per_m(others: Sequence[PairSummary], sheet: Sheet, expected: float) -> float:
    """Posterior mean of the defect rate of a family, from what was sure to drop and didn't.

    Before the burns it is exponential with the table's mean: a rate of 0 in the table stays 0.
    """
    family = family_of(sheet.material)
    kin = [s for s in others if family_of(s.sheet.material) == family]
    metres = sum(s.sure_mm for s in kin) / 1000.0
    if expected <= 0.0 or metres <= 0.0:
        return expected
    failures = sum(s.sure_failures for s in kin)
    explained = sum(s.sure_expected for s in kin)
    rates = expected * np.geomspace(1e-3, 1e3, 400)
    events = rates * metres + explained
    log_mass = xlogy(failures, events) - events - rates / expected + np.log(rates)
    mass = np.exp(log_mass - log_mass.max())
    return float(mass @ rates / mass.sum())
