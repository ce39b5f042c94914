"""Is it the sheet or the machine? Burns on the sheet that fails, and on one that is well known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.advise.drift import CLEAN, judge_check_strip
from calib.advise.shift import SHIFTS, draws_of, normal_weights, percent, shift_likelihood
from calib.errors import InvalidRecord
from calib.fit.region import Region
from calib.records import Burn

Array = npt.NDArray[np.float64]

# Once parts begin to hang something is wrong: the sheet or the machine, seldom both or neither
# (common practice, no source).
_PRIOR = {"machine": 0.42, "sheet": 0.42, "both": 0.08, "neither": 0.08}
# A loss that makes parts hang, and how little changes when nothing is wrong [ln W].
_WRONG = (-0.15, 0.1)
_LEAST_WRONG = -0.04
_FINE_SD = 0.025
# So sure of a cause, and it is named.
SURE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What the two sheets together say."""

    verdict: str  # ``machine``, ``sheet``, ``both``, ``neither``, or ``not settled``
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
            f"suspect is on {suspect.machine.name} and reference on {reference.machine.name}: give"
            " two sheets burnt on one machine."
        )
    if suspect.sheet == reference.sheet:
        raise InvalidRecord(
            f"suspect and reference are both {suspect.sheet.name}: a second sheet tells the two"
            " causes apart."
        )
    if not strips:
        raise InvalidRecord("strips is empty: burn a check strip of the reference sheet first.")
    by_machine = _reference_likelihood(reference, strips[-2:])
    by_both = shift_likelihood(suspect, suspect_burns).marginal
    mass = {name: prior * _joint(name, by_machine, by_both) for name, prior in _PRIOR.items()}
    total = sum(float(part.sum()) for part in mass.values())
    chance = {name: float(part.sum()) / total for name, part in mass.items()}
    joint = sum(mass.values(), np.zeros((len(SHIFTS), len(SHIFTS)))) / total
    best = max(chance, key=lambda name: chance[name])
    verdict = best if chance[best] >= SURE else "not settled"
    machine = judge_check_strip(reference, strips).now.shift_pct
    sheet = percent(float(joint.sum(axis=0) @ SHIFTS))
    return Cause(
        verdict=verdict,
        chance=chance,
        machine_pct=machine,
        sheet_pct=sheet,
        words=_words(verdict, suspect, machine, sheet),
    )


def _reference_likelihood(reference: Region, strips: Sequence[Sequence[Burn]]) -> Array:
    """Likelihood of the machine's change by all strips together, (shifts,)."""
    points = draws_of(reference)
    likelihoods = [shift_likelihood(reference, burns, points) for burns in strips]
    together = np.prod([one.values for one in likelihoods], axis=0)
    return np.asarray(likelihoods[0].points.weight @ together)


def _joint(name: str, by_machine: Array, by_both: Array) -> Array:
    """Prior × likelihood over the machine's change and the sheet's own, (shifts, shifts)."""
    machine = _wrong() if name in ("machine", "both") else normal_weights(0.0, _FINE_SD)
    sheet = _wrong() if name in ("sheet", "both") else normal_weights(0.0, _FINE_SD)
    sums = SHIFTS[:, None] + SHIFTS[None, :]
    together = np.interp(sums, SHIFTS, by_both)
    return np.asarray((machine * by_machine)[:, None] * sheet[None, :] * together)


def _wrong() -> Array:
    weight = normal_weights(*_WRONG) * (SHIFTS <= _LEAST_WRONG)
    return np.asarray(weight / weight.sum())


def _words(verdict: str, suspect: Region, machine: float, sheet: float) -> str:
    name = suspect.sheet.name
    # A sheet to which so much less of the power counts needs the inverse of what is left.
    more = -100.0 * sheet / (100.0 + sheet)
    return {
        "machine": f"It is the machine: about {-machine:.0f} % less effective power on both"
        f" sheets. {CLEAN}",
        "sheet": f"It is the sheet: {name} needs about {more:.0f} % more than it did; the"
        " machine does what it did. Judge it as a new lot.",
        "both": f"Both: the machine gives about {-machine:.0f} % less, and {name} needs about"
        f" {more:.0f} % more. {CLEAN}",
        "neither": "Neither has changed by enough to make parts hang: look at how the sheet lies,"
        " at the air and at the drawing.",
        "not settled": "These burns don't settle it: burn another strip of the reference sheet"
        f" and another four of {name}.",
    }[verdict]
