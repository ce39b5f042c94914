"""The picture of a region as plain shapes: power across, the logarithm of speed upwards.

The page draws them as they are, ``region_file`` as PNG or SVG. Outcomes and levels differ in shape,
fill or dashes, never in colour alone. No matplotlib here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import contourpy
import numpy as np
import numpy.typing as npt

from calib.records import GRADES, KINDS, MARK_SHORT, Burn, Operation, Setting
from calib.texts.say import say

Array = npt.NDArray[np.float64]
Loop = tuple[tuple[float, float], ...]
# Frame of the plot, in units of about a pixel on a phone.
WIDTH, HEIGHT = 380.0, 396.0
_STRIP = 0.01  # half of the width that burns at one power are given, as a share
LEFT, RIGHT, TOP, FOOT = 46.0, 318.0, 16.0, 352.0
# Dashes of the lines of equal chance, lowest level first [units].
DASHES: tuple[tuple[float, ...], ...] = ((2, 3), (7, 4), (), (9, 3, 2, 3))
# Radius of a burn's mark, of one that holds a numeral, and of the ring round what is advised.
_SMALL, _LARGE, _RING = 5.5, 8.5, 14.0
# Looks of shapes that end where the plot ends.
CLIPPED = frozenset({"untested", "hull", "level", "limit", "grade"})

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegionView:
    """What the picture of a region shows, as plain data."""

    title: str  # Headline: machine, sheet, operation in the user's names
    operation: Operation  # ``cut``, ``line_mark`` or ``area_mark``
    # power_pct, speed_mm_s: Rising axes, shapes (n_power,) [% of full] and (n_speed,) [mm/s]
    power_pct: Array
    speed_mm_s: Array
    chance: Array  # Chance at each, shape (n_power, n_speed) [1]
    chance_words: str  # What ``chance`` is the chance of
    # Chances at which bands change, rising, inside 0 and 1
    levels: tuple[float, ...] = (0.5, 0.9, 0.99)
    # passes, line_pitch_mm: Number of passes and line pitch [mm] of the picture; other burns are
    # counted, not drawn
    passes: int = 1
    line_pitch_mm: float | None = None
    burns: tuple[Burn, ...] = ()  # What was burnt
    recommendation: Setting | None = None  # The setting that is advised; None when there is none
    kept: Setting | None = None  # The setting that is kept; None when it isn't to be shown
    said: str = ""  # The chance in words
    # Corners of what was burnt, (power [%], speed [mm/s]) in order, shape (n, 2); None when nothing
    # was. Its sides are straight in ln power and ln speed.
    hull: Array | None = None
    # beam_starts_pct, ceiling_pct, max_speed_mm_s: Limits of the machine [%], [%], [mm/s]; None
    # when not to be shown
    beam_starts_pct: float | None = None
    ceiling_pct: float | None = None
    max_speed_mm_s: float | None = None
    wanted_mark: tuple[int, int] = (2, 2)  # First and last of the mark grades that are wanted
    mark_names: tuple[str, ...] = MARK_SHORT  # What the material's mark grades are called
    # Mean of the mark grades at each, shape (n_power, n_speed); None for cuts
    expected_mark: Array | None = None

    @property
    def shown(self) -> tuple[Burn, ...]:
        """The burns of this picture that were read."""
        return tuple(burn for burn in self.burns if self._shows(burn))

    def _shows(self, burn: Burn) -> bool:
        pitch, wanted = burn.line_pitch_mm, self.line_pitch_mm
        if KINDS[self.operation].shape == "area" and wanted is not None:
            same_pitch = pitch is not None and math.isclose(pitch, wanted, rel_tol=1e-9)
        else:
            same_pitch = True
        same = burn.operation == self.operation and burn.passes == self.passes
        return same and same_pitch and outcome_of(burn) != ""


def outcome_of(burn: Burn) -> str:
    """Return the outcome as a word: through's own, a mark grade's number, empty if not read."""
    if burn.operation == "cut":
        return burn.through or ""
    return "" if burn.mark is None else str(burn.mark)


def figure_words(value: float) -> str:
    """Write a number with up to two decimals and never an exponent.

    Examples
    --------
    >>> figure_words(12.50), figure_words(60000.0)
    ('12.5', '60000')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def setting_words(setting: Setting) -> str:
    """Write a setting as it is typed at the machine.

    Examples
    --------
    >>> setting_words(Setting(power_pct=60.0, speed_mm_s=12.0))
    '60 %, 12 mm/s, 720 mm/min, 1 pass'
    """
    speed, passes = setting.speed_mm_s, "1 pass"
    if setting.passes > 1:
        passes = say("pictures.passes_2", setting=setting)
    if setting.line_pitch_mm is not None:
        passes += say("pictures.lines_apart", figure=figure_words(setting.line_pitch_mm))
    speeds = f"{figure_words(speed)} mm/s, {figure_words(speed * 60.0)} mm/min"
    return f"{figure_words(setting.power_pct)} %, {speeds}, {passes}"


