"""The cut model: reach, the ordinal no / hanging / through, and its chances.

For a burn at delivered power P [W], speed v [mm/s] and n passes

    reach  r = ln P + κ ln n − α − ln(f + (1 − f) v / v0)        y = r + σ ε,  ε ~ N(0, 1)

and the coupon is through if y > 0, hanging if −δ < y ≤ 0, else not cut. P is pivoted at full
power: ln P = ln P_full + k ln(P_nominal / P_full).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv, ndtr, ndtri

from calib.fit.priors import CutPrior
from calib.physics import delivered_power_w, mean_coupon_speed_mm_s
from calib.records import COUPON_CUT_MM, THROUGH_GRADES, Burn, Machine

Array = npt.NDArray[np.float64]

# The current lot among those that burns are of.
THIS_LOT = ""
PARAMETERS = ("floor", "exponent", "scatter", "band", "passes", "shared")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Shape parameters in their own units, one entry per posterior point, (J,) each."""

    floor: Array
    exponent: Array
    scatter: Array
    band: Array
    passes: Array
    shared: Array


# The beta quantile is slow; read off a table this fine it is right to 1e-6.
_TABLE_SCORES = np.linspace(-6.0, 6.0, 2401)


@lru_cache(maxsize=64)
def _floor_table(a: float, b: float) -> Array:
    """Beta(a, b) at the normal scores of the table, kept off 0 and 1, (2401,)."""
    return np.clip(betaincinv(a, b, ndtr(_TABLE_SCORES)), 1e-6, 0.98)


def shape_of(scores: Array, prior: CutPrior) -> Shape:
    """Turn normal scores into shape parameters.

    Parameters
    ----------
    scores
        Normal scores, (J, 6), in the order of ``PARAMETERS``.
    prior
        Prior that gives the scores their meaning.

    Returns
    -------
    Shape
        f [-], k [-], σ [ln W], δ [ln W], κ [-], τ [ln W].
    """
    floor, exponent, scatter, band, passes, shared = scores.T
    return Shape(
        floor=np.interp(floor, _TABLE_SCORES, _floor_table(prior.floor_a, prior.floor_b)),
        exponent=np.maximum(prior.exponent_mean + prior.exponent_sd * exponent, 0.3),
        scatter=np.exp(prior.scatter_ln + prior.scatter_ln_sd * scatter),
        band=np.exp(prior.band_ln + prior.band_ln_sd * band),
        passes=prior.passes_mean + prior.passes_sd * passes,
        shared=prior.shared_scale * ndtri(0.5 + 0.5 * np.clip(ndtr(shared), 1e-9, 1.0 - 1e-9)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Settings as the model sees them, (n,) each."""

    ln_full: float
    ln_share: Array
    speed_ratio: Array
    ln_passes: Array


def points_of(machine: Machine, setting: Sequence[Array], speed0_mm_s: float) -> Points:
    """Settings in the model's terms: ln full power, ln share of it, v / v0, ln n.

    ``setting`` holds power [% of full], speed [mm/s] and passes, (n,) each.
    """
    power_pct, speed_mm_s, passes = setting
    full = float(delivered_power_w(machine, 100.0))
    real = mean_coupon_speed_mm_s(speed_mm_s, machine.working_acceleration_mm_s2)
    return Points(
        ln_full=float(np.log(full)),
        ln_share=np.log(delivered_power_w(machine, power_pct) / full),
        speed_ratio=real / speed0_mm_s,
        ln_passes=np.log(passes.astype(float)),
    )


def critical_location(shape: Shape, at: Points) -> Array:
    """α at which each setting is on the edge, (J, n) [ln W]."""
    f = shape.floor[:, None]
    return np.asarray(
        at.ln_full
        + shape.exponent[:, None] * at.ln_share
        + shape.passes[:, None] * at.ln_passes
        - np.log(f + (1.0 - f) * at.speed_ratio)
    )


def edge_speed_ratio(shape: Shape, location: Array, ln_power: Array, ln_passes: float) -> Array:
    """v / v0 at which a ln power [ln W] is on the edge, (J,); 0 when even standstill isn't cut.

    The same formula solved for the speed: v/v0 = (exp(ln P + κ ln n − α) − f) / (1 − f).
    """
    needed = np.exp(ln_power + shape.passes * ln_passes - location)
    return np.asarray(np.maximum((needed - shape.floor) / (1.0 - shape.floor), 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class CutData:
    """Readings of cut burns as arrays, (n,) each."""

    at: Points
    grade: npt.NDArray[np.int64]
    count: Array
    length_ratio: Array
    group: npt.NDArray[np.int64]
    # The lot and the session of each group.
    sessions: tuple[tuple[str, str], ...]

    def groups_of(self, lot: str) -> list[int]:
        """Groups of a lot."""
        return [group for group, (own, _) in enumerate(self.sessions) if own == lot]


def cut_data(machine: Machine, burns: Sequence[Burn], prior: CutPrior) -> CutData:
    """Arrays of the cut burns that were read; each session of a lot is a group, the largest first.

    Parameters
    ----------
    machine
        Where they were burnt.
    burns
        Burns, any order; those without a reading are left out.
    prior
        Gives the reference speed.

    Returns
    -------
    CutData
        One row for all burns that are alike, sorted, so that their order can't matter.
    """
    alike = Counter(_key(b) for b in burns if b.operation == "cut" and b.through is not None)
    weight: Counter[Any] = Counter()
    for key, times in alike.items():
        weight[key[:-1]] += times * key[-1]
    used = sorted(weight)
    sizes: Counter[tuple[str, str, str]] = Counter()
    for key in used:
        sizes[key[-3:]] += weight[key]
    ranked = sorted(sizes, key=lambda name: (name[1] == "job", -sizes[name], name))
    power, speed, passes, grade, length = (
        np.array([key[column] for key in used], dtype=float) for column in range(5)
    )
    return CutData(
        at=points_of(machine, (power, speed, passes), prior.speed0_mm_s),
        grade=grade.astype(np.int64),
        count=np.array([weight[key] for key in used], dtype=float),
        length_ratio=length / COUPON_CUT_MM,
        group=np.array([ranked.index(key[-3:]) for key in used], dtype=np.int64),
        sessions=tuple((lot, session) for lot, _, session in ranked),
    )


def _key(burn: Burn) -> Any:
    """What makes two burns alike, then their count; jobs share a session of their own."""
    return (
        burn.power_pct,
        burn.speed_mm_s,
        burn.passes,
        THROUGH_GRADES.index(burn.through or "no"),
        burn.cut_length_mm or COUPON_CUT_MM,
        THIS_LOT if burn.lot is None else f"lot {burn.lot}",
        "job" if burn.source == "job" else "board",
        burn.session,
        burn.count,
    )
