"""The same sheet on another machine: what is expected there, and where to begin.

A transferred region rests on no burn made on that machine. It is wider, its machine's own power
curve and lens stand in it, and nothing is recommended from it: it gives a starting point and the
burns that confirm it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from calib.errors import InvalidRecord
from calib.fit.fits import CutFit, GradedFit
from calib.fit.fitting import region_from
from calib.fit.kinship import ln_width
from calib.fit.model import counted_ln_share, edge_ln_speed
from calib.fit.pool import Pool, pool_records
from calib.fit.priors import Priors, expected_priors
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.limits import fastest_cut_mm_s, limits_of, snap_setting
from calib.physics import delivered_power_w
from calib.plan.next_burns import next_cuts, passes_to_try
from calib.plan.next_marks import chances_of, mark_candidates, mark_pitches, next_marks
from calib.records import USUAL_RELIABILITY, Grid, Machine, Setting
from calib.texts.say import say

Array = npt.NDArray[np.float64]

# The interval that is stated holds the truth in so many of 10 cases (checked by simulation, see
# tests/benchmarks/other_wattage.py).
INTERVAL_SHARE = 0.9
# Burns that confirm a starting point.
CONFIRMING_BURNS = 4
# Draws of the posterior that quantiles are read from.
_DRAWS = 4000
# Ratio of wattages from which a transfer says that it is a long way.
_FAR = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StartingPoint:
    """Where to begin on a machine that nothing was burnt on."""

    region: Region  # The expectation that it rests on
    setting: Setting  # Where to begin: as likely too fast as too slow
    # slowest_mm_s, fastest_mm_s: Central 90 % interval, at the setting's power, of the fastest
    # speed that meets the reliability; for marks, of the speed in the middle of the wanted grade
    # [mm/s]
    slowest_mm_s: float
    fastest_mm_s: float
    reliability: float | None  # What the speed should meet; None for marks
    # Chance that a coupon burnt at the setting drops, or that the mark has the wanted grade
    chance: float
    notes: tuple[str, ...]  # What the user must know, in sentences
    # The burns that confirm it, best first; empty where they weren't asked for
    confirm: tuple[Setting, ...] = ()
    board: Grid | None = None  # The same as a board; None where it wasn't asked for

    @property
    def power_pct(self) -> float:
        """Power to begin with [% of full]."""
        return self.setting.power_pct

    @property
    def speed_mm_s(self) -> float:
        """Speed to begin with [mm/s]."""
        return self.setting.speed_mm_s

    @property
    def passes(self) -> int:
        """Passes to begin with."""
        return self.setting.passes

    @property
    def line_pitch_mm(self) -> float | None:
        """Line pitch to begin with [mm]; None for lines and cuts."""
        return self.setting.line_pitch_mm

    @property
    def interval_mm_s(self) -> tuple[float, float]:
        """Slowest and fastest [mm/s]."""
        return self.slowest_mm_s, self.fastest_mm_s


def carried_pool(region: Region, pool: Pool | None = None) -> Pool:
    """The book with a region's own burns in it, to plan and fit the other machine's burns with."""
    own = pool_records([(region.machine, region.sheet, (*region.burns, *region.other_air))])
    return own if pool is None else pool.joined(own)


def transfer_region(region: Region, to_machine: Machine, pool: Pool | None = None) -> Region:
    """What the burns of one machine say of the same sheet on another.

    Raises InvalidRecord when the two aren't the same kind of laser; RefusedMaterial,
    DeclarationNeeded when the sheet may not go under the other machine.
    """
    advice = check_hazard(region.sheet, to_machine, region.operation).advice
    priors = carried_priors(region, to_machine, carried_pool(region, pool))
    there = region_from(to_machine, region.sheet, region.operation, (), priors)
    return replace(there, notes=(*_transfer_notes(region, to_machine), *there.notes, *advice))


def carried_priors(region: Region, to_machine: Machine, book: Pool) -> Priors:
    """What is believed on another machine.

    Raises InvalidRecord when the two aren't the same kind of laser.
    """
    here = region.machine
    if here.source != to_machine.source:
        raise InvalidRecord(say("advice.is_laser_and_laser", to_machine=to_machine, here=here))
    expected = expected_priors(to_machine, region.sheet, region.operation)
    return book.priors(to_machine, region.sheet, region.operation, expected)


def _transfer_notes(region: Region, to_machine: Machine) -> list[str]:
    here, thickness = region.machine, region.sheet.working_thickness_mm
    notes = [
        say(
            "advice.carried_over",
            here=here,
            to_machine=to_machine,
            confirming_burns=CONFIRMING_BURNS,
        )
    ]
    if not region.burns:
        notes.append(say("advice.nothing_was_burnt_on_either", here=here))
    ratio = to_machine.rated_w / here.rated_w
    if ratio < 1.0:
        notes.append(say("advice.down_in_wattage_is_optimistic_way"))
    if max(ratio, 1.0 / ratio) > _FAR:
        notes.append(say("advice.times_wattage_is_long_way", ratio=ratio))
    if to_machine.source == "co2" and None in [
        ln_width(machine, thickness) for machine in (here, to_machine)
    ]:
        notes.append(say("advice.lens_or_beams_width_isnt_known"))
    return notes


def starting_point(
    other: Region, reliability: float = USUAL_RELIABILITY, mark: int = 2
) -> StartingPoint:
    """Where to begin on a machine that nothing was burnt on, and what confirms it.

    Raises InvalidRecord when burns were made there: then there is something to recommend.
    """
    start = expected_start(other, reliability, mark)
    if other.operation == "cut":
        burns = next_cuts(other, CONFIRMING_BURNS, reliability=reliability)
    else:
        burns = next_marks(other, CONFIRMING_BURNS, mark, start.setting.line_pitch_mm)
    return replace(start, confirm=tuple(burns))


def expected_start(
    other: Region, reliability: float = USUAL_RELIABILITY, mark: int = 2
) -> StartingPoint:
    """A starting point without the burns that confirm it; as ``starting_point``."""
    if other.burns:
        raise InvalidRecord(say("advice.has_burns", other=other, count=len(other.burns)))
    machine, tail = other.machine, 0.5 * (1.0 - INTERVAL_SHARE)
    shares, notes = (tail, 0.5, 1.0 - tail), list(other.notes)
    if other.cut is not None:
        fastest = fastest_cut_mm_s(machine)
        power = snap_setting(machine, machine.ceiling_pct, fastest).power_pct
        passes = max(passes_to_try(other, reliability=reliability))
        speeds = speeds_at(other.cut.thinned(_DRAWS), machine, power, reliability, passes)
        low, middle, high = np.quantile(speeds, shares)
        slowest = min(limits_of(machine, other.sheet, "cut").slowest_at(power), fastest)
        wished = float(min(max(middle, slowest), fastest))
        setting = snap_setting(machine, power, wished, passes=passes)
        chance = other.chance_through(power, setting.speed_mm_s, passes)
        if passes > 1:
            notes.append(
                say("advice.in_passes_with_fewer_would_have", passes=passes, machine=machine)
            )
        elif low < slowest:
            notes.append(say("advice.may_not_cut_in_one_pass", machine=machine, other=other))
    else:
        assert other.mark is not None
        fit = other.mark.thinned(_DRAWS)
        candidates = mark_candidates(other, fit, mark_pitches(other))
        chances = fit.here.weight @ chances_of(other, fit, candidates)[mark]
        setting, chance = candidates[int(np.argmax(chances))], float(chances.max())
        low, middle, high = np.quantile(middle_speeds_mm_s(other, fit, setting, mark), shares)
    return StartingPoint(
        region=other,
        setting=setting,
        slowest_mm_s=float(low),
        fastest_mm_s=float(min(high, machine.max_speed_mm_s)),
        reliability=None if other.cut is None else reliability,
        chance=chance,
        notes=tuple(dict.fromkeys(notes)),
    )


def speeds_at(
    fit: CutFit,
    machine: Machine,
    power_pct: float,
    reliability: float = USUAL_RELIABILITY,
    passes: int = 1,
) -> Array:
    """Fastest speed that meets a reliability at a power, at each point of what isn't known."""
    sigmas = float(ndtri(reliability))
    return np.exp(edge_ln_speed(fit.here, machine, fit.prior, power_pct, sigmas, passes))


def middle_speeds_mm_s(region: Region, fit: GradedFit, setting: Setting, mark: int) -> Array:
    """Speed in the middle of a mark grade, at even draws of what isn't known."""
    shape, prior = fit.here.shape, fit.prior
    full = float(delivered_power_w(region.machine, 100.0))
    share = float(np.log(delivered_power_w(region.machine, setting.power_pct) / full))
    inner = min(max(mark, 1), 3)
    middle = 0.5 * (shape.cuts[:, inner - 1] + shape.cuts[:, inner])
    ratio = (
        0.0 if setting.line_pitch_mm is None else np.log(setting.line_pitch_mm / prior.pitch0_mm)
    )
    counted = counted_ln_share(np.asarray(share), shape.start, prior.pivot)
    above = (
        np.log(full) + shape.exponent * counted - fit.here.location - middle - shape.pitch * ratio
    )
    return np.asarray(prior.speed0_mm_s * np.exp(above / shape.speed))