def nice_ticks(low: float, high: float) -> list[float]:
    """Choose round values on a logarithmic axis.

    Examples
    --------
    >>> nice_ticks(4.0, 70.0)
    [5.0, 10.0, 20.0, 50.0]
    """
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    ticks: list[float] = []
    for steps in ((1, 2, 5), (1, 1.5, 2, 3, 5, 7), (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 4, 5, 6, 8)):
        ticks = [float(f"{step}e{decade}") for decade in decades for step in steps]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= 4:
            break
    return ticks[:: math.ceil(len(ticks) / 9)] if len(ticks) > 1 else [low, high]


def outlines_above(powers: Array, speeds: Array, chance: Array, level: float) -> tuple[Loop, ...]:
    """Outline where a chance is at least so high, the frame counting as an edge.

    Each is a closed loop of (power, speed); a loop inside another is a hole.

    Examples
    --------
    >>> axis = np.array([1.0, 2.0])
    >>> loops = outlines_above(axis, axis, np.ones((2, 2)), 0.5)
    >>> [sorted(set(loop)) for loop in loops]
    [[(1.0, 1.0), (1.0, 2.0), (2.0, 1.0), (2.0, 2.0)]]
    """
    contours = contourpy.contour_generator(
        powers, np.log(speeds), np.ma.masked_invalid(chance).T, fill_type="OuterOffset"
    )
    loops = []
    for points, offsets in zip(*contours.filled(level, np.inf), strict=True):
        for first, end in zip(offsets[:-1], offsets[1:], strict=True):
            # The last point of a loop is its first.
            loops.append(tuple((float(p), float(np.exp(v))) for p, v in points[first : end - 1]))
    return tuple(loops)


def lines_at(powers: Array, speeds: Array, height: Array, level: float) -> tuple[Loop, ...]:
    """Lines of (power, speed) on which something has one height; a closed one ends as it began."""
    masked = np.ma.masked_invalid(height).T
    contours: Any = contourpy.contour_generator(powers, np.log(speeds), masked)
    return tuple(
        tuple((float(p), float(np.exp(v))) for p, v in line) for line in contours.lines(level)
    )


def hull_outline(hull: npt.ArrayLike) -> Array:
    """Outline of what was burnt with points between its corners, clockwise, shape (n, 2).

    The sides are straight in ln power and ln speed, and so are bent where power isn't logarithmic.
    """
    corners = np.log(np.asarray(hull, dtype=float))
    x, y = corners.T
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) >= 0:
        corners = corners[::-1]
    share = np.linspace(0.0, 1.0, 24, endpoint=False)[:, None]
    following = np.roll(corners, -1, axis=0)
    sides = [a + share * (b - a) for a, b in zip(corners, following, strict=True)]
    return np.asarray(np.exp(np.vstack([*sides, corners[:1]])))


