"""Is it the machine, or the sheet? Check strips judged one after the other, and told apart.

A strip is a few burns about the edge of a sheet that is well known. A fouled lens and another
set-up both move every reach by one number, as another lot does: so each strip says how much
effective power the machine has now against what it had, and a filter over the strips keeps what
earlier ones said and forgets it as fast as machines change. The likelihood is the fit's own, at
draws of what the region doesn't know, with what a session shares integrated out as the fit does it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord, unfit
from calib.fit.fits import CutFit
from calib.fit.kernel import log_chances
from calib.fit.levels import Grid, blurred
from calib.fit.model import CutShape, Draws, latent_of, problem_of
from calib.fit.region import Region
from calib.limits import snap_setting
from calib.records import Burn, Setting
from calib.texts.say import say
from calib.units import show_percent

Array = npt.NDArray[np.float64]

# Shifts that are looked at [ln W]: from half the power to a third more, in steps below any scatter.
SHIFTS = np.linspace(-0.7, 0.3, 101)
_STEP = float(SHIFTS[1] - SHIFTS[0])
# Draws of the region's posterior; a chance of a shift is then right to about 0.01.
DRAWS = 600

# A loss of effective power that matters, and how sure of it one must be to say so: found by
# simulation, see tests/benchmarks/machine_check.py; at 0.9 a loss of 15 % would take a third strip.
LOSS_PCT = 5.0
ALARM_CHANCE = 0.65
# Below this chance of a loss the machine counts as it was.
_CALM_CHANCE = 0.5
STRIP_BURNS = 5
MOST_STRIP_BURNS = 100
# Reaches about which the burns of a strip lie [ln W]: between where a good machine's coupons drop
# and where those of one that lost a sixth just hang. Found by the same simulation.
_LOWEST_REACH, _HIGHEST_REACH = 0.06, 0.16
# Speeds at which the reach is looked at; between them it is all but straight in the logarithm.
_LOOKS = 81

CLEAN = say("advice.clean_lens_repeat_strip")
# What takes effective power, in the order in which it is cheap to look at and likely. How each is
# done safely stands in the machine's manual only.
CHECKS = (
    say("advice.lens_clean"),
    say("advice.mirrors_clean"),
    say("advice.focus_burn_focus_board"),
    say("advice.air_see_that_nozzle_is_free"),
    say("advice.alignment_of_beam"),
    say("advice.cooling_water_its_temperature_and_flow"),
    say("advice.tube_or_diode"),
)
MANUAL = say("advice.how_each_is_done")


def need_cut(region: Region) -> CutFit:
    """The region's fit of the cut, or a refusal."""
    if region.cut is None:
        raise InvalidRecord(say("advice.region_operation", region=region))
    return region.cut


def speeds_at_reaches(region: Region, setting: Setting, reaches: npt.ArrayLike) -> Array:
    """Speeds at a setting's power, within a factor of five, where the median reach has given
    values [ln W], (n,) [mm/s]."""
    speeds = np.geomspace(0.2 * setting.speed_mm_s, 5.0 * setting.speed_mm_s, _LOOKS)
    speeds = np.minimum(speeds, region.machine.max_speed_mm_s)
    median = np.asarray(region.median_reach(setting.power_pct, speeds, setting.passes))
    return np.asarray(np.exp(np.interp(-np.asarray(reaches), -median, np.log(speeds))))


