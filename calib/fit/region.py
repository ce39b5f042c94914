"""The region: where, in power × speed, an operation works on one sheet and machine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, overload

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord, unfit
from calib.fit.fits import CutFit, Fit, GradedFit
from calib.fit.hull import burnt_hull, inside, slice_at
from calib.fit.model import (
    Response,
    Settings,
    chance_between,
    coupon_chance,
    grade_chances,
    job_chance,
    settings_of,
    through_by_point,
)
from calib.records import (
    COUPON_CUT_MM,
    GRADES,
    GRADES_SAID,
    KINDS,
    Burn,
    Grades,
    Machine,
    Operation,
    Sheet,
    grade_ends,
)
from calib.texts.say import say

Array = npt.NDArray[np.float64]
Edge = Literal["unburnt", "all_through", "none_through", "bracketed"]

# Points that a median is taken over: it is then right to a few thousandths of the spread.
_MEDIAN_POINTS = 4000
# Posterior points × settings worked at once, to bound the memory (32 MB per array).
_BLOCK = 4_000_000
# Points that a look needs: chances are then right to about 0.005 (see tests/test_region.py).
LOOK_POINTS = 1500
_SETTING_FIELDS = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """What the burns of one sheet, machine and operation say.

    Parameters
    ----------
    machine, sheet, operation
        For whom it holds.
    burns
        The burns it rests on.
    edge
        ``unburnt``, ``all_through``, ``none_through`` or ``bracketed``.
    defects_per_m
        Places where no power helps; stands in no chance, only in expected pushes [1/m].
    cut, char, mark
        The fitted models; None where the operation has none.
    notes
        What the user must know, in sentences.
    """

    machine: Machine
    sheet: Sheet
    operation: Operation
    burns: tuple[Burn, ...]
    edge: Edge
    defects_per_m: float
    cut: CutFit | None
    char: GradedFit | None
    mark: GradedFit | None
    notes: tuple[str, ...] = ()
    hulls: dict[int, Array] = field(default_factory=dict)
    # Burns with another air than this region is of, which count through what the air adds
    other_air: tuple[Burn, ...] = ()

    @overload
    def chance_through(
        self,
        power_pct: float,
        speed_mm_s: float,
        passes: int = 1,
        cut_length_mm: float | None = None,
        next_sheet: bool = False,
    ) -> float: ...
    @overload
    def chance_through(
        self,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
        cut_length_mm: float | None = None,
        next_sheet: bool = False,
    ) -> float | Array: ...
    def chance_through(
        self,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
        cut_length_mm: float | None = None,
        next_sheet: bool = False,
    ) -> float | Array:
        """Chance that the next coupon, or a whole job, drops.

        Parameters
        ----------
        power_pct, speed_mm_s, passes
            Settings that broadcast [% of full], [mm/s], [-].
        cut_length_mm
            Length of a whole job [mm]; None for the next coupon.
        next_sheet
            True for the next sheet of the lot, False for this sheet.

        Returns
        -------
        float or numpy.ndarray
            Chance, without reading errors and without defects; a float for scalars.

        Raises
        ------
        InvalidRecord
            When the region isn't one of cuts, or a setting isn't above 0.

        Notes
        -----
        A whole job of length L is E[p^(L/ℓ)] over what isn't known, ℓ the coupon's outline: the
        power is averaged, the average isn't raised to a power.
        """
        fit = self.cut
        if fit is None:
            raise InvalidRecord(say("fit.region_operation", operation=self.operation))
        points = fit.elsewhere if next_sheet else fit.here
        ratio = None if cut_length_mm is None else _positive("cut_length_mm", cut_length_mm)

        def chance(at: Settings) -> Array:
            if ratio is None:
                return coupon_chance(points, at)
            return job_chance(points, at, ratio / COUPON_CUT_MM)

        return self._map(fit, chance, len(points.weight), power_pct, speed_mm_s, passes)

    def failing_draws(
        self, power_pct: float, speed_mm_s: float, passes: int = 1, next_sheet: bool = False
    ) -> tuple[Array, Array]:
        """Chance that the next coupon hangs at each draw of what isn't known, and their weights."""
        fit = self.cut
        assert fit is not None
        draws = fit.elsewhere if next_sheet else fit.here
        columns = [np.full(1, float(value)) for value in (power_pct, speed_mm_s, passes)]
        at = settings_of(self.machine, columns, fit.prior, "cut")
        return 1.0 - through_by_point(draws, at)[:, 0], draws.weight

    def median_reach(
        self, power_pct: npt.ArrayLike, speed_mm_s: npt.ArrayLike, passes: npt.ArrayLike = 1
    ) -> float | Array:
        """Posterior median of the reach: ln(delivered power) less ln(power needed) [ln W].

        0 on the edge; settings broadcast, a float for scalars.
        """
        fit = self.cut
        assert fit is not None
        points = fit.here.thinned(_MEDIAN_POINTS)

        def median(at: Settings) -> Array:
            return _weighted_median(points.reach(at), points.weight)

        return self._map(fit, median, len(points.weight), power_pct, speed_mm_s, passes)

    def chance_char_at_most(
        self,
        grade: int,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
    ) -> float | Array:
        """Chance that a coupon that was cut is charred no worse than a grade.

        Parameters
        ----------
        grade
            Worst char grade that is fine, 0…4.
        power_pct, speed_mm_s, passes
            Settings that broadcast [% of full], [mm/s], [-].

        Returns
        -------
        float or numpy.ndarray
            Chance; a float for scalars.

        Raises
        ------
        InvalidRecord
            When the region isn't one of cuts, or the grade isn't one.
        """
        return self._between(self._chars(), (0, grade), power_pct, speed_mm_s, passes)

    def expected_char(
        self, power_pct: npt.ArrayLike, speed_mm_s: npt.ArrayLike, passes: npt.ArrayLike = 1
    ) -> float | Array:
        """Expected char grade of a coupon that was cut; settings broadcast, 0…4."""
        return self.mean_over_char(GRADES, power_pct, speed_mm_s, passes)

    def mean_over_char(
        self,
        of_grade: Sequence[float],
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
    ) -> float | Array:
        """Mean of what each char grade, 0…4, of a coupon that was cut stands for, such as seconds.

        Settings broadcast; a float for scalars.
        """
        fit, worth = self._chars(), np.asarray(of_grade, dtype=float)

        def mean(at: Settings) -> Array:
            return np.asarray(worth @ grade_chances(fit.here, at))

        size = len(GRADES) * len(fit.here.weight)
        return self._map(fit, mean, size, power_pct, speed_mm_s, passes)

    def _chars(self) -> GradedFit:
        if self.char is None:
            raise InvalidRecord(say("fit.region_operation_is", operation=self.operation))
        return self.char

    def chance_mark(
        self,
        grade: Grades,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
        line_pitch_mm: npt.ArrayLike | None = None,
    ) -> float | Array:
        """Chance that a mark comes out at exactly a grade, or at any from one to another.

        Parameters
        ----------
        grade
            Mark grade, 0…4, or the first and the last of some.
        power_pct, speed_mm_s, passes, line_pitch_mm
            Settings that broadcast [% of full], [mm/s], [-], [mm]; a pitch for area marks.

        Returns
        -------
        float or numpy.ndarray
            Chance; a float for scalars.

        Raises
        ------
        InvalidRecord
            When the region is one of cuts, the grade isn't one, or an area mark has no pitch.
        """
        fit = self._marks(line_pitch_mm)
        return self._between(fit, grade_ends(grade), power_pct, speed_mm_s, passes, line_pitch_mm)

    def chance_mark_at_most(
        self,
        grade: Grades,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
        line_pitch_mm: npt.ArrayLike | None = None,
    ) -> float | Array:
        """Chance that a mark goes no deeper than a grade; as ``chance_mark``."""
        fit = self._marks(line_pitch_mm)
        return self._between(
            fit, (0, grade_ends(grade)[1]), power_pct, speed_mm_s, passes, line_pitch_mm
        )

    @property
    def learned(self) -> dict[str, dict[str, float]]:
        """Posterior sd / prior sd of each parameter of each model; near 1: the burns taught little.

        Keys are ``cut``, ``char`` and ``mark``, then ``edge`` and the model's shape parameters.
        """
        models = {"cut": self.cut, "char": self.char, "mark": self.mark}
        return {name: fit.learned for name, fit in models.items() if fit is not None}

    def hull(self, passes: int = 1, line_pitch_mm: float | None = None) -> Array | None:
        """Convex hull of what was burnt with as many passes, of areas at a line pitch, (n, 2)
        [ln %, ln mm/s]; None where nothing was."""
        if line_pitch_mm is None or KINDS[self.operation].shape != "area":
            return self.hulls.get(passes)
        settings = [
            (burn.power_pct, burn.speed_mm_s, burn.line_pitch_mm)
            for burn in self.burns
            if burn.passes == passes and burn.line_pitch_mm is not None
        ]
        corners = slice_at(settings, line_pitch_mm)
        return burnt_hull((float(p), float(v)) for p, v in corners) if len(corners) else None

    def tested(
        self,
        power_pct: float,
        speed_mm_s: float,
        passes: int = 1,
        line_pitch_mm: float | None = None,
    ) -> bool:
        """True when the setting lies in the convex hull of what was burnt with as many passes."""
        hull = self.hull(passes, line_pitch_mm)
        return hull is not None and inside(hull, power_pct, speed_mm_s)

    def _marks(self, line_pitch_mm: npt.ArrayLike | None) -> GradedFit:
        if self.mark is None:
            raise InvalidRecord(say("fit.region_operation_is_2", operation=self.operation))
        if KINDS[self.operation].shape == "area" and line_pitch_mm is None:
            raise unfit("line_pitch_mm", None, say("fit.area_mark_needs_its_line_pitch"))
        return self.mark

    def _between(
        self,
        fit: GradedFit,
        grades: tuple[int, int],
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike,
        line_pitch_mm: npt.ArrayLike | None = None,
    ) -> float | Array:
        """Chance of a grade from the first to the last of two."""
        low, high = (_grade(end) for end in grades)
        pitch = np.nan if line_pitch_mm is None else line_pitch_mm

        def chance(at: Settings) -> Array:
            return chance_between(fit.here, at, low, high)

        return self._map(fit, chance, len(fit.here.weight), power_pct, speed_mm_s, passes, pitch)

    def _map(
        self,
        fit: Fit[Any, Any],
        value: Callable[[Settings], Array],
        size: int,
        *columns: npt.ArrayLike,
    ) -> float | Array:
        """A value at settings that broadcast, worked in parts; a float for scalars."""
        known: dict[int, Response] = {id(self.cut): "cut", id(self.char): "char"}
        response = known.get(id(fit), "mark")
        flat, shape = _settings(*columns)
        step = max(_BLOCK // max(size, 1), 1)
        pieces = [
            value(settings_of(self.machine, [c[i : i + step] for c in flat], fit.prior, response))
            for i in range(0, flat[0].size, step)
        ]
        if not pieces:
            return np.zeros(shape)
        whole = np.concatenate(pieces)
        return float(whole[0]) if shape == () else np.asarray(whole.reshape(shape))


def thinned_region(region: Region, points: int = LOOK_POINTS) -> Region:
    """The same region on few points of each posterior: faster to ask, and a little less exact."""
    fits = {name: getattr(region, name) for name in ("cut", "char", "mark")}
    return replace(region, **{name: fit and fit.thinned(points) for name, fit in fits.items()})


def burnt_hulls(burns: Sequence[Burn]) -> dict[int, Array]:
    """Convex hull of the burnt settings for each number of passes."""
    passes = sorted({b.passes for b in burns})
    return {
        n: burnt_hull(
            (b.power_pct, speed) for b in burns if b.passes == n for speed in b.burnt_speeds_mm_s
        )
        for n in passes
    }


def _settings(*columns: npt.ArrayLike) -> tuple[list[Array], tuple[int, ...]]:
    """Settings broadcast and flattened, with their common shape."""
    arrays = np.broadcast_arrays(*(np.asarray(c, dtype=float) for c in columns))
    for name, column in zip(_SETTING_FIELDS, arrays, strict=False):
        bad = column[~((column > 0) | ((name == "line_pitch_mm") & np.isnan(column)))]
        if bad.size:
            raise InvalidRecord(say("fit.is_give_number_above", name=name, flat=float(bad.flat[0])))
    return [a.ravel() for a in arrays], arrays[0].shape


def _positive(name: str, value: float) -> float:
    if not (np.isfinite(value) and value > 0):
        raise InvalidRecord(say("fit.is_give_number_above_2", name=name, value=value))
    return float(value)


def _grade(value: int) -> int:
    if isinstance(value, bool) or value not in GRADES:
        raise InvalidRecord(
            say("fit.grade_is_give_whole_number", value=value, grades_said=GRADES_SAID)
        )
    return int(value)


def _weighted_median(values: Array, weight: Array) -> Array:
    """Weighted median of each column, (n,)."""
    order = np.argsort(values, axis=0)
    mass = np.cumsum(weight[order], axis=0)
    row = (mass >= 0.5 * mass[-1]).argmax(axis=0)
    return np.asarray(np.take_along_axis(values, order, axis=0)[row, np.arange(values.shape[1])])