def _wide_enough(hull: Array) -> Array:
    """Burns at one power, or one speed, as a strip that can be seen."""
    low, high = hull.min(axis=0), hull.max(axis=0)
    thin = high <= low * (1.0 + _STRIP)
    if not thin.any():
        return hull
    low, high = (
        np.where(thin, low / (1.0 + _STRIP), low),
        np.where(thin, high * (1.0 + _STRIP), high),
    )
    return np.array([low, (low[0], high[1]), high, (high[0], low[1])])


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One drawn shape: loops of points in units, y down."""

    look: str  # names its fill and line: what the shape stands for
    loops: tuple[tuple[Point, ...], ...]
    closed: bool = True
    dashes: tuple[float, ...] = ()
    name: str = ""  # its id in a file
    title: str = ""  # what is said when a finger or a reader comes upon it


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A line of text; ``at`` is the middle of its height."""

    look: str
    text: str
    at: Point
    anchor: str = "middle"  # start, middle or end
    upright: bool = False
    name: str = ""


Part = Shape | Label


class Places:
    """Turns settings into places."""

    def __init__(self, view: RegionView) -> None:
        self.power = float(view.power_pct[0]), float(view.power_pct[-1])
        self.speed = float(view.speed_mm_s[0]), float(view.speed_mm_s[-1])

    def at(self, power_pct: float, speed_mm_s: float) -> Point:
        """Place of a setting [units]."""
        low, high = self.power
        slow, fast = (math.log(speed) for speed in self.speed)
        x = LEFT + (RIGHT - LEFT) * (power_pct - low) / (high - low)
        return x, FOOT - (FOOT - TOP) * (math.log(speed_mm_s) - slow) / (fast - slow)

    def loop(self, settings: Iterable[Iterable[float]]) -> tuple[Point, ...]:
        """Places of several."""
        return tuple(self.at(float(p), float(v)) for p, v in settings)


def region_parts(view: RegionView) -> list[Part]:
    """Everything that is drawn, from the ground up."""
    places = Places(view)
    burns = list(burn_marks(view, places))
    taken = [mark.at for mark in burns]
    chosen = [one for one in (view.recommendation, view.kept) if one is not None]
    taken += [places.at(one.power_pct, one.speed_mm_s) for one in chosen]
    above = view.power_pct, view.speed_mm_s, view.chance
    frame = ((LEFT, FOOT), (RIGHT, FOOT), (RIGHT, TOP), (LEFT, TOP))
    parts: list[Part] = [Shape(look="b0", loops=(frame,))]
    for number, level in enumerate(view.levels, 1):
        loops = tuple(places.loop(loop) for loop in outlines_above(*above, level))
        parts += [Shape(look=f"b{number}", loops=loops)] if loops else []
    hull = () if view.hull is None else places.loop(hull_outline(_wide_enough(view.hull)))
    outlines = (frame, hull) if hull else (frame,)
    parts.append(Shape(look="untested", loops=outlines, name="not-tested"))
    parts += [Shape(look="hull", loops=(hull,), name="hull")] if hull else []
    for number, level in enumerate(view.levels):
        lines = [places.loop(line) for line in lines_at(*above, level)]
        if lines:
            words, name = f"{100.0 * level:.4g} %", f"level-{100.0 * level:.4g}"
            shape = Shape(
                look="level", loops=tuple(lines), closed=False, name=name,
                dashes=DASHES[number % len(DASHES)],
            )  # fmt: skip
            parts += [shape, *_named(words, sum(lines, ()), f"{name}-label", number, taken)]
    parts += _likely_marks(view, places, taken)
    parts += _limits(view, places, taken)
    parts += [Shape(look="frame", loops=(frame,)), *_axes(places)]
    if view.recommendation is not None:
        x, y = places.at(view.recommendation.power_pct, view.recommendation.speed_mm_s)
        parts += advised_shapes((x, y))
    if view.kept is not None:
        parts += kept_shapes(places.at(view.kept.power_pct, view.kept.speed_mm_s))
    return [*parts, *(part for mark in burns for part in mark.parts)]


