"""A region to look at: its picture, its outlines, a few lines of it, and what holds anywhere."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from calib.advice.recommendation import Recommendation
from calib.errors import NotEnoughEvidence, unfit
from calib.fit.model import grade_chances, settings_of
from calib.fit.region import Region, thinned_region
from calib.fit.second_opinion import second_opinion
from calib.limits import power_limits_pct, snap_power, snap_speed, speed_limits_mm_s
from calib.pictures.view import RegionView
from calib.plan.next_marks import mark_pitch
from calib.records import KINDS, Operation, Setting, grade_ends, grades_typed, outcome_order
from calib.tasks.advice import recommended
from calib.tasks.folders import Files, picture_format
from calib.tasks.wishes import RegionWish

Array = npt.NDArray[np.float64]

# Chances at which bands change, and those at which the speed of a cut is told; a mark of exactly
# one grade is seldom sure.
LEVELS, MARK_LEVELS = (0.5, 0.9, 0.99), (0.25, 0.5, 0.75)
# Chance of going deeper than wanted that a mark's slowest speed keeps to.
DEEPER = 0.01
# Powers, speeds and points of the posterior: bands then look smooth at the picture's size.
_POWERS, _SPEEDS, _THINNED = 40, 88, 800
# How far the picture reaches beyond what was burnt, or is in doubt, as a factor.
_BEYOND_POWER, _BEYOND_SPEED = 1.3, 1.6
# It shows the speeds at which these shares of the greatest chance are believed.
_LEAST, _MOST = 0.02, 0.98
_LOOKS = 160
# Speeds and powers that a summary looks at.
_SUMMED_SPEEDS, _SUMMED_POWERS = 240, 5


def region_pictures(
    region: Region,
    wish: RegionWish,
    names: Sequence[str],
    *,
    passes: int | None = None,
    advice: Recommendation | None = None,
) -> Files:
    """Draw a region with its burns and, where one can be given, the recommendation."""
    if not names:
        return {}
    kinds = {name: picture_format(name) for name in names}
    from calib.pictures.region_file import region_picture  # loads matplotlib

    view = advised_view(region, wish, passes=passes, advice=advice)
    return {name: region_picture(view, format=kind) for name, kind in kinds.items()}


def advised_view(
    region: Region,
    wish: RegionWish,
    *,
    passes: int | None = None,
    advice: Recommendation | None = None,
) -> RegionView:
    """What a picture shows with what is recommended, or with why nothing is."""
    try:
        advice = advice or recommended(region, wish)
        said = f"Chance {advice.chance:.3g}: {advice.words}."
    except NotEnoughEvidence as refusal:
        said = str(refusal)
    setting, chance = (advice.setting, advice.chance) if advice else (None, 1.0)
    if chance < (wish.asked_of(region.operation) or 0.0):
        said += " That is less than was asked for, so no setting is drawn."
    return region_view(region, wish, passes=passes, advised=setting, chance=chance, said=said)


def region_view(
    region: Region,
    wish: RegionWish,
    *,
    passes: int | None = None,
    advised: Setting | None = None,
    chance: float = 1.0,
    kept: Setting | None = None,
    said: str = "",
) -> RegionView:
    """Work out what a picture of a region shows; nothing advised whose chance is below the wish."""
    shown = passes or (advised.passes if advised else min(region.hulls, default=1))
    asked = wish.asked_of(region.operation)
    if advised is not None and (advised.passes != shown or chance < (asked or 0.0)):
        advised = None
    shower = _Shower(region, wish, shown, advised)
    if kept is not None and kept.passes != shown:
        kept = None
    power, speed = shower.axes(advised or kept)
    chances, likely = shower.layers(power[:, None], speed[None, :])
    levels = LEVELS if region.operation == "cut" else MARK_LEVELS
    if region.operation == "cut" and asked is not None and LEVELS[1] < asked < 1.0:
        levels = (*LEVELS[:2], asked)
    machine, hull = region.machine, region.hulls.get(shown)
    return RegionView(
        title=f"{region.sheet.name} on {machine.name}, {region.operation.replace('_', ' ')}",
        operation=region.operation,
        power_pct=power,
        speed_mm_s=speed,
        chance=chances,
        chance_words=shower.words,
        levels=levels,
        passes=shown,
        line_pitch_mm=shower.pitch,
        burns=region.burns,
        recommendation=advised,
        kept=kept,
        said=said,
        hull=None if hull is None else np.exp(hull),
        beam_starts_pct=machine.beam_starts_pct,
        ceiling_pct=machine.ceiling_pct,
        max_speed_mm_s=machine.max_speed_mm_s,
        wanted_mark=grade_ends(wish.mark),
        likely_mark=likely,
    )


def somewhere(view: RegionView) -> Setting:
    """A setting to begin looking at, in the middle of a picture."""
    powers, speeds = view.power_pct, view.speed_mm_s
    return Setting(
        power_pct=round(float(powers[len(powers) // 2])),
        speed_mm_s=float(f"{speeds[len(speeds) // 2]:.3g}"),
        passes=view.passes,
        line_pitch_mm=view.line_pitch_mm,
    )


class _Shower:
    """Asks a thinned region, quick enough for a whole picture, for what is drawn."""

    def __init__(
        self,
        region: Region,
        wish: RegionWish,
        passes: int,
        advised: Setting | None = None,
        *,
        exact: bool = False,
    ) -> None:
        self._region = region if exact else thinned_region(region, _THINNED)
        self._wish, self._passes = wish, passes
        # Line pitch of an area mark: the recommended, else the finest burnt, else the default.
        self.pitch: float | None = None
        if KINDS[region.operation].shape == "area":
            self.pitch = mark_pitch(region, advised.line_pitch_mm if advised else None)

    @property
    def words(self) -> str:
        """What the drawn chance is the chance of."""
        wish = self._wish
        if self._region.operation != "cut":
            return f"chance of exactly mark grade {grades_typed(wish.mark)}"
        what = "coupon falls free"
        if wish.cut_length_mm is not None:
            what = f"whole job of {wish.cut_length_mm / 1000:.3g} m of cut falls free"
        elif wish.next_sheet:
            what = "coupon of the next sheet falls free"
        limit = wish.char_at_most
        return f"chance that a {what}" + ("" if limit is None else f", char at most {limit}")

    def chance(self, power: Array, speed: Array) -> Array:
        """The drawn chance; settings broadcast."""
        region, wish = self._region, self._wish
        if region.operation != "cut":
            at = (power, speed, self._passes, self.pitch)
            return np.asarray(region.chance_mark(wish.mark, *at), dtype=float)
        through = region.chance_through(
            power, speed, self._passes, wish.cut_length_mm, wish.next_sheet
        )
        if wish.char_at_most is None:
            return np.asarray(through, dtype=float)
        char = region.chance_char_at_most(wish.char_at_most, power, speed, self._passes)
        joint: Array = np.asarray(through, dtype=float) * np.asarray(char, dtype=float)
        return joint

    def layers(self, power: Array, speed: Array) -> tuple[Array, Array | None]:
        """The drawn chance and, for marks, the most likely grade; settings broadcast."""
        if self._region.operation == "cut":
            return self.chance(power, speed), None
        rows = [self._grades(row, speed.ravel()) for row in power.ravel()]
        chances = np.stack(rows, axis=1)
        low, high = grade_ends(self._wish.mark)
        return chances[low : high + 1].sum(axis=0), np.argmax(chances, axis=0).astype(np.float64)

    def _grades(self, power: float, speed: Array) -> Array:
        """Chance of every mark grade at one power, (grades, n): quicker than one by one."""
        fit = self._region.mark
        assert fit is not None
        pitch = np.nan if self.pitch is None else self.pitch
        columns = [np.full(len(speed), value) for value in (power, self._passes, pitch)]
        at = settings_of(
            self._region.machine, [columns[0], speed, columns[1], columns[2]], fit.prior, "mark"
        )
        return np.asarray(grade_chances(fit.here, at))

    def axes(self, advised: Setting | None) -> tuple[Array, Array]:
        """Powers and speeds of the picture: those that were burnt, and speeds about the edge.

        Burns that lie farther off stand at its rim.
        """
        machine = self._region.machine
        burns = [b for b in self._region.burns if b.passes == self._passes]
        powers = [b.power_pct for b in burns] or [
            max(machine.beam_starts_pct, 1.0),
            machine.ceiling_pct,
        ]
        beyond = _BEYOND_POWER if burns else 1.0
        # At most a little beyond beam start and ceiling.
        low = max(min(powers) / beyond, 0.8 * machine.beam_starts_pct, 1.0)
        high = min(max(powers) * beyond, 1.1 * machine.ceiling_pct, 100.0)
        at = (min(powers), max(powers)) if burns else ((low * high) ** 0.5,)
        doubts = [speed for power in at for speed in self._believed_speeds(power)]
        slow, fast = min(doubts), max(doubts)
        if burns:
            speeds = [b.speed_mm_s for b in burns]
            slow = max(slow, min(speeds) / _BEYOND_SPEED)
            fast = max(min(fast, max(speeds) * _BEYOND_SPEED), 2.0 * slow)
        if advised is not None:
            slow, fast = min(slow, advised.speed_mm_s / 1.2), max(fast, advised.speed_mm_s * 1.2)
        slow, fast = max(slow, machine.speed_step_mm_s), min(fast, 1.05 * machine.max_speed_mm_s)
        return np.linspace(low, high, _POWERS), np.geomspace(min(slow, fast / 2.0), fast, _SPEEDS)

    def _believed_speeds(self, power_pct: float) -> tuple[float, float]:
        """Slowest and fastest speed between which the outcome is in doubt."""
        machine = self._region.machine
        speeds = np.geomspace(machine.speed_step_mm_s, machine.max_speed_mm_s, _LOOKS)
        chance = self.chance(np.full(_LOOKS, power_pct), speeds)
        top = float(chance.max())
        doubt = speeds[(chance > _LEAST * top) & (chance < max(_MOST * top, _LEAST))]
        if len(doubt) < 2:
            return float(speeds[0]), float(speeds[-1])
        return float(doubt.min()) / _BEYOND_SPEED, float(doubt.max()) * _BEYOND_SPEED


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOut:
    """What holds at one setting."""

    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None
    chance: float  # The chance that ``chance_words`` tells [1]
    chance_words: str  # What it is the chance of
    chance_not_deeper: float | None  # For marks, that it goes no deeper than wanted; None for cuts
    expected_char: float | None  # Expected char grade, 0…4; None for marks
    # Spare energy, negative on the far side of the edge [%]; None for marks
    energy_margin_pct: float | None
    # Time of the cut path alone, without corners and travel [s]; None without a length
    job_time_s: float | None
    tested: bool  # True inside what was burnt
    allowed: bool  # True when the machine's limits and ceiling allow it


def read_out(region: Region, wish: RegionWish, setting: Setting) -> ReadOut:
    """Say what holds at one setting, wherever it lies; raises InvalidRecord when an area mark's
    pitch is missing."""
    if KINDS[region.operation].shape == "area" and setting.line_pitch_mm is None:
        raise unfit("line_pitch_mm", None, "an area mark needs its line pitch in mm")
    shower = _Shower(region, wish, setting.passes, setting, exact=True)
    chance = shower.chance(np.array([setting.power_pct]), np.array([setting.speed_mm_s]))[0]
    at = (setting.power_pct, setting.speed_mm_s, setting.passes)
    more: dict[str, Any] = dict.fromkeys((
        "chance_not_deeper",
        "expected_char",
        "energy_margin_pct",
    ))
    if region.operation == "cut":
        # The exponent of a setting far beyond the edge has no use as a number.
        reach = min(float(region.median_reach(*at)), math.log(100.0))
        more |= {
            "expected_char": float(region.expected_char(*at)),
            "energy_margin_pct": 100.0 * math.expm1(reach),
        }
    else:
        fine = region.chance_mark_at_most(wish.mark, *at, setting.line_pitch_mm)
        more["chance_not_deeper"] = float(fine)
    lowest, highest = power_limits_pct(region.machine)
    _, fastest = speed_limits_mm_s(region.machine)
    length = wish.cut_length_mm
    return ReadOut(
        power_pct=setting.power_pct,
        speed_mm_s=setting.speed_mm_s,
        passes=setting.passes,
        line_pitch_mm=setting.line_pitch_mm,
        chance=min(max(float(chance), 0.0), 1.0),
        chance_words=shower.words,
        job_time_s=None if length is None else length * setting.passes / setting.speed_mm_s,
        tested=region.tested(*at),
        allowed=lowest <= setting.power_pct <= highest and setting.speed_mm_s <= fastest,
        **more,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionRow:
    """What holds at one power."""

    power_pct: float  # Power [% of full]
    # For cuts, the fastest speed at each chance of ``LEVELS``; for marks, the slowest that goes no
    # deeper than wanted, then the likeliest to be as wanted [mm/s]. None: not on this machine.
    speeds_mm_s: tuple[float | None, ...]
    tested: tuple[bool, ...]  # For each speed, whether it lies inside what was burnt
    # Expected char grade at the last of the speeds; None for marks
    expected_char: float | None = None
    # For marks, the chance of exactly the wanted grade at the likeliest speed; None for cuts
    chance: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A region in a few lines: at some powers, the speeds that work with stated chances."""

    machine: str
    sheet: str
    operation: Operation
    passes: int
    line_pitch_mm: float | None
    wish: RegionWish  # What was asked
    edge: str  # ``unburnt``, ``all_through``, ``none_through`` or ``bracketed``
    outcomes: dict[str, int]  # How many burns came out how
    rows: tuple[RegionRow, ...]  # From high to low power
    defects_per_m: float  # Places where no power helps [1/m]
    learned: dict[str, dict[str, float]]  # Posterior sd / prior sd of each parameter of each model
    notes: tuple[str, ...]  # What the user must know


