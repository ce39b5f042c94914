"""Choose the few burns that teach most of what is asked; knows chances and targets, not models.

A batch is chosen one cell at a time. For each candidate the variance of the targets that would be
left, averaged over everything the batch could show, is worked out exactly from the posterior draws;
the candidate with the least loss joins the batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Outcomes of the batch so far that are followed on; the likeliest are kept. Six burns of a cut have
# 3^5 = 243 before the last; larger batches follow fewer, so that the work stays in bounds.
_MOST_WORK = 1536
_FEWEST_PATHS = 32
# Batches up to this size are gone over once more, cell by cell.
_LARGEST_EXCHANGED = 10
# An outcome less likely than this share is rounding.
_NO_CHANCE = 1e-12
# The part of what is believed that a plan cares for; the rest is met when the burns point there.
CORE = (0.04, 0.96)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a batch is to settle."""

    weight: Array  # Weights of the posterior draws, (J,)
    # Chance of each outcome of each candidate at each draw, (outcomes, J, candidates)
    chances: Array
    # What is asked, at each draw, (J, T); each column in the same unit (a logarithm)
    targets: Array
    importance: Array  # What a standard deviation of each target costs, (T,)


def choose_batch(
    question: Question, n: int, first: Sequence[Mask] = (), *, repeats: bool = True
) -> list[int]:
    """Choose n candidates, one after the other, each the best after the ones before.

    Notes
    -----
    After the last one each choice is made once more, given all the others. Loss: Σ_t importance_t
    √(E[Var(target_t | outcomes)]), the preposterior variance [1]_.

    References
    ----------
    .. [1] Chaloner K., Verdinelli I. (1995) Bayesian experimental design: a review. Statistical
       Science 10(3):273-304 (from memory).
    """
    most = max(_MOST_WORK // n, _FEWEST_PATHS)
    paths = question.weight[None, :] / question.weight.sum()
    everyone = np.ones(question.chances.shape[2], dtype=bool)
    chosen: list[int] = []
    for step in range(n):
        allowed = first[step] if step < len(first) else everyone
        chosen.append(_best(question, paths, allowed, () if repeats else chosen))
        paths = _followed(paths, question.chances[:, :, chosen[-1]], most)
    if n > _LARGEST_EXCHANGED:
        return chosen
    for place in range(n):
        others = chosen[:place] + chosen[place + 1 :]
        paths = question.weight[None, :] / question.weight.sum()
        for other in others:
            paths = _followed(paths, question.chances[:, :, other], most)
        allowed = first[place] if place < len(first) else everyone
        chosen[place] = _best(question, paths, allowed, () if repeats else others)
    return chosen


def _best(question: Question, paths: Array, allowed: Mask, taken: Sequence[int]) -> int:
    """The allowed candidate with the least loss that isn't taken; any allowed one if all are."""
    free = allowed.copy()
    free[list(taken)] = False
    if not free.any():
        free = allowed if allowed.any() else np.ones_like(allowed)
    some = np.flatnonzero(free)
    asked = replace(question, chances=question.chances[:, :, some])
    return int(some[np.argmin(_losses(asked, paths))])


def _losses(question: Question, paths: Array) -> Array:
    """Loss after each candidate, (candidates,).

    Summed over outcomes the second moment is what it was before; so only the squared means that the
    outcomes would give count: E[Var] = E[target²] − Σ_outcomes (E[target; outcome])² / chance. The
    last outcome is what the others leave.
    """
    mean = question.weight @ question.targets / question.weight.sum()
    centred = question.targets - mean
    whole, moments = paths.sum(axis=1), paths @ centred
    masses = [paths @ chance for chance in question.chances[:-1]]
    masses.append(np.maximum(whole[:, None] - sum(masses), 0.0))
    unlikely = [mass <= _NO_CHANCE * whole[:, None] for mass in masses]
    left = np.empty((len(question.importance), question.chances.shape[2]))
    for t, target in enumerate(centred.T):
        firsts = [paths @ (chance * target[:, None]) for chance in question.chances[:-1]]
        firsts.append(moments[:, [t]] - sum(firsts))
        told = sum(
            np.where(never, 0.0, first**2 / np.where(never, 1.0, mass)).sum(axis=0)
            for first, mass, never in zip(firsts, masses, unlikely, strict=True)
        )
        left[t] = np.maximum((paths @ target**2).sum() - told, 0.0)
    return np.asarray(question.importance @ np.sqrt(left))


def _followed(paths: Array, chance: Array, most: int) -> Array:
    """Split each path by the outcomes of a burn; keep the likeliest, (at most ``most``, J)."""
    split = (paths[None, :, :] * chance[:, None, :]).reshape(-1, paths.shape[1])
    mass = split.sum(axis=1)
    if len(split) <= most:
        return np.asarray(split[mass > 0])
    keep = np.sort(np.argsort(-mass, kind="stable")[:most])
    return np.asarray(split[keep] * (mass.sum() / mass[keep].sum()))


def without_tails(targets: Array) -> Array:
    """Targets with each column clipped to its core, so that far tails don't draw the burns."""
    low, high = np.quantile(targets, CORE, axis=0)
    return np.asarray(np.clip(targets, low, high))