@dataclass(frozen=True, slots=True, kw_only=True)
class BurnMark:
    """All burns at one setting: where they are drawn, and how."""

    at: Point
    parts: tuple[Part, ...]


def burn_marks(view: RegionView, places: Places) -> Iterator[BurnMark]:
    """One mark for each setting that was burnt; those beyond the plot stand at its rim."""
    groups: dict[tuple[float, float], list[Burn]] = {}
    for burn in view.shown:
        groups.setdefault((burn.power_pct, burn.speed_mm_s), []).append(burn)
    for number, (setting, burns) in enumerate(groups.items(), 1):
        x, y = places.at(*setting)
        at = min(max(x, LEFT), RIGHT), min(max(y, TOP), FOOT)
        parts = list(_mark(view, burns, at, number))
        if math.dist(at, (x, y)) > 0.1:
            # A wedge beyond the frame, pointing to where they lie.
            turn = math.atan2(y - at[1], x - at[0])
            parts.append(_wedge(at, turn, 7.9, name=f"beyond-{number}"))
        yield BurnMark(at=at, parts=tuple(parts))


def _wedge(at: Point, turn: float, off: float, name: str = "") -> Shape:
    """A wedge so far off a place, pointing away from it in the direction ``turn`` [rad]."""
    (x, y), along, across = at, (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    tips = tuple(
        (x + a * along[0] + b * across[0], y + a * along[1] + b * across[1])
        for a, b in ((off + 7.1, 0.0), (off, 4.3), (off, -4.3))
    )
    return Shape(look="full", loops=(tips,), name=name)


def _mark(view: RegionView, burns: Sequence[Burn], at: Point, number: int) -> Iterator[Part]:
    """One burn by its outcome; several by a pie, how many came out as wished beside it."""
    low, high = view.wanted_mark
    wished = ("through",) if view.operation == "cut" else tuple(map(str, range(low, high + 1)))
    counts: dict[str, int] = {}
    for burn in burns:
        counts[outcome_of(burn)] = counts.get(outcome_of(burn), 0) + burn.count
    count, hits = sum(counts.values()), sum(counts.get(outcome, 0) for outcome in wished)
    said = ", ".join(f"{n} {outcome}" for outcome, n in sorted(counts.items()))
    title = f"{setting_words(burns[0].setting)}: " + (said if count > 1 else next(iter(counts)))
    if count == 1:
        outcome = next(iter(counts))
        yield from mark_shapes(outcome, view, at, name=f"burn-{number}-{outcome}", title=title)
        return
    name = f"burn-{number}-{hits}of{count}"
    yield Shape(look="bare", loops=(_slice(at, _SMALL + 1.5, 0.0, 1.0),), name=name, title=title)
    begin = 0.0
    for number_of, look in ((hits, "full"), (counts.get("hanging", 0), "half")):
        share = number_of / count
        if share:
            yield Shape(look=look, loops=(_slice(at, _SMALL + 1.5, begin, begin + share),))
        begin += share
    left = at[0] > RIGHT - 30.0
    beside = (at[0] + (-11.0 if left else 11.0), at[1])
    anchor = "end" if left else "start"
    yield Label(look="share", text=f"{hits}/{count}", at=beside, anchor=anchor)


def mark_shapes(
    outcome: str, view: RegionView, at: Point, *, name: str = "", title: str = ""
) -> Iterator[Part]:
    """The mark of one burn: disc, half disc or cross; for grades a numeral in disc or square."""
    x, y = at
    if outcome == "no":
        r = _SMALL
        arms = (((x - r, y - r), (x + r, y + r)), ((x + r, y - r), (x - r, y + r)))
        yield Shape(look="cross", loops=arms, closed=False, name=name, title=title)
    elif not outcome.isdigit():
        look = "full" if outcome == "through" else "bare"
        disc = _slice(at, _SMALL, 0.0, 1.0)
        yield Shape(look=look, loops=(disc,), name=name, title=title)
        if outcome == "hanging":
            yield Shape(look="full", loops=(_slice(at, _SMALL, 0.25, 0.75),))
    else:
        grade, (low, high), r = int(outcome), view.wanted_mark, _LARGE
        square = ((x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r))
        loop = square if grade > high else _slice(at, r, 0.0, 1.0)
        wanted = low <= grade <= high
        look = "full" if wanted else "bare"
        yield Shape(look=look, loops=(loop,), name=name, title=title)
        yield Label(look="numeral-white" if wanted else "numeral", text=outcome, at=at)


def _slice(at: Point, radius: float, begin: float, end: float) -> tuple[Point, ...]:
    """A slice of a disc, by shares of a turn clockwise from the top."""
    steps = max(round(28 * (end - begin)), 2)
    angles = [2.0 * math.pi * (begin + (end - begin) * n / steps) for n in range(steps + 1)]
    rim = tuple((at[0] + radius * math.sin(a), at[1] - radius * math.cos(a)) for a in angles)
    return rim[:-1] if end - begin >= 1.0 else (at, *rim)


def advised_shapes(at: Point, ring: float = _RING) -> list[Part]:
    """A ring with four ticks outside: what lies in it is seen."""
    (x, y), end = at, 1.5 * ring
    ticks = tuple(
        ((x + ring * a, y + ring * b), (x + end * a, y + end * b))
        for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1))
    )
    return [
        Shape(look="advised", loops=(_slice(at, ring, 0.0, 1.0),), name="recommendation"),
        Shape(look="advised", loops=ticks, closed=False),
    ]