def summarise(region: Region, wish: RegionWish, *, passes: int | None = None) -> Summary:
    """Sum a region up."""
    machine, is_cut = region.machine, region.operation == "cut"
    shown = passes or min(region.hulls, default=1)
    quick = thinned_region(region, _THINNED)
    opinion = second_opinion(region)
    outcomes: Counter[str] = Counter()
    for burn in region.burns:
        outcomes[str(burn.through) if is_cut else f"mark {burn.mark}"] += burn.count
    burnt = [burn.power_pct for burn in region.burns if burn.passes == shown]
    # Before any burn: cuts need the upper half, marks all powers from where a beam is sure.
    least = max(0.5 * machine.ceiling_pct if is_cut else 1.0, 1.2 * machine.beam_starts_pct)
    low, high = min(burnt, default=least), max(burnt, default=machine.ceiling_pct)
    powers = {snap_power(machine, power) for power in np.geomspace(low, high, _SUMMED_POWERS)}
    row = _cut_row if is_cut else _mark_row
    return Summary(
        machine=machine.name,
        sheet=region.sheet.name,
        operation=region.operation,
        passes=shown,
        line_pitch_mm=mark_pitch(region),
        wish=wish,
        edge=region.edge,
        outcomes={name: outcomes[name] for name in sorted(outcomes, key=outcome_order)},
        rows=tuple(row(quick, wish, power, shown) for power in sorted(powers, reverse=True)),
        defects_per_m=region.defects_per_m,
        learned=region.learned,
        notes=(*region.notes, opinion) if opinion else region.notes,
    )


