"""The picture of a region as plain shapes: power across, the logarithm of speed upwards.

The page draws them as they are, ``region_file`` as PNG or SVG. Outcomes and levels differ in shape,
fill or dashes, never in colour alone. No matplotlib here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from calib.pictures.scale import hull_outline, lines_at, nice_ticks, outlines_above
from calib.pictures.view import RegionView, figure_words, outcome_of, setting_words
from calib.records import GRADES, MARK_SHORT, Burn, Setting
from calib.texts.say import say

# Frame of the plot, in units of about a pixel on a phone.
WIDTH, HEIGHT = 380.0, 396.0
LEFT, RIGHT, TOP, FOOT = 46.0, 324.0, 16.0, 352.0
# Dashes of the lines of equal chance, lowest level first [units].
DASHES: tuple[tuple[float, ...], ...] = ((2, 3), (7, 4), (), (9, 3, 2, 3))
# Radius of a burn's mark, of one that holds a numeral, and of the ring round what is advised.
_SMALL, _LARGE, _RING = 5.5, 8.5, 14.0
# Looks of shapes that end where the plot ends.
CLIPPED = frozenset({"untested", "hull", "level", "limit", "grade"})

Point = tuple[float, float]


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
    above = view.power_pct, view.speed_mm_s, view.chance
    frame = ((LEFT, FOOT), (RIGHT, FOOT), (RIGHT, TOP), (LEFT, TOP))
    parts: list[Part] = [Shape(look="b0", loops=(frame,))]
    for number, level in enumerate(view.levels, 1):
        loops = tuple(places.loop(loop) for loop in outlines_above(*above, level))
        parts += [Shape(look=f"b{number}", loops=loops)] if loops else []
    hull = () if view.hull is None or len(view.hull) < 3 else places.loop(hull_outline(view.hull))
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
            tips = ((15.0, 0.0), (9.0, 0.5), (9.0, -0.5))
            wedge = tuple(
                (at[0] + r * math.cos(turn + a), at[1] + r * math.sin(turn + a)) for r, a in tips
            )
            parts.append(Shape(look="full", loops=(wedge,), name=f"beyond-{number}"))
        yield BurnMark(at=at, parts=tuple(parts))


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
    settings = [(burn.power_pct, burn.speed_mm_s) for burn in view.shown]
    if len(set(settings)) < sum(burn.count for burn in view.shown):
        hit = (
            say("pictures.fell_free") if view.operation == "cut" else say("pictures.were_as_wanted")
        )
        disc = Shape(look="bare", loops=(_slice(zero, _SMALL + 1.5, 0.0, 1.0),))
        part = Shape(look="full", loops=(_slice(zero, _SMALL + 1.5, 0.0, 0.75),))
        keys.append((f"3/4: 3 of 4 {hit}", [disc, part]))
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
                    look="likely", text=f"{grade} {MARK_SHORT[grade]}", at=at_best, name=name
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
        yield Label(look="small", text=text, at=(RIGHT - 5.0, y + 8.0), anchor="end")


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