def kept_shapes(at: Point, reach: float = 1.5 * _RING) -> list[Part]:
    """A diamond, in which the ring of what is advised has room."""
    x, y = at
    tips = ((x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y))
    return [Shape(look="kept", loops=(tips,), name="kept")]


def region_keys(
    view: RegionView, *, advised: str = "advised", kept: str = "kept"
) -> list[tuple[str, list[Part]]]:
    """What each mark means, drawn round (0, 0), then each band of chance."""
    zero = (0.0, 0.0)
    keys: list[tuple[str, list[Part]]]
    if view.operation == "cut":
        words = {
            "through": say("pictures.fell_free"),
            "hanging": "hung",
            "no": say("pictures.not_cut"),
        }
    else:
        least, most = view.wanted_mark
        words = {str(least): say("pictures.as_wanted")}
        words |= {str(least - 1): "less"} if least > 0 else {}
        words |= {str(most + 1): "deeper"} if most < GRADES[-1] else {}
    keys = [(said, list(mark_shapes(outcome, view, zero))) for outcome, said in words.items()]
    drawn = [part for mark in burn_marks(view, Places(view)) for part in mark.parts]
    disc = Shape(look="bare", loops=(_slice(zero, _SMALL + 1.5, 0.0, 1.0),))
    if any(part.look == "share" for part in drawn):
        hit = (
            say("pictures.fell_free") if view.operation == "cut" else say("pictures.were_as_wanted")
        )
        part = Shape(look="full", loops=(_slice(zero, _SMALL + 1.5, 0.0, 0.75),))
        keys.append((f"3/4: 3 of 4 {hit}", [disc, part]))
    if any(part.look == "half" for part in drawn if isinstance(part, Shape)):
        part = Shape(look="half", loops=(_slice(zero, _SMALL + 1.5, 0.0, 0.25),))
        keys.append((say("pictures.one_of_four_hung"), [disc, part]))
    if any(part.name.startswith("beyond-") for part in drawn):
        keys.append((say("pictures.burnt_beyond"), [_wedge((0.0, 3.5), -math.pi / 2, 0.0)]))
    if view.recommendation is not None:
        keys.append((advised, advised_shapes(zero, 0.5 * _RING)))
    if view.kept is not None:
        keys.append((kept, kept_shapes(zero, 0.6 * _RING)))
    box = ((-9.0, -6.0), (9.0, -6.0), (9.0, 6.0), (-9.0, 6.0))
    ends = [f"{100.0 * chance:.4g}" for chance in (0.0, *view.levels, 1.0)]
    for number, (low, high) in enumerate(zip(ends, ends[1:], strict=False)):
        parts: list[Part] = [
            Shape(look=f"b{number}", loops=(box,)),
            Shape(look="rim", loops=(box,)),
        ]
        keys.append((f"{low} to {high} %", parts))
    return [*keys, (say("pictures.not_tested"), [Shape(look="untested", loops=(box,))])]