def _speeds(region: Region) -> Array:
    machine = region.machine
    return np.geomspace(machine.speed_step_mm_s, machine.max_speed_mm_s, _SUMMED_SPEEDS)


def _cut_row(region: Region, wish: RegionWish, power: float, passes: int) -> RegionRow:
    speeds = _speeds(region)
    chance = np.asarray(
        region.chance_through(power, speeds, passes, wish.cut_length_mm, wish.next_sheet)
    )
    found = tuple(_fastest(region, speeds, chance, level) for level in LEVELS)
    last = found[-1]
    char = None if last is None else float(region.expected_char(power, last, passes))
    return RegionRow(
        power_pct=power,
        speeds_mm_s=found,
        tested=tuple(v is not None and region.tested(power, v, passes) for v in found),
        expected_char=char,
    )


def _mark_row(region: Region, wish: RegionWish, power: float, passes: int) -> RegionRow:
    speeds, pitch = _speeds(region), mark_pitch(region)
    fine = np.asarray(region.chance_mark_at_most(wish.mark, power, speeds, passes, pitch))
    exactly = np.asarray(region.chance_mark(wish.mark, power, speeds, passes, pitch))
    keeps = speeds[fine >= 1.0 - DEEPER]
    slowest = _on_step(region, float(keeps.min())) if len(keeps) else None
    best = int(np.argmax(exactly))
    found = (slowest, _on_step(region, float(speeds[best])))
    return RegionRow(
        power_pct=power,
        speeds_mm_s=found,
        tested=tuple(v is not None and region.tested(power, v, passes) for v in found),
        chance=float(exactly[best]),
    )


def _fastest(region: Region, speeds: Array, chance: Array, level: float) -> float | None:
    """Fastest speed up to which the chance is met, interpolated and on the machine's steps."""
    below = np.flatnonzero(chance < level)
    if not len(below):
        return _on_step(region, float(speeds[-1]))
    first = int(below[0])
    if first == 0:
        return None
    share = (chance[first - 1] - level) / (chance[first - 1] - chance[first])
    ln_speed = np.log(speeds[first - 1]) + share * np.log(speeds[first] / speeds[first - 1])
    return _on_step(region, float(np.exp(ln_speed)))


def _on_step(region: Region, speed_mm_s: float) -> float:
    """The machine's next slower step [mm/s]."""
    return snap_speed(region.machine, speed_mm_s, "down")