def plan_check_strip(
    region: Region, n: int = STRIP_BURNS, power_pct: float | None = None
) -> list[Setting]:
    """The burns of a check strip: between the edge as it was and where it is after losing a sixth.

    Raises InvalidRecord when there are fewer than three burns or far too many, or the region isn't
    one of cuts.
    """
    need_cut(region)
    if n < 3:
        raise unfit("burns", n, say("advice.check_strip_needs_burns_or_more"))
    if n > MOST_STRIP_BURNS:
        raise unfit(
            "burns",
            n,
            say("advice.check_strip_has_at_most_burns", most_strip_burns=MOST_STRIP_BURNS),
        )
    machine = region.machine
    power = machine.ceiling_pct if power_pct is None else power_pct
    # The edge to a tenth or so, then the speeds about it.
    speeds = np.geomspace(0.05, machine.max_speed_mm_s, 60)
    median = np.asarray(region.median_reach(power, speeds))
    edge = snap_setting(machine, power, float(np.exp(np.interp(0.0, -median, np.log(speeds)))))
    reaches = np.linspace(_LOWEST_REACH, _HIGHEST_REACH, n)
    wanted = speeds_at_reaches(region, edge, reaches)
    return [snap_setting(machine, edge.power_pct, float(speed)) for speed in wanted]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftLikelihood:
    """Likelihood of the shift, scaled, (J, shifts), at draws of what the region doesn't know."""

    points: Draws[CutShape]
    values: Array

    @property
    def marginal(self) -> Array:
        """Likelihood of the shift with everything else averaged out, (shifts,)."""
        return np.asarray(self.points.weight @ self.values)


def draws_of(region: Region) -> Draws[CutShape]:
    """Even draws of a region's posterior, always the same ones."""
    return need_cut(region).here.thinned(DRAWS)