def _named(
    words: str, points: Sequence[Point], name: str, number: int, taken: list[Point]
) -> list[Part]:
    """Write a level on its line where nothing stands, each further left than the last."""
    inner = [(x, y) for x, y in points if LEFT + 30 < x < RIGHT - 30 and TOP + 14 < y < FOOT - 14]
    if not inner:
        return []
    wish = RIGHT - 60.0 - 60.0 * number

    def cost(place: Point) -> float:
        return abs(place[0] - wish) + 60.0 * _crowd(place, taken)

    taken.append(min(inner, key=cost))
    return [Label(look="name", text=words, at=taken[-1], name=name)]


def _crowd(place: Point, taken: Sequence[Point]) -> int:
    return sum(abs(place[0] - x) < 36 and abs(place[1] - y) < 18 for x, y in taken)


def _likely_marks(view: RegionView, places: Places, taken: list[Point]) -> Iterator[Part]:
    """Bands of the mark grades: where the nearest one changes, and its name where there is room."""
    if view.expected_mark is None:
        return
    expected = np.asarray(view.expected_mark, dtype=float)
    at, nearest = (view.power_pct, view.speed_mm_s, expected), expected.round()
    powers, speeds = np.meshgrid(view.power_pct, view.speed_mm_s, indexing="ij")
    for grade in GRADES:
        lines = tuple(places.loop(line) for line in lines_at(*at, grade - 0.5))
        if lines:
            yield Shape(look="grade", loops=lines, closed=False, dashes=(1, 2))
        own = places.loop(zip(powers[nearest == grade], speeds[nearest == grade], strict=True))
        roomy = [(x, y) for x, y in own if LEFT + 34 < x < RIGHT - 34 and TOP + 10 < y < FOOT - 10]
        if len(own) > 0.02 * nearest.size and roomy:
            middle = np.mean(own, axis=0)

            def cost(place: Point, middle: Point = (float(middle[0]), float(middle[1]))) -> float:
                return math.dist(place, middle) + 60.0 * _crowd(place, taken)

            at_best = min(roomy, key=cost)
            if _crowd(at_best, taken) == 0:
                taken.append(at_best)
                name = f"grade-{grade}"
                yield Label(
                    look="likely", text=f"{grade} {view.mark_names[grade]}", at=at_best, name=name
                )


