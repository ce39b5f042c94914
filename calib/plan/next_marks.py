"""Which marks to burn next: from too faint to too deep, at speeds that the head really reaches."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from calib.fit.fits import GradedFit
from calib.fit.model import columns_of, settings_of
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
from calib.plan.next_burns import DRAWS
from calib.records import Setting

Array = npt.NDArray[np.float64]

# Powers tried, as multiples of the lowest that is trusted to come out, and speeds as shares of the
# fastest.
_POWER_STEPS = (1.0, 1.35, 1.8, 2.4, 3.2, 4.2)
_SPEED_SHARES = tuple(np.geomspace(0.12, 1.0, 11))
# A cell that is this sure to scorch teaches little and smokes a lot.
_SURELY_SCORCHED = 0.9
# Line pitch of a first area mark [mm]: about the width of a focused line (common practice).
DEFAULT_PITCH_MM = 0.1


def mark_pitch(region: Region, line_pitch_mm: float | None = None) -> float | None:
    """Line pitch of an area mark: as wished, as burnt, or the default; None for lines."""
    if region.operation != "area_mark":
        return None
    burnt = sorted({b.line_pitch_mm for b in region.burns if b.line_pitch_mm})
    return line_pitch_mm or (burnt[0] if burnt else DEFAULT_PITCH_MM)


def mark_candidates(
    region: Region, fit: GradedFit, pitch: float | None, fastest_mm_s: float = math.inf
) -> list[Setting]:
    """Settings from faint to deep on the machine's steps, without repeats.

    Raises MachineLimit when even the gentlest mark of the machine is slow or strong enough to set
    the sheet alight.
    """
    machine = region.machine
    lowest = max(machine.beam_starts_pct * ABOVE_START, LOWEST_MARK_PCT)
    fastest = min(fastest_mark_mm_s(machine), fastest_mm_s)
    every = {
        snap_setting(
            machine, min(lowest * up, machine.ceiling_pct), fastest * share, line_pitch_mm=pitch
        ): None
        for up in _POWER_STEPS
        for share in _SPEED_SHARES
    }
    kind = (machine, region.sheet, region.operation)
    limits = limits_of(*kind, pitch, fastest_mm_s=fastest_mm_s)
    settings = [setting for setting in every if not limits.beyond(setting)]
    if not settings:
        check_limits(*kind, gentle_first(machine, every), fastest_mm_s=fastest_mm_s)
    # A line that gets far more than a clear mark needs isn't dangerous yet, but tells nothing.
    most = expected_response(region.sheet.material, machine.source).most_times
    settings = [setting for setting in settings if limits.times(setting) <= most] or settings
    scorched = chances_of(region, fit, settings)[4].T @ fit.here.weight
    gentle = [s for s, chance in zip(settings, scorched, strict=True) if chance < _SURELY_SCORCHED]
    return gentle or [settings[int(np.argmin(scorched))]]


def chances_of(region: Region, fit: GradedFit, settings: Sequence[Setting]) -> Array:
    """Chance of each grade at each posterior point for settings, (5, J, n)."""
    at = settings_of(region.machine, columns_of(settings), fit.prior, "mark")
    return fit.here.grade_chances(at)


def next_marks(
    region: Region,
    n: int,
    mark: int = 2,
    line_pitch_mm: float | None = None,
    *,
    fastest_mm_s: float = math.inf,
) -> list[Setting]:
    """The n marks that teach most of where a grade begins and ends."""
    assert region.mark is not None
    fit = region.mark.thinned(DRAWS)
    pitch = mark_pitch(region, line_pitch_mm)
    candidates = mark_candidates(region, fit, pitch, fastest_mm_s)
    question = Question(
        weight=fit.here.weight,
        chances=chances_of(region, fit, candidates),
        targets=without_tails(_boundaries(region, fit, mark, pitch)),
        importance=np.array([1.0, 1.0, 0.3]),
    )
    first = _must(region, candidates) if n >= 3 else []
    batch = choose_batch(question, n, first, repeats=bool(region.burns))
    return [candidates[i] for i in batch]


def _boundaries(region: Region, fit: GradedFit, mark: int, pitch: float | None) -> Array:
    """Ln power share where the grade ends and begins at top speed, and ends at a third of it."""
    machine, shape = region.machine, fit.here.shape
    full = float(np.log(delivered_power_w(machine, 100.0)))
    ratio = 0.0 if pitch is None else np.log(pitch / fit.prior.pitch0_mm)
    columns = []
    for cut, share in ((min(mark, 3), 1.0), (max(mark - 1, 0), 1.0), (min(mark, 3), 1.0 / 3.0)):
        speed = np.log(fastest_mark_mm_s(machine) * share / fit.prior.speed0_mm_s)
        needed = fit.here.location + shape.cuts[:, cut] + shape.speed * speed + shape.pitch * ratio
        columns.append((needed - full) / shape.exponent)
    return np.asarray(np.clip(np.stack(columns, axis=1), np.log(0.01), 0.0))


def _must(region: Region, candidates: list[Setting]) -> list[Mask]:
    """A first board's corners: advice keeps to the hull, which must span power and speed."""
    if region.burns:
        return []
    power = np.log([c.power_pct for c in candidates])
    speed = np.log([c.speed_mm_s for c in candidates])
    wide = power >= power.min() + np.log(2.0) - 1e-9
    slow = speed <= speed.max() - np.log(3.0)
    return [wide if wide.any() else power == power.max(), slow & ~wide, (speed == speed.max())]
