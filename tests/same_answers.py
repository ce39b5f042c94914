"""What was fitted to the same burns, or chosen for the same question, isn't worked out again.

Many tests share an evening's burns. Both functions give the same for the same, and nothing that
they give can be changed; whoever imports them after this module gets them so.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from calib.fit import fits
from calib.plan import near_edge
from calib.plan.near_edge import Mask, Question

fitted = functools.lru_cache(64)(fits.fit)
chosen: dict[bytes, list[int]] = {}
choose_batch = near_edge.choose_batch


def fit(machine: Any, burns: Sequence[Any], *more: Any) -> Any:
    """As ``calib.fit.fits.fit``."""
    return fitted(machine, tuple(burns), *more)


def choose(
    question: Question, n: int, first: Sequence[Mask] = (), *, repeats: bool = True
) -> list[int]:
    """As ``calib.plan.near_edge.choose_batch``."""
    asked = hashlib.sha256(repr((n, repeats, question.chances.shape)).encode())
    for array in (*(getattr(question, one.name) for one in fields(question)), *first):
        asked.update(array.tobytes())
    key = asked.digest()
    if key not in chosen:
        chosen[key] = choose_batch(question, n, first, repeats=repeats)
    return list(chosen[key])


fits.fit = fit
near_edge.choose_batch = choose