def _limits(view: RegionView, places: Places, taken: Sequence[Point]) -> Iterator[Part]:
    """The machine's limits where they lie inside the picture, named where nothing stands."""
    for name, power in (
        (say("pictures.beam_starts"), view.beam_starts_pct),
        ("ceiling", view.ceiling_pct),
    ):
        if power is not None and places.power[0] < power < places.power[1]:
            x = places.at(power, places.speed[0])[0]
            gid = "limit-" + name.replace(" ", "-")
            loops = (((x, FOOT), (x, TOP)),)
            yield Shape(look="limit", loops=loops, closed=False, dashes=(6, 2, 1, 2), name=gid)
            aside = x - 8.0 if x > LEFT + 16.0 else x + 9.0
            text = f"{name} {figure_words(power)} %"
            half = 8.0 + 3.0 * len(text)
            ups = range(math.ceil(max(56.0, 2.0 + half)), math.floor(FOOT - TOP - half), 6)

            def covers(up: int, aside: float = aside, half: float = half) -> int:
                near = (y for x, y in taken if abs(x - aside) < 15.0)
                return sum(abs(FOOT - up - y) < half + 8.0 for y in near)

            at = (aside, FOOT - min(ups, key=covers))
            yield Label(look="small", text=text, at=at, upright=True, name=gid)
    speed = view.max_speed_mm_s
    if speed is not None and places.speed[0] < speed < places.speed[1]:
        y = places.at(places.power[0], speed)[1]
        loops = (((LEFT, y), (RIGHT, y)),)
        yield Shape(
            look="limit", loops=loops, closed=False, dashes=(6, 2, 1, 2), name="limit-top-speed"
        )
        text = say("pictures.top_speed", figure=figure_words(speed))
        wide = 6.0 * len(text)
        ends = [
            (x, y + down) for down in (8.0, 20.0) for x in np.arange(RIGHT - 5, LEFT + wide, -8)
        ]

        def lies_on(end: Point, wide: float = wide) -> int:
            return sum(
                end[0] - wide - 8 < x < end[0] + 8 and abs(end[1] - y) < 13 for x, y in taken
            )

        yield Label(look="small", text=text, at=min(ends, key=lies_on), anchor="end")


def _axes(places: Places) -> Iterator[Part]:
    """Power below, speed in mm/s at the left and in mm/min at the right."""
    low, high = places.power
    step = next(s for s in (1, 2, 5, 10, 20) if (high - low) / s <= 8 or s == 20)
    for number in range(math.ceil(low / step), math.floor(high / step) + 1):
        x = places.at(step * number, places.speed[0])[0]
        yield Shape(look="tick", loops=(((x, FOOT), (x, FOOT + 5)),), closed=False)
        yield Label(look="text", text=f"{step * number:g}", at=(x, FOOT + 14))
    yield Label(look="text", text="power [%]", at=((LEFT + RIGHT) / 2, FOOT + 33))
    middle = (TOP + FOOT) / 2
    for edge, way, unit, factor in ((LEFT, -1, "mm/s", 1.0), (RIGHT, 1, "mm/min", 60.0)):
        for tick in nice_ticks(*(factor * end for end in places.speed)):
            y = places.at(low, tick / factor)[1]
            yield Shape(look="tick", loops=(((edge, y), (edge + 5 * way, y)),), closed=False)
            anchor = "end" if way < 0 else "start"
            at = (edge + 8 * way, y)
            yield Label(look="text", text=figure_words(tick), at=at, anchor=anchor)
        x = 9.0 if way < 0 else WIDTH - 7.0
        yield Label(look="text", text=f"speed [{unit}]", at=(x, middle), upright=True)


def burns_words(view: RegionView) -> str:
    """Say how the burns came out, what is advised and kept, for who doesn't see the picture."""
    counted: dict[str, int] = {}
    for burn in view.shown:
        kind = (
            outcome_of(burn)
            if view.operation == "cut"
            else say("pictures.mark", outcome_of=outcome_of(burn))
        )
        counted[kind] = counted.get(kind, 0) + burn.count
    came = ", ".join(f"{number} {outcome}" for outcome, number in sorted(counted.items()))
    advised: Setting | None = view.recommendation
    advice = f" Advised: {setting_words(advised)}." if advised else ""
    advice += say("pictures.kept", kept=setting_words(view.kept)) if view.kept else ""
    return say("pictures.power_against_speed", view=view, came=came or "none yet", advice=advice)
