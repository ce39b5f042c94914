"""The models of what is read, cut, char and mark, and their posterior as weighted points.

For a burn at delivered power P [W], speed v [mm/s] and n passes a cut has

    y = ln P + κ ln n − α − ln(f + (1 − f) v / v0) + σ ε,  ε ~ N(0, 1)

and the coupon is through if y > 0, hanging if −δ < y ≤ 0, else not cut. Char of a coupon that was
cut and the damage of a surface mark, of an area with line pitch s [mm], have

    y = ln P + κ ln n − g ln(v / v0) − h ln(s / s0) − α + σ ε

and the grade is the number of cut points −w1, 0, w2, w2 + w3 that y lies above; g = h = 1 would
mean that the energy per length or per area alone decides. Grades are damage, which only grows with
dose; darkness need not. P is pivoted at full power: ln P = ln P_full + k ln p, p the share that is
set; of a mark, which takes little, (p − d) p0 / (p0 − d), d the share at which the beam starts.
α is the location, everything else that isn't a setting is shape. A burn with another air than the
usual one, or of a stair, has α + a in place of α, with an a for each of ``FACTORS`` that it has;
without such burns there is none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import accumulate
from typing import Any, Generic, Literal, TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv, log_ndtr, ndtr, ndtri

from calib.fit import kernel
from calib.fit.engine import Problem, systematic
from calib.fit.kernel import Ints, Latent, Readings
from calib.fit.numerics import normal_below
from calib.fit.priors import FACTORS, MISREAD, CutPrior, GradedPrior, OffsetPrior
from calib.physics import delivered_power_w, mean_coupon_speed_mm_s
from calib.records import (
    COUPON_CUT_MM,
    GRADES,
    THROUGH_GRADES,
    Air,
    Burn,
    Machine,
    Setting,
)

Array = npt.NDArray[np.float64]
Response = Literal["cut", "char", "mark"]

# The current lot among those that burns are of.
THIS_LOT = ""
CUT_PARAMETERS = ("floor", "exponent", "scatter", "band", "passes", "shared")
# Each grade between the first and the last has a width.
WIDTHS = tuple(f"width{grade}" for grade in GRADES[1:-1])
GRADED_PARAMETERS = (
    "exponent", "speed", "scatter", *WIDTHS, "passes", "pitch", "start",
)  # fmt: skip
_STARTLESS = len(GRADED_PARAMETERS) - 1
# So near to the start of the beam, as a share of the power that is set, next to nothing comes out.
_FITFUL = 0.03
# Nodes for what a session shares: the trapezoidal rule on a normal; a whole job may pull far out.
SHARED_NODES = np.linspace(-4.5, 4.5, 15)
SHARED_WEIGHTS = np.exp(-0.5 * SHARED_NODES**2) / np.exp(-0.5 * SHARED_NODES**2).sum()
# Draws × settings that are worked at once: they stay where the processor is quick.
_AT_ONCE = 1 << 14
# The beta quantile is slow; read off a table this fine it is right to 1e-6.
_TABLE_SCORES = np.linspace(-6.0, 6.0, 2401)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings as the models see them: ln full power and logs of the rest, (n,) each."""

    ln_full: float
    ln_share: Array
    ln_speed_ratio: Array
    ln_passes: Array
    ln_pitch_ratio: Array
    pivot: float = 1.0  # Share at which what is set counts as such, wherever the beam starts
    # Of stairs, ln speed of the step that failed, inf where none did; None without any
    ln_next_ratio: Array | None = None
    # 1 where a burn has one of ``FACTORS``, (factors, n), None where none has; those that count
    has: Array | None = None
    factors: tuple[str, ...] = ()


def counted_ln_share(ln_share: Array, start: Array | float, pivot: float) -> Array:
    """What a share of full power counts for, as a logarithm, when the beam starts at ``start``."""
    share = np.exp(ln_share)
    above = np.maximum(share - start, _FITFUL * share)
    return np.asarray(np.log(above * (pivot / (pivot - start))))


def set_ln_share(counted: Array, start: Array | float, pivot: float) -> Array:
    """The share to be set for what it shall count for; the inverse of ``counted_ln_share``."""
    return np.asarray(np.log(start + (1.0 - start / pivot) * np.exp(counted)))


def columns_of(settings: Sequence[Setting | Burn]) -> list[Array]:
    """Power [%], speed [mm/s], passes and line pitch [mm; nan for none] of settings, (n,) each."""
    return [
        np.array([getattr(s, name) for s in settings], dtype=float)
        for name in ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")
    ]


