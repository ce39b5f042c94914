"""Is it the machine? Check strips on reference offcuts of one lot, judged one after the other.

A strip is a few burns about the edge of a sheet that is well known. Each strip says how much
effective power the machine has now against what it had; a filter over the strips keeps what earlier
ones said, and forgets it as fast as machines change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.advise.new_lot import speeds_at_reaches
from calib.advise.shift import (
    SHIFTS,
    Shifted,
    ShiftLikelihood,
    draws_of,
    need_cut,
    normal_weights,
    percent,
    shift_likelihood,
)
from calib.errors import InvalidRecord, unfit
from calib.fit.region import Region
from calib.limits import snap_setting
from calib.records import Burn, Setting

Array = npt.NDArray[np.float64]

# A loss of effective power that matters, and how sure of it one must be to say so: found by
# simulation, see tests/benchmarks/machine_check.py; at 0.9 a loss of 15 % would take a third strip.
LOSS_PCT = 5.0
ALARM_CHANCE = 0.65
# Below this chance of a loss the machine counts as it was.
_CALM_CHANCE = 0.5
STRIP_BURNS = 5
MOST_STRIP_BURNS = 100
# Chance that a machine changed between two strips, and how it then changes: a little either way,
# or a loss (common practice, no source; the rule was tried by simulation, see
# tests/benchmarks/machine_check.py).
_CHANGE_CHANCE = 0.15
_SMALL_SD = 0.03
_LOSS_MEAN, _LOSS_SD = -0.12, 0.12
_LOSS_SHARE = 0.6
# What is never quite the same from one strip to the next [ln W].
_WANDER_SD = 0.01
# How far the reference burns misjudged their sheet, in standard deviations of what their evening
# shared: nodes, and weights with the tails of a Student t (2 df), since that evening was one of its
# kind and the fitted model is only near the truth. With the tails of a normal an alarm would stay.
_BASES = np.linspace(-5.0, 5.0, 11)
_BASE_WEIGHTS = (1.0 + _BASES**2 / 2.0) ** -1.5 / np.sum((1.0 + _BASES**2 / 2.0) ** -1.5)
# Reaches about which the burns of a strip lie [ln W]: between where a good machine's coupons drop
# and where those of one that lost a sixth just hang. Found by the same simulation.
_LOWEST_REACH, _HIGHEST_REACH = 0.06, 0.16

CLEAN = "Clean the lens, repeat the strip."
# What takes effective power, in the order in which it is cheap to look at and likely. How each is
# done safely stands in the machine's manual only.
CHECKS = (
    "Lens: clean it, look for a burnt spot or a crack.",
    "Mirrors: clean them, see that none is loose.",
    "Focus: burn a focus board, set the height anew.",
    "Air: see that the nozzle is free and centred and the flow is what it was.",
    "Alignment of the beam, by the manual's own procedure only.",
    "Cooling water: its temperature and flow, by the manual.",
    "Tube or diode: its age; have its power measured by someone trained.",
)
MANUAL = (
    "How each is done, and what may be opened at all, stands in the machine's manual; nothing here"
    " replaces it. Switch off and unplug before you touch optics."
)


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


def plan_check_strip(
    region: Region, n: int = STRIP_BURNS, power_pct: float | None = None
) -> list[Setting]:
    """The burns of a check strip: between the edge as it was and where it is after losing a sixth.

    Raises InvalidRecord when there are fewer than three burns or far too many, or the region isn't
    one of cuts.
    """
    need_cut(region)
    if n < 3:
        raise unfit("burns", n, "a check strip needs 3 burns or more")
    if n > MOST_STRIP_BURNS:
        raise unfit("burns", n, f"a check strip has at most {MOST_STRIP_BURNS} burns")
    machine = region.machine
    power = machine.ceiling_pct if power_pct is None else power_pct
    start = snap_setting(machine, power, _edge_speed(region, power))
    reaches = np.linspace(_LOWEST_REACH, _HIGHEST_REACH, n)
    speeds = speeds_at_reaches(region, start, [float(reach) for reach in reaches])
    return [snap_setting(machine, start.power_pct, float(speed)) for speed in speeds]


def _edge_speed(region: Region, power_pct: float) -> float:
    """Speed near the median edge at a power, to a tenth or so [mm/s]."""
    speeds = np.geomspace(0.05, region.machine.max_speed_mm_s, 60)
    median = np.asarray(region.median_reach(power_pct, speeds))
    return float(np.exp(np.interp(0.0, -median, np.log(speeds))))


def judge_check_strip(region: Region, strips: Sequence[Sequence[Burn]]) -> MachineCheck:
    """Say whether the machine has lost effective power, from strips, the oldest first.

    ``region`` is that of the reference offcuts, fitted from burns made when the machine was well.
    Raises InvalidRecord when there is no strip, or one without a cut that was read.
    """
    if not strips:
        raise InvalidRecord("strips is empty: burn a check strip first, see plan_check_strip.")
    points = draws_of(region)
    states = filtered([shift_likelihood(region, burns, points) for burns in strips])
    course = tuple(
        Change(
            shift_pct=percent(state.quantile(0.5)),
            shift_low_pct=percent(state.quantile(0.05)),
            shift_high_pct=percent(state.quantile(0.95)),
            chance_of_loss=state.chance_below(float(np.log1p(-LOSS_PCT / 100.0))),
        )
        for state in states
    )
    now = course[-1]
    repeated = len(course) > 1 and course[-2].alarm
    return MachineCheck(
        now=now,
        after_each=course,
        alarm=now.alarm,
        words=_words(now, repeated=repeated),
        checks=_checks(now.alarm, repeated=repeated),
    )


def filtered(likelihoods: Sequence[ShiftLikelihood]) -> list[Shifted]:
    """Posterior of the machine's change after each strip, from likelihoods, the oldest first.

    What the region doesn't know of its own edge, and what its evening had to itself, is the same
    for all strips.
    """
    points = likelihoods[0].points
    stay, change = _transition()
    weight = _BASE_WEIGHTS[:, None, None] * points.weight[:, None] * normal_weights(0.0, _WANDER_SD)
    found = []
    for likelihood in likelihoods:
        moved = (1.0 - _CHANGE_CHANCE) * weight @ stay
        moved += _CHANGE_CHANCE * weight.sum(axis=2, keepdims=True) * change
        weight = moved * _from_bases(likelihood.values, points.shape.shared)
        weight = weight / weight.sum()
        found.append(Shifted(weight=weight.sum(axis=(0, 1))))
    return found


def _from_bases(values: Array, shared: Array) -> Array:
    """Likelihood of the machine's change for each base it may be counted from, (bases, J, shifts).

    What the reference evening had to itself stays in all that is compared with it.
    """
    step = float(SHIFTS[1] - SHIFTS[0])
    place = np.arange(len(SHIFTS)) + _BASES[:, None, None] * shared[:, None] / step
    place = np.clip(place, 0.0, len(SHIFTS) - 1.0)
    before = np.minimum(place.astype(np.int64), len(SHIFTS) - 2)
    share = place - before
    rows = np.arange(len(shared))[:, None]
    return np.asarray(values[rows, before] * (1.0 - share) + values[rows, before + 1] * share)


def _transition() -> tuple[Array, Array]:
    """A strip on: as before but for a little wandering, (shifts, shifts), or anew, (shifts,)."""
    apart = SHIFTS[:, None] - SHIFTS[None, :]
    stay = np.exp(-0.5 * (apart / _WANDER_SD) ** 2)
    small = normal_weights(0.0, _SMALL_SD)
    loss = normal_weights(_LOSS_MEAN, _LOSS_SD)
    anew = (1.0 - _LOSS_SHARE) * small + _LOSS_SHARE * loss
    return stay / stay.sum(axis=1, keepdims=True), anew


def _words(now: Change, *, repeated: bool) -> str:
    kind = "less" if now.shift_pct < 0 else "more"
    about = f"about {abs(now.shift_pct):.0f} % {kind} effective power"
    chance = now.chance_of_loss
    if now.alarm:
        head = f"The machine gives {about} than it did (a loss of more than 5 %: {chance:.2f})."
        return f"{head} {'It stays so: look further down the list.' if repeated else CLEAN}"
    if chance > _CALM_CHANCE:
        return f"A loss of more than 5 % is likelier than not ({chance:.2f}): repeat the strip."
    return f"The machine does what it did (a loss of more than 5 %: {chance:.2f})."


def _checks(alarm: bool, *, repeated: bool) -> tuple[str, ...]:
    if not alarm:
        return ()
    return (*(CHECKS[1:] if repeated else CHECKS), MANUAL)
