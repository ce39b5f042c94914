"""The best setting on the machine's steps inside what was burnt.

A look on few points of the posterior at some of the steps, a climb from the best of them, then
exact chances around the top. Chance and score are smooth in power and speed, so that the exact
chance only moves the speed at that power.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from calib.advice.chances import Chances, Columns, Wish
from calib.fit.hull import speed_range
from calib.fit.model import settings_of
from calib.fit.region import LOOK_POINTS, Region, thinned_region
from calib.limits import SLOWEST_MM_S
from calib.records import GRADES, Setting

Array = npt.NDArray[np.float64]

# Most powers and speeds that the look takes.
_MOST_POWERS = 24
_MOST_SPEEDS = 40
# Chances of the look are this far off at most; what nearly meets the reliability is tried exactly.
_LOOK_ERROR = 0.01
# A step counts as inside when it lies within so much of it, against rounding in the logarithms.
_ROUNDING = 1e-6
# Marks whose chance lies so little below the best are as good, and the fastest of them is taken.
_AS_GOOD = 0.02
# What is so little slower than the fastest of these is as fast, and the likeliest is taken.
_AS_FAST = 0.95
# Speeds so near to it, as a logarithm, and so few of each power, are looked at once more.
_NEAR, _FEW = 0.08, 10
# Powers from which a climb starts, its first stride as a share of the speeds, and its longest way.
_STARTS = 3
_COARSE = 16
_MOST_CLIMBS = 60
# The exact search looks so many steps to either side, first step by step, then further out.
_WINDOW = 6
_STRIDES = (1, 4, 16, 64)
# Steps of a row that are looked at when none of the strides meets it.
_ALONG = 200
# Two settings are as clean as each other when their expected char grades differ by no more than is
# known of the difference, but at least and at most so much: two people who read differ by more.
_AS_CLEAN = (0.05, 0.2)
# So many settings are compared at once, and so many steps are looked at beyond the best of a look.
_AT_ONCE = 64
_BEYOND = 400


class Step(NamedTuple):
    """A setting on the machine's steps; thousands are looked at, and few become records."""

    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None


Judged = tuple[tuple[float, ...], Step]  # a step behind what it is compared by


def _columns(steps: Sequence[Step]) -> list[Array]:
    """Power, speed, passes and line pitch [nan for none] of steps, (n,) each."""
    return list(np.array(steps, dtype=float).T)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One power with the speeds, on steps, that lie in the hull there; rising, [%], [mm/s]."""

    power_pct: float
    passes: int
    line_pitch_mm: float | None = None
    speeds: Array

    def at(self, speed_mm_s: float) -> int:
        """Place of the fastest of the row's speeds that isn't above a speed."""
        return max(int(np.searchsorted(self.speeds, speed_mm_s * (1 + 1e-12), side="right")) - 1, 0)

    @property
    def kind(self) -> tuple[int, float]:
        """What it shares with other powers: passes, and the line pitch of area marks."""
        return self.passes, self.line_pitch_mm or 0.0

    def steps(self, speeds: Array) -> list[Step]:
        """The row's steps at some speeds."""
        return [
            Step(self.power_pct, speed, self.passes, self.line_pitch_mm)
            for speed in speeds.tolist()
        ]


def rows_inside(region: Region, slowest_mm_s: float | None = None) -> list[Row]:
    """All powers on the machine's steps with their speeds inside what was burnt, for each number of
    passes and each line pitch that was."""
    machine = region.machine
    usual = SLOWEST_MM_S[machine.source]
    least = usual if slowest_mm_s is None else min(slowest_mm_s, usual)
    found = []
    kinds = {(burn.passes, burn.line_pitch_mm) for burn in region.burns}
    for passes, pitch in sorted(kinds, key=lambda kind: (kind[0], kind[1] or 0.0)):
        hull = region.hull(passes, pitch)
        assert hull is not None
        weakest, strongest = np.exp([hull[:, 0].min(), hull[:, 0].max()])
        strongest = min(strongest, machine.ceiling_pct)
        for power in _steps(weakest, strongest, machine.power_step_pct):
            span = speed_range(hull, float(power))
            if span is None:
                continue
            fastest = min(span[1], machine.max_speed_mm_s)
            speeds = _steps(max(span[0], least), fastest, machine.speed_step_mm_s)
            if len(speeds):
                row = Row(power_pct=float(power), passes=passes, line_pitch_mm=pitch, speeds=speeds)
                found.append(row)
    return found