def settings_of(
    machine: Machine, columns: Sequence[Array], prior: CutPrior | GradedPrior, response: Response
) -> Settings:
    """Columns as of ``columns_of`` (the pitch may be missing) in the terms of a prior's model.

    Cut and char are read along a coupon's outline, where corners slow the head; a mark has a
    run-up.
    """
    power, speed, passes, *pitch = columns
    full = float(delivered_power_w(machine, 100.0))
    if response != "mark":
        speed = mean_coupon_speed_mm_s(speed, machine.working_acceleration_mm_s2)
    pitch_ratio = np.zeros(len(power))
    if pitch and isinstance(prior, GradedPrior):
        pitch_ratio = np.nan_to_num(np.log(pitch[0] / prior.pitch0_mm))
    return Settings(
        ln_full=float(np.log(full)),
        ln_share=np.log(delivered_power_w(machine, power) / full),
        ln_speed_ratio=np.log(speed / prior.speed0_mm_s),
        ln_passes=np.log(passes),
        ln_pitch_ratio=pitch_ratio,
        pivot=prior.pivot if isinstance(prior, GradedPrior) else 1.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CutShape:
    """Shape of the cut, (J,) each: f [-], k [-], σ [ln W], δ [ln W], κ [-], τ [ln W].

    ``offsets`` (J, factors) is a of each of ``FACTORS`` [ln W], 0 of those that don't count.
    """

    floor: Array
    exponent: Array
    scatter: Array
    band: Array
    passes: Array
    shared: Array
    offsets: Array

    @property
    def cuts(self) -> Array:
        """Cut points, (J, 2) [ln W]."""
        return np.stack([-self.band, np.zeros_like(self.band)], axis=1)

    def critical(self, at: Settings) -> Array:
        """α at which each setting is on the edge, (J, n) [ln W]."""
        f = self.floor[:, None]
        # In place, since every array made anew costs as much as what is worked out in it.
        slower = (1.0 - f) * np.exp(at.ln_speed_ratio)
        slower += f
        found = _ln_power(self, at, at.ln_share)
        found -= np.log(slower, out=slower)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedShape:
    """Shape of a graded response, (J,) each: k, g, σ [ln W], κ, h, d; ``cuts`` (J, 4) [ln W].

    ``offsets`` as of the cut.
    """

    exponent: Array
    speed: Array
    scatter: Array
    cuts: Array
    passes: Array
    pitch: Array
    start: Array
    offsets: Array

    @property
    def shared(self) -> Array:
        """What a session shares: nothing that is modelled."""
        return np.zeros_like(self.scatter)

    def critical(self, at: Settings) -> Array:
        """α at which each setting is between grades 1 and 2, (J, n) [ln W]."""
        share = at.ln_share
        if self.start.any():
            share = counted_ln_share(share, self.start[:, None], at.pivot)
        found = _ln_power(self, at, share)
        found -= self.speed[:, None] * at.ln_speed_ratio
        if at.ln_pitch_ratio.any():
            found -= self.pitch[:, None] * at.ln_pitch_ratio
        return found


def _ln_power(shape: CutShape | GradedShape, at: Settings, ln_share: Array) -> Array:
    """Ln of what the power counts for over all passes, less the offsets, (J, n) [ln W]."""
    found = shape.exponent[:, None] * ln_share
    found += at.ln_full
    if at.ln_passes.any():
        found += shape.passes[:, None] * at.ln_passes
    if at.has is not None:
        found -= shape.offsets @ at.has
    return np.asarray(found)


Shape = TypeVar("Shape", CutShape, GradedShape)


@lru_cache(maxsize=64)
def _floor_table(a: float, b: float) -> Array:
    """Beta(a, b) at the normal scores of the table, kept off 0 and 1, (2401,)."""
    return np.clip(betaincinv(a, b, ndtr(_TABLE_SCORES)), 1e-6, 0.98)


def _offsets_of(scores: Array, prior: OffsetPrior, factors: Sequence[str]) -> Array:
    """What each factor adds to α, (J, factors), by the last of the scores."""
    found = np.zeros((len(scores), len(FACTORS)))
    for factor, score in zip(factors, scores.T[len(scores.T) - len(factors) :], strict=True):
        mean, sd = (getattr(prior, f"{factor}_{name}") for name in ("mean", "sd"))
        found[:, FACTORS.index(factor)] = mean + sd * score
    return found


def cut_shape(scores: Array, prior: CutPrior, factors: Sequence[str] = ()) -> CutShape:
    """Turn normal scores, (J, P) in the order of ``parameters_of``, into a shape."""
    floor, exponent, scatter, band, passes, shared = scores.T[: len(CUT_PARAMETERS)]
    return CutShape(
        floor=np.interp(floor, _TABLE_SCORES, _floor_table(prior.floor_a, prior.floor_b)),
        exponent=np.maximum(prior.exponent_mean + prior.exponent_sd * exponent, 0.3),
        scatter=np.exp(prior.scatter_ln + prior.scatter_ln_sd * scatter),
        band=np.exp(prior.band_ln + prior.band_ln_sd * band),
        passes=prior.passes_mean + prior.passes_sd * passes,
        shared=prior.shared_scale * ndtri(0.5 + 0.5 * np.clip(ndtr(shared), 1e-9, 1.0 - 1e-9)),
        offsets=_offsets_of(scores, prior, factors),
    )


def graded_shape(scores: Array, prior: GradedPrior, factors: Sequence[str] = ()) -> GradedShape:
    """Turn normal scores, (J, P) in the order of ``parameters_of``, into a shape."""
    exponent, speed, scatter, *widths, passes, pitch = scores.T[:_STARTLESS]
    low, *above = (np.exp(prior.width_ln + prior.width_ln_sd * w) for w in widths)
    return GradedShape(
        exponent=np.maximum(prior.exponent_mean + prior.exponent_sd * exponent, 0.3),
        speed=np.maximum(prior.speed_mean + prior.speed_sd * speed, 0.05),
        scatter=np.exp(prior.scatter_ln + prior.scatter_ln_sd * scatter),
        cuts=np.stack([-low, np.zeros_like(low), *accumulate(above)], axis=1),
        passes=prior.passes_mean + prior.passes_sd * passes,
        pitch=np.maximum(prior.pitch_mean + prior.pitch_sd * pitch, 0.0),
        start=prior.start_most * ndtr(prior.start_mean + prior.start_sd * scores.T[_STARTLESS])
        if prior.start_most
        else np.zeros_like(low),
        offsets=_offsets_of(scores, prior, factors),
    )


def shape_of(scores: Array, prior: CutPrior | GradedPrior, factors: Sequence[str] = ()) -> Any:
    """The shape of normal scores under a prior of its kind."""
    if isinstance(prior, CutPrior):
        return cut_shape(scores, prior, factors)
    return graded_shape(scores, prior, factors)


def grade_of(burn: Burn, response: Response) -> int | None:
    """The grade that was read; None where there is none."""
    if response == "cut":
        known = burn.operation == "cut" and burn.through is not None
        return THROUGH_GRADES.index(burn.through or "no") if known else None
    # Char of a coupon that wasn't cut at least to hanging says nothing of a cut edge.
    if response == "char" and burn.through not in ("hanging", "through"):
        return None
    return getattr(burn, response)  # type: ignore[no-any-return]


def problem_of(
    machine: Machine,
    burns: Sequence[Burn],
    prior: CutPrior | GradedPrior,
    response: Response,
    air: Air | None = None,
) -> tuple[Problem, Settings]:
    """A response with the burns that have its reading, for the engine, and their settings.

    An air that is asked about has its parameter, whether or not a burn had it.
    Each session of a lot is a group, the largest first and jobs, which share sessions of their own,
    last; all is sorted, so that the order of the burns can't matter. Grades share nothing.
    """
    cut = prior if isinstance(prior, CutPrior) else None
    counts: Counter[tuple[Any, Any]] = Counter()
    told: set[str] = set()
    for b in burns:
        grade = grade_of(b, response)
        if grade is not None:
            length = (b.cut_length_mm or COUPON_CUT_MM) / COUPON_CUT_MM if cut else 1.0
            lot = THIS_LOT if b.lot is None else f"lot {b.lot}"
            session = (lot, "job" if b.source == "job" else "board", b.session)
            # The ends of a stair of marks are as good as cells.
            straight = b.source == "stair" and (cut is not None or b.fails_at_mm_s is not None)
            own = {"stair"} if straight else set[str]()
            own |= {f"air_{b.air}"} if b.air else set()
            row = (
                *(b.power_pct, b.speed_mm_s, b.passes, b.line_pitch_mm or np.inf, grade),
                *(1.0 if straight else length, b.fails_at_mm_s or np.inf),
                *(factor in own for factor in FACTORS),
            )
            told |= own
            counts[row, session if cut else (THIS_LOT, "board", "")] += b.count
    rows = sorted({row for row, _ in counts})
    sizes: Counter[tuple[str, str, str]] = Counter()
    for (_, session), times in counts.items():
        sizes[session] += times
    sessions = sorted(sizes, key=lambda name: (name[1] == "job", -sizes[name], name))
    count = np.zeros((max(len(sessions), 1), len(rows)))
    place = {row: i for i, row in enumerate(rows)}
    for (row, session), times in counts.items():
        count[sessions.index(session), place[row]] = times
    table = np.array(rows, dtype=float).reshape(-1, 7 + len(FACTORS))
    power, speed, passes, pitch, read, path, failed, *has = table.T
    stair = has[FACTORS.index("stair")] > 0.0
    pitch = np.where(np.isinf(pitch), np.nan, pitch)
    at = settings_of(machine, (power, speed, passes, pitch), prior, response)
    factors = tuple(one for one in FACTORS if one in told or one == f"air_{air}")
    if factors:
        at = replace(at, has=np.array(has), factors=factors)
    if stair.any():
        # Along a straight cut no corner slows the head.
        along = np.log(speed / prior.speed0_mm_s)
        at = replace(
            at,
            ln_speed_ratio=np.where(stair, along, at.ln_speed_ratio),
            ln_next_ratio=np.log(failed / prior.speed0_mm_s),
        )
    silent = {
        "passes": not at.ln_passes.any(),
        "pitch": not at.ln_pitch_ratio.any(),
        "shared": len(sessions) <= 1,
        **{one: one not in told for one in factors},
    }
    names = parameters_of(prior, factors)

    def latent(scores: Array) -> Latent:
        return latent_of(shape_of(scores, prior, factors), at)

    problem = Problem(
        dimensions=len(names),
        informed=tuple(i for i, name in enumerate(names) if not silent.get(name)),
        latent_of=latent,
        readings=Readings(
            grade=read.astype(np.int64),
            count=count,
            length=path,
            ln_whole=-(cut.defects_per_m if cut else 0.0) * COUPON_CUT_MM / 1000.0 * path,
            misread=MISREAD,
            stair=stair if stair.any() else None,
            stair_sd=prior.stair_own,
            lots=tuple(lot for lot, _, _ in sessions) or (THIS_LOT,),
            lot_scale=cut.lot_scale if cut else 0.0,
        ),
        location_prior=(prior.location, prior.location_scale, prior.location_df),
    )
    return problem, at


def parameters_of(prior: CutPrior | GradedPrior, factors: Sequence[str] = ()) -> tuple[str, ...]:
    """Names of the shape scores of a prior's model, in their order; those of factors are last."""
    names = GRADED_PARAMETERS
    if isinstance(prior, CutPrior):
        names = CUT_PARAMETERS
    elif not prior.start_most:
        names = GRADED_PARAMETERS[:_STARTLESS]
    return *names, *factors


def latent_of(shape: CutShape | GradedShape, at: Settings) -> Latent:
    """The kernel's latent of shapes at settings."""
    following = None
    if at.ln_next_ratio is not None:
        following = shape.critical(replace(at, ln_speed_ratio=at.ln_next_ratio))
    return Latent(
        critical=shape.critical(at),
        scatter=shape.scatter,
        shared=shape.shared,
        cuts=shape.cuts,
        next_step=following,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws(Generic[Shape]):
    """Weighted points of what a sheet is like: shape, α and how much more u may add, (J,) each."""

    shape: Shape
    location: Array
    extra_sd: Array
    weight: Array

    def take(self, rows: Ints | slice, **changes: Array) -> Draws[Shape]:
        """Some points in the given order, with other values."""
        own = {f.name: getattr(self.shape, f.name)[rows] for f in fields(self.shape)}
        parts = {name: getattr(self, name)[rows] for name in ("location", "extra_sd", "weight")}
        return Draws(shape=replace(self.shape, **own), **(parts | changes))

    def thinned(self, n: int) -> Draws[Shape]:
        """At most n even-weight draws; nothing random."""
        if len(self.weight) <= n:
            return self
        return self.take(systematic(self.weight, self.location, n), weight=np.full(n, 1.0 / n))

    def reach(self, at: Settings) -> Array:
        """How far each setting lies above cut point 0 at each point, (J, n) [ln W]."""
        found: Array = self.shape.critical(at)
        found -= self.location[:, None]
        return found

    def grade_chances(self, at: Settings) -> Array:
        """Chance of each grade at each point, (grades, J, n), where nothing more is added."""
        return kernel.grade_chances(self.reach(at), self.shape.scatter, self.shape.cuts)


def together(parts: Sequence[Draws[Shape]], weights: Sequence[float]) -> Draws[Shape]:
    """Points of several posteriors, each believed with its weight."""

    whole = np.repeat(np.asarray(weights) / np.sum(weights), [len(p.weight) for p in parts])
    own = {
        f.name: np.concatenate([getattr(part.shape, f.name) for part in parts])
        for f in fields(parts[0].shape)
    }
    return Draws(
        shape=replace(parts[0].shape, **own),
        location=np.concatenate([part.location for part in parts]),
        extra_sd=np.concatenate([part.extra_sd for part in parts]),
        weight=np.concatenate([part.weight for part in parts]) * whole,
    )


def averaged(draws: Draws[Shape], at: Settings, value: Callable[[Draws[Shape]], Array]) -> Array:
    """Mean over the draws of what has a value at each of some draws and setting, (…, j, n)."""
    step = max(_AT_ONCE // max(len(at.ln_share), 1), 1)
    total: Any = 0.0
    for start in range(0, len(draws.weight), step):
        some = draws.take(slice(start, start + step))
        total = total + some.weight @ value(some)
    return np.asarray(total)


def grade_chances(draws: Draws[Any], at: Settings) -> Array:
    """Chance of each grade, (grades, n)."""
    return averaged(draws, at, lambda some: some.grade_chances(at))


def chance_between(draws: Draws[Any], at: Settings, low: int, high: int) -> Array:
    """Chance of a grade from ``low`` to ``high``, (n,): the two ends, not each grade between."""

    def chance(some: Draws[Any]) -> Array:
        sharp = 1.0 / some.shape.scatter[:, None]
        reach, cuts = some.reach(at) * sharp, some.shape.cuts * sharp
        whole = high >= cuts.shape[1]
        found = np.ones_like(reach) if whole else normal_below(cuts[:, high, None] - reach)
        if low > 0:
            found -= normal_below(cuts[:, low - 1, None] - reach)
        return np.maximum(found, 0.0)

    return averaged(draws, at, chance)


def through_by_point(draws: Draws[CutShape], at: Settings) -> Array:
    """Chance that the next coupon is through at each point, (J, n)."""
    sharp = 1.0 / np.hypot(draws.shape.scatter, draws.extra_sd)[:, None]
    reach = draws.reach(at)
    reach *= sharp
    return normal_below(reach)


def coupon_chance(draws: Draws[CutShape], at: Settings) -> Array:
    """Chance that the next coupon is through, (n,)."""
    return averaged(draws, at, lambda some: through_by_point(some, at))


def job_chance(draws: Draws[CutShape], at: Settings, length_ratio: float) -> Array:
    """Chance that a whole job of so many coupons' length is through, (n,)."""
    nodes, weights = SHARED_NODES, SHARED_WEIGHTS
    if not draws.extra_sd.any():
        nodes, weights = np.zeros(1), np.ones(1)

    def chance(some: Draws[CutShape]) -> Array:
        reach, total = some.reach(at), 0.0
        for node, weight in zip(nodes, weights, strict=True):
            z = (reach + (some.extra_sd * node)[:, None]) / some.shape.scatter[:, None]
            total = total + weight * np.exp(length_ratio * log_ndtr(z))
        return np.asarray(total)

    return averaged(draws, at, chance)


def edge_ln_speed(
    draws: Draws[CutShape],
    machine: Machine,
    prior: CutPrior,
    power_pct: float,
    sigmas: float = 0.0,
    passes: int = 1,
) -> Array:
    """Ln speed at which the reach is ``sigmas`` scatters, at each point, (J,) [ln mm/s].

    The reach solved for the speed: v / v0 = (exp(ln P + κ ln n − σ sigmas − α) − f) / (1 − f); a
    very low speed where nothing is cut.
    """
    full = float(delivered_power_w(machine, 100.0))
    share = float(np.log(delivered_power_w(machine, power_pct) / full))
    shape = draws.shape
    ln_power = float(np.log(full)) + shape.exponent * share - sigmas * shape.scatter
    needed = np.exp(ln_power + shape.passes * float(np.log(passes)) - draws.location)
    ratio = (needed - shape.floor) / (1.0 - shape.floor)
    return np.asarray(np.log(np.maximum(ratio, 1e-4) * prior.speed0_mm_s))
