"""Shape scores of a book's pairs, each told where the others say it lies.

What one board says of its scatter is lopsided: a small scatter is never ruled out. A normal put in
its place under the usual prior would leave a bias that grows with the number of pairs; so it is put
there again under what the other pairs say, until the two agree.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from calib.fit.kinship import score_units
from calib.fit.moments import Draws, Moments, told_by
from calib.fit.random_effects import Units
from calib.records import Machine, Sheet

Array = npt.NDArray[np.float64]

# Rounds, and the share of each step that is taken: fewer or longer steps swing.
_ROUNDS = 4
_DAMPING = 0.7
_USUAL = Moments(mean=0.0, variance=1.0)


def told_scores(
    name: str, pairs: Sequence[tuple[Machine, Sheet]], draws: Sequence[Draws]
) -> list[Moments]:
    """What each pair says of a score, as a normal that is right where the others put it.

    Parameters
    ----------
    name
        Of the score.
    pairs
        Machine and sheet of each pair.
    draws
        Its draws of the score.

    Returns
    -------
    list of Moments
        One normal likelihood for each pair.
    """
    told = told_by(draws, [_USUAL] * len(draws))
    for _ in range(_ROUNDS if len(draws) > 1 else 0):
        units, _ = score_units(name, pairs, told)
        before = _leaving_one_out(units)
        new = told_by(draws, before)
        told = [_between(*both) for both in zip(told, new, strict=True)]
    return told


def _between(old: Moments, new: Moments) -> Moments:
    """A damped step between two normal likelihoods, in their natural parameters."""
    precision = (1.0 - _DAMPING) / old.variance + _DAMPING / new.variance
    natural = (1.0 - _DAMPING) * old.mean / old.variance + _DAMPING * new.mean / new.variance
    return Moments(mean=natural / precision, variance=1.0 / precision)


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
