"""Of settings that are as clean as each other, as far as is known, the fastest."""

from __future__ import annotations

import numpy as np

from calib.advise.candidates import Row, sample
from calib.advise.promise import Promised
from calib.fit import graded
from calib.fit.thinning import LOOK_POINTS
from calib.records import Setting

# Two settings are as clean as each other when their expected char grades differ by no more than is
# known of the difference, but at least and at most so much: two people who read differ by more.
_AS_CLEAN = (0.05, 0.2)
# So many settings are compared at once, and so many steps are looked at beyond the best of a look.
_AT_ONCE = 64
_BEYOND = 400


def fastest_as_clean(
    promised: Promised, reliability: float, every: list[Row], ends: tuple[Setting, Setting]
) -> Setting:
    """The fastest step that meets the reliability and isn't known to be dirtier than the cleanest.

    ``ends`` are the cleanest and the fastest step that meet it.
    """
    cleanest, fastest = ends
    looked = [s for s in _settings(sample(every)) if _pace(s) > _pace(cleanest)]
    best = _fastest(promised, reliability, cleanest, [fastest, *looked])
    if best is None or best == fastest:
        return best or cleanest
    row = next(r for r in every if (r.power_pct, r.passes) == (best.power_pct, best.passes))
    further = [s for s in _settings([row]) if s.speed_mm_s > best.speed_mm_s][:_BEYOND]
    return _fastest(promised, reliability, cleanest, further) or best


def _pace(at: Setting) -> float:
    return at.speed_mm_s / at.passes


def _settings(rows: list[Row]) -> list[Setting]:
    return [
        Setting(power_pct=row.power_pct, speed_mm_s=float(speed), passes=row.passes)
        for row in rows
        for speed in row.speeds
    ]


def _fastest(
    promised: Promised, reliability: float, cleanest: Setting, some: list[Setting]
) -> Setting | None:
    region = promised.region
    if not some or region.char is None:
        return None
    fit = graded.thinned(region.char, LOOK_POINTS)
    some = sorted(some, key=lambda s: (-_pace(s), s.power_pct))
    power, speed, passes = columns = [
        np.array([getattr(s, name) for s in [cleanest, *some]], dtype=float)
        for name in ("power_pct", "speed_mm_s", "passes")
    ]
    chance = promised.reliability_of(power[1:], speed[1:], passes[1:], None)
    good = np.flatnonzero(chance >= reliability)
    for part in np.array_split(good, max(len(good) // _AT_ONCE, 1)):
        rows = [0, *(part + 1)]
        given = [*(column[rows] for column in columns), np.full(len(rows), np.nan)]
        at = graded.graded_settings(region.machine, given, fit.prior, "char")
        grade = np.einsum("g,gjn->jn", np.arange(5.0), graded.chances_by_point(fit, at))
        more = grade[:, 1:] - grade[:, :1]
        mean = fit.weight @ more
        doubt = np.sqrt(fit.weight @ (more - mean) ** 2)
        tied = np.flatnonzero(mean <= np.clip(doubt, *_AS_CLEAN))
        if len(tied):
            return some[int(part[tied[0]])]
    return None