def shift_likelihood(
    region: Region, burns: Sequence[Burn], points: Draws[CutShape] | None = None
) -> ShiftLikelihood:
    """Likelihood of a shift of the reach at ``SHIFTS``, from cuts of one session of its own.

    ``points`` from ``draws_of`` where several sessions are judged; None: drawn here.
    """
    prior = need_cut(region).prior
    points = draws_of(region) if points is None else points
    problem, at = problem_of(region.machine, burns, prior, "cut")
    if not len(problem.readings.grade):
        raise InvalidRecord(say("advice.burns_hold_burns_and_no_cut", count=len(burns)))
    # What shifts the reach up shifts the location down.
    location = points.location[:, None] - SHIFTS
    told = log_chances(latent_of(points.shape, at), problem.readings, location).sum(axis=0)
    alike = np.ones(len(points.weight))
    grid = Grid(first=alike * SHIFTS[0], step=alike * _STEP, count=len(SHIFTS))
    told = blurred(told, grid.normal(points.shape.shared))
    return ShiftLikelihood(points=points, values=np.exp(told - told.max()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shifted:
    """Posterior of the shift: weights that sum to one, (shifts,)."""

    weight: Array

    def chance_below(self, shift: float) -> float:
        """Chance that the shift lies below a value [ln W]; the node's own half counts."""
        mass = np.clip((shift - SHIFTS) / _STEP + 0.5, 0.0, 1.0)
        return float(self.weight @ mass)

    def quantile(self, share: float) -> float:
        """Shift below which so much of the posterior lies [ln W]."""
        middle = np.cumsum(self.weight) - 0.5 * self.weight
        return float(np.interp(share, middle, SHIFTS))


def _normal(mean: float, sd: float) -> Array:
    """Weights of a normal at ``SHIFTS``, summing to one."""
    weight = np.exp(-0.5 * ((SHIFTS - mean) / sd) ** 2)
    return np.asarray(weight / weight.sum())


def _student(mean: float, scale: float) -> Array:
    """Weights of a Student t with 2 degrees at ``SHIFTS``, summing to one."""
    weight = (1.0 + ((SHIFTS - mean) / scale) ** 2 / 2.0) ** -1.5
    return np.asarray(weight / weight.sum())


def _percent(shift: float) -> float:
    """A shift as a change of effective power [%]."""
    return 100.0 * float(np.expm1(shift))


# Chance that a machine changed between two strips, and how it then changes: a little either way,
# or a loss (common practice, no source; the rule was tried by simulation, see
# tests/benchmarks/machine_check.py). A loss has the tails of a Student t, as what the reference
# burns misjudged has: with those of a normal, the more was lost the less it was the machine.
_CHANGE_CHANCE = 0.15
_LOSS_SHARE = 0.6
_ANEW = (1.0 - _LOSS_SHARE) * _normal(0.0, 0.03) + _LOSS_SHARE * _student(-0.12, 0.1)
# What is never quite the same from one strip to the next [ln W].
_WANDER_SD = 0.01
_STAY = np.stack([_normal(shift, _WANDER_SD) for shift in SHIFTS])
# How far the reference burns misjudged their sheet, in standard deviations of what their evening
# shared: nodes, and weights with the tails of a Student t (2 df), since that evening was one of its
# kind and the fitted model is only near the truth. With the tails of a normal an alarm would stay.
_BASES = np.linspace(-5.0, 5.0, 11)
_BASE_WEIGHTS = (1.0 + _BASES**2 / 2.0) ** -1.5 / np.sum((1.0 + _BASES**2 / 2.0) ** -1.5)


def filtered(likelihoods: Sequence[ShiftLikelihood]) -> list[Shifted]:
    """Posterior of the machine's change after each strip, from likelihoods, the oldest first.

    What the region doesn't know of its own edge, and what its evening had to itself, is the same
    for all strips.
    """
    points = likelihoods[0].points
    # The likelihood for each base that a change may be counted from lies between two shifts.
    apart = _BASES[:, None, None] * points.shape.shared[:, None] / _STEP
    place = np.clip(np.arange(len(SHIFTS)) + apart, 0.0, len(SHIFTS) - 1.0)
    before = np.minimum(place.astype(np.int64), len(SHIFTS) - 2)
    share, draw = place - before, np.arange(len(points.weight))[:, None]
    weight = _BASE_WEIGHTS[:, None, None] * points.weight[:, None] * _normal(0.0, _WANDER_SD)
    found = []
    for told in (likelihood.values for likelihood in likelihoods):
        moved = (1.0 - _CHANGE_CHANCE) * weight @ _STAY
        moved += _CHANGE_CHANCE * weight.sum(axis=2, keepdims=True) * _ANEW
        weight = moved * (told[draw, before] * (1.0 - share) + told[draw, before + 1] * share)
        weight = weight / weight.sum()
        found.append(Shifted(weight=weight.sum(axis=(0, 1))))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Change of effective power as of one strip: median and central 90 % [%], and the chance that
    more than 5 % is lost."""

    shift_pct: float
    shift_low_pct: float
    shift_high_pct: float
    chance_of_loss: float

    @property
    def alarm(self) -> bool:
        """True when a loss is likely enough to act on."""
        return self.chance_of_loss > ALARM_CHANCE


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineCheck:
    """What the check strips say of the machine.

    ``now`` is the change as of the last strip, the one that is told and acted on; ``after_each``
    what was known after each strip, the last of them ``now``. ``checks`` is what to look at next,
    in order; empty without an alarm.
    """

    now: Change
    after_each: tuple[Change, ...]
    alarm: bool
    words: str
    checks: tuple[str, ...]


def judge_check_strip(region: Region, strips: Sequence[Sequence[Burn]]) -> MachineCheck:
    """Say whether the machine has lost effective power, from strips, the oldest first.

    ``region`` is that of the reference offcuts, fitted from burns made when the machine was well.
    Raises InvalidRecord when there is no strip, or one without a cut that was read.
    """
    if not strips:
        raise InvalidRecord(say("advice.strips_is_empty"))
    points = draws_of(region)
    course = tuple(
        Change(
            shift_pct=_percent(state.quantile(0.5)),
            shift_low_pct=_percent(state.quantile(0.05)),
            shift_high_pct=_percent(state.quantile(0.95)),
            chance_of_loss=state.chance_below(float(np.log1p(-LOSS_PCT / 100.0))),
        )
        for state in filtered([shift_likelihood(region, burns, points) for burns in strips])
    )
    now, checks = course[-1], (*CHECKS, MANUAL)
    repeated = len(course) > 1 and course[-2].alarm
    loss = show_percent(now.chance_of_loss)
    chance = say("advice.loss_of_more", loss=loss)
    words = say("advice.machine_does_what_it_did", chance=chance)
    if now.alarm:
        kind = "less" if now.shift_pct < 0 else "more"
        about = say("advice.about_effective_power", shift_pct=abs(now.shift_pct), kind=kind)
        then = say("advice.it_stays") if repeated else CLEAN
        words = say("advice.machine_gives_than_it_did", about=about, chance=chance, then=then)
    elif now.chance_of_loss > _CALM_CHANCE:
        words = say("advice.loss_of_more_than_is_likelier", loss=loss)
    return MachineCheck(
        now=now,
        after_each=course,
        alarm=now.alarm,
        words=words,
        checks=checks[1 if repeated else 0 :] if now.alarm else (),
    )


# Once parts begin to hang something is wrong: the sheet or the machine, seldom both or neither
# (common practice, no source).
_PRIOR = {"machine": 0.42, "sheet": 0.42, "both": 0.08, "neither": 0.08}
# How little changes when nothing is wrong, and a loss that makes parts hang [ln W].
_FINE = _normal(0.0, 0.025)
_WRONG = _normal(-0.15, 0.1) * (SHIFTS <= -0.04)
_WRONG /= _WRONG.sum()
# So sure of a cause, and it is named.
SURE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What the two sheets together say."""

    verdict: str  # ``machine``, ``sheet``, ``both``, ``neither``, or ``not sure``
    chance: dict[str, float]  # Chance of each of the four, by name
    # Change of effective power by the machine: what its strips say, as told by their check [%]
    machine_pct: float
    sheet_pct: float  # Mean change by the sheet [%]
    words: str  # The verdict and what to do, in a sentence or two


def judge_cause(
    suspect: Region,
    suspect_burns: Sequence[Burn],
    reference: Region,
    strips: Sequence[Sequence[Burn]],
) -> Cause:
    """Tell a sheet that needs more from a machine that gives less.

    Raises InvalidRecord when the two regions aren't of one machine, are of the same sheet, or there
    is no strip.
    """
    if suspect.machine.name != reference.machine.name:
        raise InvalidRecord(
            say("advice.suspect_is_on_and_reference", suspect=suspect, reference=reference)
        )
    if suspect.sheet == reference.sheet:
        raise InvalidRecord(say("advice.suspect_and_reference_are_both", suspect=suspect))
    machine_pct = judge_check_strip(reference, strips).now.shift_pct
    points = draws_of(reference)
    told = [shift_likelihood(reference, burns, points).values for burns in strips[-2:]]
    by_machine = points.weight @ np.prod(told, axis=0)
    by_both = shift_likelihood(suspect, suspect_burns).marginal
    # Over the machine's change and the sheet's own, (shifts, shifts).
    likelihood = np.interp(SHIFTS[:, None] + SHIFTS, SHIFTS, by_both) * by_machine[:, None]
    mass = {}
    for name, prior in _PRIOR.items():
        machine = _WRONG if name in ("machine", "both") else _FINE
        sheet = _WRONG if name in ("sheet", "both") else _FINE
        mass[name] = prior * machine[:, None] * sheet * likelihood
    total = sum(float(part.sum()) for part in mass.values())
    chance = {name: float(part.sum()) / total for name, part in mass.items()}
    best = max(chance, key=lambda name: chance[name])
    verdict = best if chance[best] >= SURE else say("advice.not_sure")
    of_sheet = sum(part.sum(axis=0) for part in mass.values()) / total
    sheet_pct = _percent(float(of_sheet @ SHIFTS))
    less, name = f"{-machine_pct:.0f} % less", suspect.sheet.name
    # A sheet to which so much less of the power counts needs the inverse of what is left.
    more = f"{-100.0 * sheet_pct / (100.0 + sheet_pct):.0f} % more"
    words = {
        "machine": say("advice.it_is_machine", less=less, clean=CLEAN),
        "sheet": say("advice.it_is_sheet", name=name, more=more),
        "both": say(
            "advice.both_machine_gives_about", less=less, name=name, more=more, clean=CLEAN
        ),
        "neither": say("advice.neither_has_changed_by_enough"),
        "not sure": say("advice.these_burns_dont_tell", name=name),
    }[verdict]
    return Cause(
        verdict=verdict, chance=chance, machine_pct=machine_pct, sheet_pct=sheet_pct, words=words
    )