def _steps(low: float, high: float, step: float) -> Array:
    """Multiples of a step from low to high, both included."""
    first = int(np.ceil(low / step - _ROUNDING))
    last = int(np.floor(high / step + _ROUNDING))
    return np.round(np.arange(max(first, 1), last + 1) * step, 6)


def _sample(rows: Sequence[Row]) -> list[Step]:
    """At most so many powers per number of passes and speeds per power, with both ends."""
    found = []
    for kind in sorted({row.kind for row in rows}):
        group = [row for row in rows if row.kind == kind]
        places = np.linspace(0, len(group) - 1, min(len(group), _MOST_POWERS)).round()
        for row in (group[int(i)] for i in np.unique(places)):
            wanted = np.geomspace(row.speeds[0], row.speeds[-1], _MOST_SPEEDS)
            which = np.unique([row.at(v) for v in wanted])
            found += row.steps(row.speeds[which])
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """The search among rows for one wish: exact chances, and those of the look."""

    exact: Chances
    quick: Chances
    rows: Sequence[Row]

    @classmethod
    def of(cls, region: Region, wish: Wish, rows: Sequence[Row]) -> Search:
        """A search in a region."""
        quick = Chances(region=thinned_region(region), wish=wish)
        return cls(exact=Chances(region=region, wish=wish), quick=quick, rows=rows)

    def wishing(self, **changes: object) -> Search:
        """The same with another wish."""
        wish = replace(self.exact.wish, **changes)  # type: ignore[arg-type]
        return replace(
            self, exact=replace(self.exact, wish=wish), quick=replace(self.quick, wish=wish)
        )

    @property
    def by_pitch(self) -> list[list[Row]]:
        """The rows of each line pitch that was burnt; of everything but area marks all."""
        pitches = sorted({row.line_pitch_mm or 0.0 for row in self.rows})
        return [[row for row in self.rows if (row.line_pitch_mm or 0.0) == p] for p in pitches]

    def row_of(self, at: Step) -> Row:
        """The row that a setting is of."""
        kind = at.power_pct, at.passes, at.line_pitch_mm
        return next(r for r in self.rows if (r.power_pct, r.passes, r.line_pitch_mm) == kind)

    def advised(self) -> Setting | None:
        """The step that is advised; None where none meets the wish.

        Of marks the fastest that is as good as the best, of the cleanest cuts the fastest that
        isn't known to be dirtier.
        """
        found = self._advised()
        return found and Setting(**found._asdict())

    def _advised(self) -> Step | None:
        marks = self.exact.region.operation != "cut"
        if marks and self.exact.wish.reliability is None:
            return self._fastest_as_likely()
        best = self._best()
        if best is None:
            return None
        if marks:
            exactly = float(self.exact.exactly(_columns([best]))[0])
            return self.wishing(least_exactly=exactly - _AS_GOOD)._best() or best
        if self.exact.wish.aim != "cleanest":
            return best
        return self._fastest_as_clean(best, self.wishing(aim="fastest")._best() or best)

    def _fastest_as_likely(self) -> Step:
        """The fastest step whose chance lies next to the best there is; no bound to be met.

        Of those as fast the likeliest. A look is enough: what is as good is looser than its error.
        """
        some = _sample(self.rows)
        # Once more, on the steps that lie between those of the first look.
        for _ in range(2):
            likely = self.quick.exactly(_columns(some))
            pace = np.array([_pace(s) * (s.line_pitch_mm or 1.0) for s in some])
            good = likely >= likely.max() - _AS_GOOD
            as_fast = good & (pace >= _AS_FAST * pace[good].max())
            best = some[int(np.argmax(np.where(as_fast, likely, 0.0)))]
            likeliest = some[int(np.argmax(likely))]
            some = [likeliest, best]
            for row in (row for row in self.rows if row.kind == self.row_of(best).kind):
                near = np.abs(np.log(row.speeds / best.speed_mm_s)) < _NEAR
                some += row.steps(row.speeds[near][:: max(near.sum() // _FEW, 1)])
        return best

    def best_chance(self) -> float:
        """The highest chance there is, exactly, where the look has it."""
        best = []
        for rows in self.by_pitch:
            some = _sample(rows)
            likeliest = some[int(np.argmax(self.quick.asked(_columns(some))))]
            best.append(float(self.exact.asked(_columns([likeliest]))[0]))
        return max(best)

    def _best(self) -> Step | None:
        """The best step that meets the wish."""
        found: list[Judged] = []
        for rows in self.by_pitch:
            near = _judged(self.quick, _sample(rows), slack=_LOOK_ERROR)
            # The first few of the best that differ in power or passes.
            starts: dict[tuple[float, int], Step] = {}
            for _, at in sorted(near, key=lambda judged: judged[0], reverse=True):
                starts.setdefault((at.power_pct, at.passes), at)
            here: list[Judged] = []
            tops = dict[Step, list[Judged]]()  # climbs that meet are looked at exactly once
            for number, start in enumerate(starts.values()):
                if here and number >= _STARTS:
                    break
                top = self._climbed(start)
                if top not in tops:
                    tops[top] = self._exactly(top)
                # Where the climb's power has nothing exactly, the start's own may.
                here += tops[top] or self._exactly(start)
            found += here
        return max(found, key=lambda judged: judged[0])[1] if found else None

    def _climbed(self, start: Step) -> Step:
        """Climb among the steps while the score rises and the reliability is met."""
        kind = self.row_of(start).kind
        rows = {row.power_pct: row for row in self.rows if row.kind == kind}
        powers = sorted(rows)
        here = _judged(self.quick, [start])
        stride = max(len(rows[start.power_pct].speeds) // _COARSE, 1)
        for _ in range(_MOST_CLIMBS):
            at = here[0][1] if here else start
            place = powers.index(at.power_pct)
            around: list[Step] = []
            for row in (rows[power] for power in powers[max(place - 1, 0) : place + 2]):
                around += _beside(row, row.at(at.speed_mm_s), 3, stride)
            best = max([*here, *_judged(self.quick, around)], default=None, key=lambda j: j[0])
            if best is not None and not (here and best[0] <= here[0][0]):
                here = [best]
            elif stride == 1:
                break
            else:
                stride = max(stride // 4, 1)
        return here[0][1] if here else start

    def _exactly(self, look: Step) -> list[Judged]:
        """The best speed near the look's, at its power, that meets the reliability exactly."""
        row = self.row_of(look)
        centre = row.at(look.speed_mm_s)
        for stride in _STRIDES:
            around = _beside(row, centre, _WINDOW, stride)
            best = max(_judged(self.exact, around), default=None, key=lambda j: j[0])
            if best is None:
                continue
            if stride == 1 and abs(row.at(best[1].speed_mm_s) - centre) < _WINDOW:
                return [best]
            return self._walked(row, best)
        # Between the strides there may be a few steps that meet it: the safest one is among them.
        some = np.unique(np.linspace(0, len(row.speeds) - 1, _ALONG).round().astype(int))
        spare = _spare(self.quick, _columns(row.steps(row.speeds[some])))
        peak = int(np.argmax(spare))
        if spare[peak] < -_LOOK_ERROR:
            return []
        low, high = some[max(peak - 1, 0)], some[min(peak + 1, len(some) - 1)]
        every = row.steps(row.speeds[low : high + 1])
        safest = every[int(np.argmax(_spare(self.quick, _columns(every))))]
        judged = _judged(self.exact, [safest])
        return self._walked(row, judged[0], _STRIDES[::-1]) if judged else []

    def _walked(self, row: Row, best: Judged, strides: Sequence[int] = (1,)) -> list[Judged]:
        """Walk on along the row, window by window, while it gets better."""
        for stride in strides:
            while True:
                around = _beside(row, row.at(best[1].speed_mm_s), _WINDOW, stride)
                further = max([best, *_judged(self.exact, around)], key=lambda j: j[0])
                if further[0] <= best[0]:
                    break
                best = further
        return [best]

    def _fastest_as_clean(self, cleanest: Step, fastest: Step) -> Step:
        """The fastest step that meets the reliability and isn't known to be dirtier."""
        looked = [s for s in _sample(self.rows) if _pace(s) > _pace(cleanest)]
        best = self._first_as_clean(cleanest, [fastest, *looked])
        if best is None or best == fastest:
            return best or cleanest
        row = self.row_of(best)
        further = row.steps(row.speeds[row.speeds > best.speed_mm_s][:_BEYOND])
        return self._first_as_clean(cleanest, further) or best

    def _first_as_clean(self, cleanest: Step, some: list[Step]) -> Step | None:
        region = self.exact.region
        if not some or region.char is None:
            return None
        draws, prior = region.char.here.thinned(LOOK_POINTS), region.char.prior
        some = sorted(some, key=lambda s: (-_pace(s), s.power_pct))
        good = np.flatnonzero(_spare(self.exact, _columns(some)) >= 0.0)
        for part in np.array_split(good, max(len(good) // _AT_ONCE, 1)):
            columns = _columns([cleanest, *(some[i] for i in part)])
            at = settings_of(region.machine, columns, prior, "char")
            grade = np.einsum("g,gjn->jn", np.array(GRADES, dtype=float), draws.grade_chances(at))
            more = grade[:, 1:] - grade[:, :1]
            mean = draws.weight @ more
            doubt = np.sqrt(draws.weight @ (more - mean) ** 2)
            tied = np.flatnonzero(mean <= np.clip(doubt, *_AS_CLEAN))
            if len(tied):
                return some[int(part[tied[0]])]
        return None


def _pace(at: Step) -> float:
    return at.speed_mm_s / at.passes


def _beside(row: Row, centre: int, most: int, stride: int) -> list[Step]:
    """Settings of a row up to so many strides slower or faster than a place in it."""
    places = centre + stride * np.arange(-most, most + 1)
    places = places[(places >= 0) & (places < len(row.speeds))]
    return row.steps(row.speeds[places])


def _spare(chances: Chances, at: Columns) -> Array:
    """How much chance there is above what is asked, (n,); below 0 where it isn't met."""
    wish = chances.wish
    spare = np.full(len(at[0]), np.inf)
    if wish.reliability is not None:
        spare = chances.asked(at) - wish.reliability
    if wish.least_exactly is not None:
        spare = np.minimum(spare, chances.exactly(at) - wish.least_exactly)
    return spare


def _scores(chances: Chances, at: Columns) -> Array:
    """What is maximised, (n,)."""
    wish, (power, speed, passes, pitch) = chances.wish, at
    if chances.region.operation != "cut":
        if wish.least_exactly is None:
            return chances.exactly(at)
        return np.asarray(speed / passes * np.nan_to_num(pitch, nan=1.0))
    if wish.priced is not None:
        return np.asarray(-wish.priced.of(chances.region, power, speed, passes).total)
    if wish.aim == "fastest":
        return np.asarray(speed / passes)
    return -np.asarray(chances.region.expected_char(power, speed, passes))


def _judged(chances: Chances, steps: list[Step], slack: float = 0.0) -> list[Judged]:
    """Those steps that meet the reliability, with what they are compared by."""
    if not steps:
        return []
    spare = _spare(chances, _columns(steps))
    good = [s for s, more in zip(steps, spare, strict=True) if more >= -slack]
    if not good:
        return []
    score = _scores(chances, _columns(good))
    return [((float(n), _pace(s), -s.power_pct), s) for n, s in zip(score, good, strict=True)]
