"""Priors of one pair from the summaries of the others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv, ndtr, xlogy

from calib.fit.another_speed import floor_score_shift
from calib.fit.kinship import PAIR, USUAL, Target, location_units, score_units
from calib.fit.moments import Moments
from calib.fit.pair_summary import PairSummary, excess_variance, nominal_ln_w
from calib.fit.priors import CutPrior, GradedPrior
from calib.fit.random_effects import fit_fixed, fit_learning, half_normal
from calib.fit.shape_scores import told_scores
from calib.materials import family_of
from calib.physics import delivered_power_w
from calib.records import Machine, Sheet

Array = npt.NDArray[np.float64]
Prior = TypeVar("Prior", CutPrior, GradedPrior)
Score = tuple[float, float]

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


def pooled_cut(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: CutPrior
) -> CutPrior:
    """The table's prior of a cut, moved and narrowed by what other pairs say.

    Parameters
    ----------
    others
        Summaries of other pairs' cuts, at least one.
    machine, sheet
        For whom.
    prior
        What the family's table expects.

    Returns
    -------
    CutPrior
        At the table's reference speed.

    Notes
    -----
    Pairs are compared in the nominal power that they need at that speed.
    """
    scored = _scores(others, machine, sheet, prior)
    moved = _relocated(others, machine, sheet, prior, scored.get("exponent", _USUAL_SCORE))
    moved = _with_cut_scores(moved, scored)
    beta = (prior.floor_a, prior.floor_b)
    floor_a, floor_b = _beta(*_share_moments(scored.get("floor", _USUAL_SCORE), beta))
    defects = _defects_per_m(others, sheet, prior.defects_per_m)
    return replace(moved, floor_a=floor_a, floor_b=floor_b, defects_per_m=defects)


def pooled_graded(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: GradedPrior
) -> GradedPrior:
    """The table's prior of char or marks, moved and narrowed; as ``pooled_cut``."""
    scored = _scores(others, machine, sheet, prior)
    moved = _relocated(others, machine, sheet, prior, scored.get("exponent", _USUAL_SCORE))
    return _with_graded_scores(moved, scored)


def _relocated(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: Prior, exponent: Score
) -> Prior:
    """Move the location and the power exponent to where they are now expected; narrow both."""
    usual = USUAL[others[0].response]
    before = excess_variance(machine, prior)
    target = Target(
        machine=machine, sheet=sheet, speed_mm_s=prior.speed0_mm_s, table_variance=before
    )
    units, row = location_units(others, target, usual)
    learning = len(others) >= FEWEST_TO_LEARN
    found = fit_learning(units) if learning else fit_fixed(units)
    excess, variance = found.predict(row, (usual.pair * found.spread[:, PAIR]) ** 2)
    assumed = float((row**2) @ units.base**2) + usual.pair**2
    df = _LEARNT_DF if learning else prior.location_df
    same_spread = prior.location_df / (prior.location_df - 2.0) * (df - 2.0) / df
    full = float(np.log(delivered_power_w(machine, 100.0)))
    steeper = prior.exponent_mean + prior.exponent_sd * exponent[0]
    nominal = nominal_ln_w(full, prior.location, prior.exponent_mean) + excess
    return replace(
        prior,
        location=full + steeper * (nominal - full),
        location_scale=prior.location_scale * float(np.sqrt(variance / assumed * same_spread)),
        location_df=df,
        exponent_mean=steeper,
        exponent_sd=prior.exponent_sd * exponent[1],
    )


def _scores(
    others: Sequence[PairSummary], machine: Machine, sheet: Sheet, prior: CutPrior | GradedPrior
) -> dict[str, Score]:
    """Mean and standard deviation of each shape score at the prior's own speed, by name."""
    names = sorted({name for s in others for name in s.draws})
    found = {}
    for name in names:
        told_by = [s for s in others if name in s.draws]
        pairs = [(s.machine, s.sheet) for s in told_by]
        told = told_scores(name, pairs, [s.draws[name] for s in told_by])
        if isinstance(prior, CutPrior) and name == "floor":
            told = _at_speed(told_by, told, prior)
        units, rows = score_units(name, [*pairs, (machine, sheet)], told)
        mean, variance = fit_fixed(units).predict(rows[0], np.full(1, units.unit_base**2))
        found[name] = mean, float(np.sqrt(variance))
    return found


