"""Which marks to burn next: from too faint to too deep, at speeds that the head really reaches."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from calib.fit.fits import GradedFit
from calib.fit.model import columns_of, set_ln_share, settings_of
from calib.fit.region import Region
from calib.limits import (
    ABOVE_START,
    LOWEST_MARK_PCT,
    check_limits,
    fastest_mark_mm_s,
    gentle_first,
    limits_of,
    snap_setting,
)
from calib.materials import expected_response
from calib.physics import delivered_power_w
from calib.plan.near_edge import Mask, Question, choose_batch, without_tails
from calib.records import GRADES, KINDS, Grades, Machine, Setting, grade_ends

Array = npt.NDArray[np.float64]

# Draws of the posterior that a plan works with.
_DRAWS = 640
# So many powers are tried, from the lowest that is trusted to come out to the ceiling, and so many
# speeds, from the fastest down to this share of it.
_POWERS = 7
_SPEED_SHARES = tuple(np.geomspace(0.06, 1.0, 11))
# A cell that is this sure to scorch teaches little and smokes a lot.
_SURELY_SCORCHED = 0.9
# Nor does one that is this sure to leave nothing.
_SURELY_NOTHING = 0.97
# The first board is a ladder of doses between these two, so that it spans the grades though the
# table be off. Its rungs stand by turns at fast and slow speeds, as shares of the fastest: they
# tell the slope of speed.
_FAST_SHARE, _SLOW_SHARE = 0.75, 0.25
# Line pitches of first area marks [mm]: about the width of a focused line, and half as much again,
# which takes a third less time (common practice).
_PITCHES_MM = (0.1, 0.15)
# A first board of fewer areas keeps to the coarsest: advice never leaves what was burnt at a pitch,
# and one or two burns at each of two enclose nothing. Measured with two at a time
# (tests/benchmarks/README.md, "Marks"); for three to five it is a guess.
_FEWEST_OF_PITCHES = 6


def mark_pitch(region: Region, line_pitch_mm: float | None = None) -> float | None:
    """Line pitch of an area mark: as wished, the one most burnt, or the default; None for lines."""
    burnt = Counter(burn.line_pitch_mm for burn in region.burns)
    pitches = mark_pitches(region, line_pitch_mm)
    return max(pitches, key=lambda pitch: burnt[pitch])


def mark_pitches(
    region: Region, line_pitch_mm: float | None = None
) -> tuple[float, ...] | tuple[None]:
    """Line pitches to plan with, finest first; None for lines."""
    if KINDS[region.operation].shape != "area":
        return (None,)
    burnt = sorted({b.line_pitch_mm for b in region.burns if b.line_pitch_mm})
    return (line_pitch_mm,) if line_pitch_mm else tuple(burnt) or _PITCHES_MM


def mark_candidates(
    region: Region,
    fit: GradedFit,
    pitches: Sequence[float | None],
    fastest_mm_s: float = math.inf,
) -> list[Setting]:
    """Settings from faint to deep on the machine's steps, without repeats.

    Raises MachineLimit when even the gentlest mark of the machine is slow or strong enough to set
    the sheet alight.
    """
    machine = region.machine
    fastest = fastest_mark_of(region, fastest_mm_s)
    every = {
        snap_setting(machine, power, fastest * share, line_pitch_mm=pitch): None
        for power in mark_powers(machine)
        for share in _SPEED_SHARES
        for pitch in pitches
    }
    kind = (machine, region.sheet, region.operation)
    limits = {pitch: limits_of(*kind, pitch, fastest_mm_s=fastest_mm_s) for pitch in pitches}
    settings = [setting for setting in every if not limits[setting.line_pitch_mm].beyond(setting)]
    if not settings:
        check_limits(*kind, gentle_first(machine, every), fastest_mm_s=fastest_mm_s)
    # A line that gets far more than a clear mark needs isn't dangerous yet, but tells nothing.
    most = expected_response(region.sheet.material, machine.source).most_times
    settings = [s for s in settings if limits[s.line_pitch_mm].times(s) <= most] or settings
    nothing, *_, scorched = np.einsum(
        "gjn,j->gn", chances_of(region, fit, settings), fit.here.weight
    )
    gentle = np.flatnonzero((scorched < _SURELY_SCORCHED) & (nothing < _SURELY_NOTHING))
    return [settings[i] for i in gentle] or [settings[int(np.argmin(scorched))]]


def mark_powers(machine: Machine) -> list[float]:
    """Powers to try, in equal ratios from the lowest that is trusted to the ceiling [%]."""
    lowest = max(machine.beam_starts_pct * ABOVE_START, LOWEST_MARK_PCT)
    return [float(power) for power in np.geomspace(lowest, machine.ceiling_pct, _POWERS)]


def fastest_mark_of(region: Region, fastest_mm_s: float = math.inf) -> float:
    """Fastest mark to plan: what a board has room for; without one what a small one has."""
    machine = region.machine
    if math.isfinite(fastest_mm_s):
        return min(machine.max_speed_mm_s, fastest_mm_s)
    return max([fastest_mark_mm_s(machine), *(b.speed_mm_s for b in region.burns)])


def chances_of(region: Region, fit: GradedFit, settings: Sequence[Setting]) -> Array:
    """Chance of each grade at each posterior point for settings, (grades, J, n)."""
    at = settings_of(region.machine, columns_of(settings), fit.prior, "mark")
    return fit.here.grade_chances(at)


def next_marks(
    region: Region,
    n: int,
    mark: Grades = 2,
    line_pitch_mm: float | None = None,
    *,
    fastest_mm_s: float = math.inf,
    same_power: bool = False,
) -> list[Setting]:
    """The n marks that teach most of where a grade begins and ends; see ``next_cuts``."""
    assert region.mark is not None
    fit = region.mark.thinned(_DRAWS)
    pitches = mark_pitches(region, line_pitch_mm)
    if not region.burns and n < _FEWEST_OF_PITCHES:
        pitches = pitches[-1:]
    candidates = mark_candidates(region, fit, pitches, fastest_mm_s)
    burnt = {burn.setting for burn in region.burns}
    # A neighbour tells as much as the same setting twice, and where power or speed leads as well.
    candidates = [c for c in candidates if c not in burnt] or candidates
    if same_power:
        # The power at which most speeds tell something.
        ((power, _),) = Counter(one.power_pct for one in candidates).most_common(1)
        candidates = [one for one in candidates if one.power_pct == power]
    fastest = fastest_mark_of(region, fastest_mm_s)
    question = Question(
        weight=fit.here.weight,
        chances=chances_of(region, fit, candidates),
        targets=without_tails(_boundaries(region, fit, mark, pitches, fastest)),
        importance=np.tile([1.0, 1.0, 0.5, 0.5], len(pitches)) / len(pitches),
    )
    first = [] if region.burns else _ladder(region, fit, candidates, n)
    batch = choose_batch(question, n, first, repeats=False)
    return [candidates[i] for i in batch]


def _boundaries(
    region: Region,
    fit: GradedFit,
    mark: Grades,
    pitches: Sequence[float | None],
    fastest_mm_s: float,
) -> Array:
    """Ln power share where the grade ends and begins, at the fastest speed and at a third of it, of
    each pitch."""
    machine, shape = region.machine, fit.here.shape
    (low, high), location = grade_ends(mark), fit.here.location
    full = float(np.log(delivered_power_w(machine, 100.0)))
    columns = []
    for pitch, share in product(pitches, (1.0, 1.0 / 3.0)):
        ratio = 0.0 if pitch is None else np.log(pitch / fit.prior.pitch0_mm)
        speed = np.log(fastest_mm_s * share / fit.prior.speed0_mm_s)
        for cut in (min(high, GRADES[-2]), max(low - 1, 0)):
            needed = location + shape.cuts[:, cut] + shape.speed * speed + shape.pitch * ratio
            counted = (needed - full) / shape.exponent
            columns.append(set_ln_share(counted, shape.start, fit.prior.pivot))
    return np.asarray(np.clip(np.stack(columns, axis=1), np.log(0.01), 0.0))


def _ladder(region: Region, fit: GradedFit, candidates: list[Setting], n: int) -> list[Mask]:
    """A first board's rungs: even steps of dose from nothing to scorched, fast, slow by turns."""
    at = settings_of(region.machine, columns_of(candidates), fit.prior, "mark")
    # In the middle of even draws: where the beam may not have started the mean is far down.
    dose = np.median(fit.here.reach(at), axis=0)
    low, high = float(dose.min()), float(dose.max())
    rungs = low + (high - low) * (np.arange(n) / (n - 1) if n > 1 else np.full(1, 0.5))
    speed = np.array([c.speed_mm_s for c in candidates])
    fast, slow = _FAST_SHARE * speed.max(), _SLOW_SHARE * speed.max()
    masks = []
    for number, rung in enumerate(rungs):
        away = np.abs(dose - rung)
        wide = 0.5 if 0 < number < n - 1 else 0.25
        near = away <= max(wide * (high - low) / max(n - 1, 1), float(away.min()))
        slowest, fastest = speed[near].min(), speed[near].max()
        turn = speed <= max(slow, slowest) if number % 2 else speed >= min(fast, fastest)
        masks.append(near & turn)
    return masks
