"""A new lot of a known sheet: three or four burns say keep, slow by x %, or test again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from calib.advise.shift import (
    Shifted,
    draws_of,
    need_cut,
    percent,
    posterior_of,
    shift_likelihood,
    student_weights,
)
from calib.advise.wish import USUAL_RELIABILITY
from calib.errors import InvalidRecord
from calib.fit.hull import speed_range
from calib.fit.region import Region
from calib.grid.full import snap_setting
from calib.grid.limits import SLOWEST_MM_S
from calib.records import Burn, Setting

Array = npt.NDArray[np.float64]
Verdict = Literal["keep", "slow", "test again"]

# Usual scale by which lots of one product differ in the power they need [ln W] (common practice,
# no source); its tails are those of a Student t with 4 degrees.
LOT_SCALE = 0.07
BURNS = 4
FEWEST_BURNS = 3
# Reaches, in ln W against what the old lot just needs, where the burns teach most of a lot that may
# need a little more or less: found by simulation, see tests/benchmarks/machine_check.py.
_REACHES = (0.10, 0.05, 0.0)
# Speeds at which the reach is looked at; between them it is all but straight in the logarithm.
_LOOKS = 81
# Slower than this share of the working speed is another job: test the sheet anew.
_SLOWEST_SHARE = 0.6
# So sure of another sheet altogether, and nothing is carried over.
_STRANGE_SHIFT = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class LotVerdict:
    """What to do with a new lot.

    Parameters
    ----------
    verdict
        ``keep``, ``slow`` or ``test again``.
    setting
        What to cut the new lot with; the old setting for ``keep``, and for ``test again`` where
        nothing can be promised.
    slow_pct
        By how much slower than the old setting [%]; 0 for ``keep`` and ``test again``.
    chance, chance_at_old
        Chance that the next coupon of the new lot drops at ``setting`` and at the old setting.
    reliability
        What was asked for.
    shift_pct, shift_low_pct, shift_high_pct
        How much more (or, negative, less) power the new lot needs: median and central 90 % [%].
    words
        The verdict in a sentence.
    notes
        What the user must know, in sentences.
    """

    verdict: Verdict
    setting: Setting
    slow_pct: float
    chance: float
    chance_at_old: float
    reliability: float
    shift_pct: float
    shift_low_pct: float
    shift_high_pct: float
    words: str
    notes: tuple[str, ...]


def plan_new_lot(region: Region, setting: Setting, burns: int = BURNS) -> list[Setting]:
    """The burns that try a new lot: the working setting, and faster ones towards the old edge.

    Parameters
    ----------
    region
        The old lot's, of cuts.
    setting
        The setting that the workshop works with.
    burns
        Three or four; more repeat those next to the old edge.

    Returns
    -------
    list of Setting
        At the working power and passes, on the machine's steps; a setting may come twice.

    Raises
    ------
    InvalidRecord
        When there are fewer than three burns, or the region isn't one of cuts.
    """
    if burns < FEWEST_BURNS:
        raise InvalidRecord(f"burns is {burns!r}: a new lot needs {FEWEST_BURNS} or {BURNS} burns.")
    need_cut(region)
    wanted = speeds_at_reaches(region, setting, _REACHES)
    chosen = [setting]
    for i in range(burns - 1):
        # Where the working setting lies nearer to the edge than a wished burn, it is repeated.
        speed = max(float(wanted[i % len(wanted)]), setting.speed_mm_s)
        chosen.append(snap_setting(region.machine, setting.power_pct, speed, passes=setting.passes))
    return chosen


def speeds_at_reaches(region: Region, setting: Setting, reaches: Sequence[float]) -> Array:
    """Speeds at a setting's power where the median reach has given values.

    Parameters
    ----------
    region
        Of cuts.
    setting
        Gives power and passes; its speed is within a factor of five of those sought.
    reaches
        Ln of power over power needed, (n,) [ln W].

    Returns
    -------
    numpy.ndarray
        Speeds, at most the machine's top speed, (n,) [mm/s].
    """
    speeds = np.geomspace(0.2 * setting.speed_mm_s, 5.0 * setting.speed_mm_s, _LOOKS)
    speeds = np.minimum(speeds, region.machine.max_speed_mm_s)
    median = np.asarray(region.median_reach(setting.power_pct, speeds, setting.passes))
    return np.asarray(np.exp(np.interp(-np.asarray(reaches), -median, np.log(speeds))))


def judge_new_lot(
    region: Region,
    burns: Sequence[Burn],
    setting: Setting,
    reliability: float = USUAL_RELIABILITY,
    *,
    lot_scale: float = LOT_SCALE,
) -> LotVerdict:
    """Say what to do with a new lot.

    Parameters
    ----------
    region
        The old lot's, of cuts.
    burns
        Burns of the new lot, at the settings of ``plan_new_lot`` or others near them.
    setting
        The setting that the workshop works with.
    reliability
        Chance that the next coupon of the new lot shall drop.
    lot_scale
        Usual scale by which lots differ [ln W].

    Returns
    -------
    LotVerdict
        Keep, slow by so much, or test again.

    Raises
    ------
    InvalidRecord
        When fewer than three cuts were read, or the reliability isn't a chance.
    """
    read = [b for b in burns if b.operation == "cut" and b.through is not None]
    if sum(b.count for b in read) < FEWEST_BURNS:
        raise InvalidRecord(
            f"burns hold {len(read)} cuts that were read: a new lot needs {FEWEST_BURNS} or"
            f" {BURNS}."
        )
    if not 0.0 < reliability < 1.0:
        raise InvalidRecord(
            f"reliability is {reliability!r}: give a chance between 0 and 1, such as 0.99."
        )
    likelihood = shift_likelihood(region, read, another_sitting=False)
    # The lot's shift and what this sitting shares come as one: what was seen today is promised.
    scale = np.hypot(lot_scale, float(np.sqrt(draws_of(region).weight @ _shared(region) ** 2)))
    shifted = posterior_of(region, likelihood, student_weights(float(scale)))
    return _stated(shifted, setting, reliability)


def _shared(region: Region) -> Array:
    return draws_of(region).shape.shared


def _stated(shifted: Shifted, setting: Setting, reliability: float) -> LotVerdict:
    at_old = shifted.chance_through(setting)
    slower = None if at_old >= reliability else _slower(shifted, setting, reliability)
    strange = shifted.chance_below(-_STRANGE_SHIFT) > 0.5
    if at_old >= reliability:
        verdict, chosen = "keep", setting
    elif slower is not None and not strange:
        verdict, chosen = "slow", slower
    else:
        verdict, chosen = "test again", setting
    chance = at_old if chosen == setting else shifted.chance_through(chosen)
    slow = 100.0 * (1.0 - chosen.speed_mm_s / setting.speed_mm_s)
    found = LotVerdict(
        verdict=verdict,  # type: ignore[arg-type]
        setting=chosen,
        slow_pct=slow,
        chance=chance,
        chance_at_old=at_old,
        reliability=reliability,
        shift_pct=percent(-shifted.quantile(0.5)),
        shift_low_pct=percent(-shifted.quantile(0.95)),
        shift_high_pct=percent(-shifted.quantile(0.05)),
        words="",
        notes=_notes(shifted.region, chosen),
    )
    return replace(found, words=_words(found))


def _slower(shifted: Shifted, setting: Setting, reliability: float) -> Setting | None:
    """The fastest step below the working speed that meets the reliability; None when none does."""
    machine = shifted.region.machine
    # Not so slow that the sheet may catch fire, unless the working setting is.
    floor = min(SLOWEST_MM_S[machine.source], setting.speed_mm_s)
    lowest = max(_SLOWEST_SHARE * setting.speed_mm_s, floor - 0.5 * machine.speed_step_mm_s)
    steps = np.arange(setting.speed_mm_s, lowest, -machine.speed_step_mm_s)
    # A coarse look first: the chance rises as the speed falls.
    for some in np.array_split(steps, max(len(steps) // 40, 1)):
        tried = [replace(setting, speed_mm_s=round(float(v), 6)) for v in some]
        chances = shifted.chances_through(tried)
        good = np.flatnonzero(chances >= reliability)
        if len(good):
            return tried[int(good[0])]
    return None


def _notes(region: Region, chosen: Setting) -> tuple[str, ...]:
    hull = region.hulls.get(chosen.passes)
    span = speed_range(hull, chosen.power_pct) if hull is not None else None
    if span is not None and span[0] <= chosen.speed_mm_s <= span[1] * (1.0 + 1e-9):
        return ()
    return (
        f"{chosen.power_pct:g} % at {chosen.speed_mm_s:g} mm/s lies outside what was burnt of the"
        " old lot: burn it once before a job.",
    )


def _words(found: LotVerdict) -> str:
    power, speed = f"{found.setting.power_pct:g} %", f"{found.setting.speed_mm_s:g} mm/s"
    if found.verdict == "keep":
        return (
            f"Keep {power} at {speed}: the next coupon drops with a chance of {found.chance:.3g}."
        )
    if found.verdict == "slow":
        return (
            f"Slow down by {found.slow_pct:.0f} %, to {speed} at {power}: the next coupon drops"
            f" with a chance of {found.chance:.3g} (at the old speed {found.chance_at_old:.3g})."
        )
    return (
        f"Test again: at the old setting the next coupon drops with a chance of"
        f" {found.chance_at_old:.3g}, and no speed a little slower is sure enough. Burn a board of"
        " this lot."
    )