def _at_speed(
    told_by: Sequence[PairSummary], told: Sequence[Moments], prior: CutPrior
) -> list[Moments]:
    """Scores of the floors as they would be at the prior's speed."""
    beta = (prior.floor_a, prior.floor_b)
    return [
        replace(m, mean=m.mean + floor_score_shift(prior.speed0_mm_s / s.speed0_mm_s, m.mean, beta))
        for s, m in zip(told_by, told, strict=True)
    ]


def _share(z: Array, beta: tuple[float, float]) -> Array:
    """Floors of normal scores."""
    return np.asarray(betaincinv(*beta, ndtr(z)))


def _share_moments(score: Score, beta: tuple[float, float]) -> tuple[float, float]:
    """Mean and standard deviation of a floor from those of its score."""
    mean = _normal_mean(score, lambda z: _share(z, beta))
    return mean, float(np.sqrt(_normal_mean(score, lambda z: (_share(z, beta) - mean) ** 2)))


def _normal(mean: float, sd: float, score: Score) -> tuple[float, float]:
    """Normal of a parameter whose score, standard normal before, is now another normal."""
    return mean + sd * score[0], sd * score[1]


def _normal_mean(score: Score, value: Callable[[Array], Array]) -> float:
    """Mean of a function of a normal score."""
    return float(_WEIGHTS @ value(score[0] + score[1] * _NODES))


def _with_cut_scores(prior: CutPrior, scored: dict[str, Score]) -> CutPrior:
    def score(name: str) -> Score:
        return scored.get(name, _USUAL_SCORE)

    scatter = _normal(prior.scatter_ln, prior.scatter_ln_sd, score("scatter"))
    band = _normal(prior.band_ln, prior.band_ln_sd, score("band"))
    passes = _normal(prior.passes_mean, prior.passes_sd, score("passes"))
    shared = _normal_mean(score("shared"), lambda z: half_normal(z) ** 2)
    return replace(
        prior,
        scatter_ln=scatter[0],
        scatter_ln_sd=scatter[1],
        band_ln=band[0],
        band_ln_sd=band[1],
        passes_mean=passes[0],
        passes_sd=passes[1],
        shared_scale=prior.shared_scale * float(np.sqrt(shared)),
    )


def _with_graded_scores(prior: GradedPrior, scored: dict[str, Score]) -> GradedPrior:
    def score(name: str) -> Score:
        return scored.get(name, _USUAL_SCORE)

    widths = [score(name) for name in ("width1", "width2", "width3")]
    # One prior serves all three widths: their mean, and a spread that holds each of them.
    mean = float(np.mean([w[0] for w in widths]))
    spread = float(np.sqrt(np.mean([w[1] ** 2 + (w[0] - mean) ** 2 for w in widths])))
    speed = _normal(prior.speed_mean, prior.speed_sd, score("speed"))
    scatter = _normal(prior.scatter_ln, prior.scatter_ln_sd, score("scatter"))
    width = _normal(prior.width_ln, prior.width_ln_sd, (mean, min(spread, 1.0)))
    passes = _normal(prior.passes_mean, prior.passes_sd, score("passes"))
    pitch = _normal(prior.pitch_mean, prior.pitch_sd, score("pitch"))
    start = _normal(prior.start_mean, prior.start_sd, score("start"))
    return replace(
        prior,
        speed_mean=speed[0],
        speed_sd=speed[1],
        scatter_ln=scatter[0],
        scatter_ln_sd=scatter[1],
        width_ln=width[0],
        width_ln_sd=width[1],
        passes_mean=passes[0],
        passes_sd=passes[1],
        pitch_mean=pitch[0],
        pitch_sd=pitch[1],
        start_mean=start[0],
        start_sd=start[1],
    )


def _beta(mean: float, sd: float) -> tuple[float, float]:
    """The beta distribution of a mean and a standard deviation, never flatter than usual."""
    size = max(mean * (1.0 - mean) / max(sd**2, 1e-6) - 1.0, _LEAST_BETA)
    return mean * size, (1.0 - mean) * size


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
