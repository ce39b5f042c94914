"""A region to look at: its picture, its outlines, a few lines of it, and what holds anywhere."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from calib.advice.chances import Chances
from calib.advice.recommendation import Recommendation
from calib.errors import NotEnoughEvidence, unfit
from calib.fit.model import columns_of, grade_chances, settings_of
from calib.fit.region import Region, thinned_region
from calib.fit.second_opinion import second_opinion
from calib.limits import power_limits_pct, snap_power, snap_speed, speed_limits_mm_s
from calib.materials import scales_of
from calib.pictures.region import RegionView
from calib.plan.next_marks import mark_pitch
from calib.records import (
    KINDS,
    Operation,
    Setting,
    burns_to_advise_from,
    grade_ends,
    grades_typed,
    outcome_order,
    short_words,
)
from calib.tasks.advice import recommended, wish_of
from calib.tasks.files import Files, PictureFormat, pictures_named
from calib.tasks.wishes import RegionWish
from calib.texts.say import say
from calib.units import show_chance

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
    kept: Setting | None = None,
) -> Files:
    """Draw a region with its burns and, where one can be given, the recommendation."""

    def draw(format: PictureFormat) -> bytes:
        from calib.pictures.region_file import region_picture  # loads matplotlib

        view = advised_view(region, wish, passes=passes, advice=advice, kept=kept)
        return region_picture(view, format=format)

    return pictures_named(names, draw)


def advised_view(
    region: Region,
    wish: RegionWish,
    *,
    passes: int | None = None,
    advice: Recommendation | None = None,
    kept: Setting | None = None,
) -> RegionView:
    """What a picture shows with what is recommended, or with why nothing is."""
    try:
        advice = advice or recommended(region, wish)
        said = say("tasks.chance", advice=advice, chance=show_chance(advice.chance))
    except NotEnoughEvidence as refusal:
        said = str(refusal)
    setting, chance = (advice.setting, advice.chance) if advice else (None, 1.0)
    if chance < (wish.asked_of(region.operation) or 0.0):
        said += say("tasks.that_is_less_than_was_asked")
    return region_view(
        region, wish, passes=passes, advised=setting, chance=chance, kept=kept, said=said
    )


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
    machine = region.machine
    shown = passes or (advised.passes if advised else min(region.hulls, default=1))
    asked = wish.asked_of(region.operation) or 0.0
    if advised and (advised.passes != shown or chance < asked):
        advised = None
    if kept and kept.passes != shown:
        kept = None
    pitch = mark_pitch(region, advised.line_pitch_mm if advised else None)
    quick = thinned_region(region, _THINNED)
    drawn = partial(_drawn, Chances(region=quick, wish=wish_of(wish)), shown, pitch)
    power, speed = _axes(region, shown, advised or kept, drawn)
    expected = None
    if region.operation == "cut":
        chances = drawn(power[:, None], speed[None, :])
    else:
        fit, (low, high) = quick.mark, grade_ends(wish.mark)
        assert fit is not None
        others = [np.full(len(speed), n) for n in (shown, np.nan if pitch is None else pitch)]
        rows = (
            settings_of(machine, [np.full(len(speed), row), speed, *others], fit.prior, "mark")
            for row in power
        )
        # Every grade of a row at once: quicker than one by one.
        grades = np.stack([grade_chances(fit.here, row) for row in rows], axis=1)
        chances = grades[low : high + 1].sum(axis=0)
        expected = np.einsum("g,gij->ij", np.arange(len(grades), dtype=float), grades)
    levels = LEVELS if region.operation == "cut" else MARK_LEVELS
    if region.operation == "cut" and LEVELS[1] < asked < 1.0:
        levels = (*LEVELS[:2], asked)
    hull = region.hull(shown, pitch)
    return RegionView(
        title=f"{region.sheet.name} on {machine.name}, {region.operation.replace('_', ' ')}",
        operation=region.operation,
        power_pct=power,
        speed_mm_s=speed,
        chance=chances,
        chance_words=_chance_words(wish, region.operation),
        levels=levels,
        passes=shown,
        line_pitch_mm=pitch,
        burns=region.burns,
        recommendation=advised,
        kept=kept,
        said=said,
        hull=None if hull is None else np.exp(hull),
        beam_starts_pct=machine.beam_starts_pct,
        ceiling_pct=machine.ceiling_pct,
        max_speed_mm_s=machine.max_speed_mm_s,
        wanted_mark=grade_ends(wish.mark),
        mark_names=short_words(scales_of(region.sheet.material)["mark"]),
        expected_mark=expected,
    )


def somewhere(view: RegionView) -> Setting:
    """A setting to begin looking at: in the middle of what was burnt, else of the picture."""
    power, speed = (axis[len(axis) // 2] for axis in (view.power_pct, view.speed_mm_s))
    if view.hull is not None:
        power, speed = np.exp(np.log(view.hull).mean(axis=0))
    return Setting(
        power_pct=round(float(power)),
        speed_mm_s=float(f"{speed:.3g}"),
        passes=view.passes,
        line_pitch_mm=view.line_pitch_mm,
    )


def _chance_words(wish: RegionWish, operation: Operation) -> str:
    """What the drawn chance is the chance of."""
    if operation != "cut":
        return say("tasks.chance_of_exactly_mark_grade", grades_typed=grades_typed(wish.mark))
    what = say("tasks.coupon_falls_free")
    if wish.cut_length_mm is not None:
        what = say("tasks.whole_job_of_m_of_cut", cut_length_mm=wish.cut_length_mm / 1000)
    elif wish.next_sheet:
        what = say("tasks.coupon_of_next_sheet_falls_free")
    limit = wish.char_at_most
    return say("tasks.chance_that", what=what) + (
        "" if limit is None else say("tasks.char_at_most_2", limit=limit)
    )


def _drawn(
    chances: Chances, passes: int, pitch: float | None, power: npt.ArrayLike, speed: npt.ArrayLike
) -> Array:
    """The chance that is drawn; powers and speeds broadcast."""
    columns = np.broadcast_arrays(power, speed, float(passes), np.nan if pitch is None else pitch)
    at = [column.ravel() for column in columns]
    found = chances.asked(at) if chances.region.operation == "cut" else chances.exactly(at)
    return found.reshape(columns[0].shape)


def _axes(
    region: Region,
    passes: int,
    advised: Setting | None,
    drawn: Callable[[npt.ArrayLike, npt.ArrayLike], Array],
) -> tuple[Array, Array]:
    """Powers and speeds of the picture: those that were burnt, and speeds about the edge.

    Burns that lie farther off stand at its rim.
    """
    machine = region.machine
    burns = [b for b in region.burns if b.passes == passes]
    ends = [max(machine.beam_starts_pct, 1.0), machine.ceiling_pct]
    powers = [b.power_pct for b in burns] or ends
    beyond = _BEYOND_POWER if burns else 1.0
    # At most a little beyond beam start and ceiling.
    low = max(min(powers) / beyond, 0.8 * machine.beam_starts_pct, 1.0)
    high = min(max(powers) * beyond, 1.1 * machine.ceiling_pct, 100.0)
    # Where the outcome is in doubt at the powers that matter.
    looks = np.geomspace(machine.speed_step_mm_s, machine.max_speed_mm_s, _LOOKS)
    doubts: list[float] = []
    for power in (min(powers), max(powers)) if burns else ((low * high) ** 0.5,):
        chance = drawn(power, looks)
        top = float(chance.max())
        doubt = looks[(chance > _LEAST * top) & (chance < max(_MOST * top, _LEAST))]
        if len(doubt) < 2:
            doubts += looks[0], looks[-1]
        else:
            doubts += doubt.min() / _BEYOND_SPEED, doubt.max() * _BEYOND_SPEED
    slow, fast = float(min(doubts)), float(max(doubts))
    if burns:
        speeds = [b.speed_mm_s for b in burns]
        slow = max(slow, min(speeds) / _BEYOND_SPEED)
        fast = max(min(fast, max(speeds) * _BEYOND_SPEED), 2.0 * slow)
    if advised is not None:
        slow, fast = min(slow, advised.speed_mm_s / 1.2), max(fast, advised.speed_mm_s * 1.2)
    slow, fast = max(slow, machine.speed_step_mm_s), min(fast, 1.05 * machine.max_speed_mm_s)
    return np.linspace(low, high, _POWERS), np.geomspace(min(slow, fast / 2.0), fast, _SPEEDS)


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
        raise unfit("line_pitch_mm", None, say("tasks.area_mark_needs_distance"))
    is_cut, columns = region.operation == "cut", columns_of([setting])
    chances = Chances(region=region, wish=wish_of(wish))
    chance = chances.asked(columns)[0] if is_cut else chances.exactly(columns)[0]
    at = (setting.power_pct, setting.speed_mm_s, setting.passes)
    margin = None
    if is_cut:
        # The exponent of a setting far beyond the edge has no use as a number.
        margin = 100.0 * math.expm1(min(float(region.median_reach(*at)), math.log(100.0)))
    lowest, highest = power_limits_pct(region.machine)
    _, fastest = speed_limits_mm_s(region.machine)
    length = wish.cut_length_mm
    return ReadOut(
        **vars(setting),
        chance=min(max(float(chance), 0.0), 1.0),
        chance_words=_chance_words(wish, region.operation),
        chance_not_deeper=None if is_cut else float(chances.asked(columns)[0]),
        expected_char=float(region.expected_char(*at)) if is_cut else None,
        energy_margin_pct=margin,
        job_time_s=None if length is None else length * setting.passes / setting.speed_mm_s,
        tested=region.tested(*at, setting.line_pitch_mm),
        allowed=lowest <= setting.power_pct <= highest and setting.speed_mm_s <= fastest,
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
    material: str
    operation: Operation
    passes: int
    line_pitch_mm: float | None
    wish: RegionWish  # What was asked
    edge: str  # ``unburnt``, ``all_through``, ``none_through`` or ``bracketed``
    burnt: str  # How many burns there are, in words
    other_air: int  # How many burns had another air than the usual one
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
        came = "stair" if burn.source == "stair" else str(burn.through)
        outcomes[came if is_cut else say("tasks.mark", burn=burn)] += burn.count
    burnt = [burn.power_pct for burn in region.burns if burn.passes == shown]
    # Before any burn: cuts need the upper half, marks all powers from where a beam is sure.
    least = max(0.5 * machine.ceiling_pct if is_cut else 1.0, 1.2 * machine.beam_starts_pct)
    low, high = min(burnt, default=least), max(burnt, default=machine.ceiling_pct)
    powers = {snap_power(machine, power) for power in np.geomspace(low, high, _SUMMED_POWERS)}
    return Summary(
        machine=machine.name,
        sheet=region.sheet.name,
        material=region.sheet.material,
        operation=region.operation,
        passes=shown,
        line_pitch_mm=mark_pitch(region),
        wish=wish,
        edge=region.edge,
        burnt=burns_to_advise_from((*region.burns, *region.other_air), region.operation),
        other_air=len(region.other_air),
        outcomes={name: outcomes[name] for name in sorted(outcomes, key=outcome_order)},
        rows=tuple(_row(quick, wish, power, shown) for power in sorted(powers, reverse=True)),
        defects_per_m=region.defects_per_m,
        learned=region.learned,
        notes=(*region.notes, opinion) if opinion else region.notes,
    )


def _row(region: Region, wish: RegionWish, power: float, passes: int) -> RegionRow:
    machine, is_cut = region.machine, region.operation == "cut"
    speeds = np.geomspace(machine.speed_step_mm_s, machine.max_speed_mm_s, _SUMMED_SPEEDS)
    found: list[float | None]
    likely, pitch = None, mark_pitch(region)
    if is_cut:
        scope = wish.cut_length_mm, wish.next_sheet
        through = np.asarray(region.chance_through(power, speeds, passes, *scope))
        found = [_fastest(speeds, through, level) for level in LEVELS]
    else:
        at = (power, speeds, passes, pitch)
        keeps = speeds[np.asarray(region.chance_mark_at_most(wish.mark, *at)) >= 1.0 - DEEPER]
        exactly = np.asarray(region.chance_mark(wish.mark, *at))
        best = int(np.argmax(exactly))
        found = [float(keeps.min()) if len(keeps) else None, float(speeds[best])]
        likely = float(exactly[best])
    steps = tuple(None if v is None else snap_speed(machine, v, "down") for v in found)
    char = None
    if is_cut and steps[-1] is not None:
        char = float(region.expected_char(power, steps[-1], passes))
    return RegionRow(
        power_pct=power,
        speeds_mm_s=steps,
        tested=tuple(v is not None and region.tested(power, v, passes, pitch) for v in steps),
        expected_char=char,
        chance=likely,
    )


def _fastest(speeds: Array, chance: Array, level: float) -> float | None:
    """Fastest speed up to which the chance is met, interpolated."""
    below = np.flatnonzero(chance < level)
    if not len(below):
        return float(speeds[-1])
    first = int(below[0])
    if first == 0:
        return None
    share = (chance[first - 1] - level) / (chance[first - 1] - chance[first])
    return float(speeds[first - 1] * (speeds[first] / speeds[first - 1]) ** share)
