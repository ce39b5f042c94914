"""Ovals, rectangles and lines as points, all at once: drawings can hold a hundred thousand.

Made into path data and read back they would take most of the time that a large drawing needs.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from calib.advise.outlines import (
    FLATNESS_MM,
    MANY_POINTS,
    MAX_POINTS,
    Floats,
    Ints,
    Strokes,
    check_reach,
    joined_strokes,
    too_many_points,
)

# How much coarser an oval is followed when there are many points, and the least steps of one:
# at 30 degrees a step the head still takes it for a curve, not for corners.
_COARSER = ((1.0, 24), (4.0, 16), (10.0, 12))
_MOST_STEPS = 4000
# Numbers of steps go up by a ninth at least, so that few circles have each a number of their own.
_STEPS = np.unique(np.rint(np.geomspace(8.0, _MOST_STEPS, 57) / 4.0).astype(np.int64) * 4)
_GAUSS = (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0))


class Oval(NamedTuple):
    """A circle or ellipse: centre and radii, in the drawing's units."""

    cx: float
    cy: float
    rx: float
    ry: float

    @property
    def size(self) -> float:
        """Its smaller radius."""
        return min(self.rx, self.ry)


class Corners(NamedTuple):
    """A rectangle or a single line: its corners x, y, x, y, … in the drawing's units."""

    numbers: tuple[float, ...]
    closed: bool

    @property
    def size(self) -> float:
        """The smaller of its sides, or its length."""
        x, y = self.numbers[0::2], self.numbers[1::2]
        wide, high = max(x) - min(x), max(y) - min(y)
        return min(wide, high) if self.closed else max(wide, high)


def strokes_of_shapes(
    shapes: Sequence[Oval | Corners], matrices: Floats, flatness_mm: float = FLATNESS_MM
) -> Strokes:
    """Turn plain shapes into points.

    Raises BadFile when one reaches too far, or they ask for too many points.

    Examples
    --------
    >>> unit = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    >>> round(strokes_of_shapes([Oval(0.0, 0.0, 5.0, 5.0)], unit).length_mm, 9)
    31.415926536
    """
    ovals = np.array([isinstance(shape, Oval) for shape in shapes])
    parts: list[Strokes] = []
    order: list[Ints] = []
    which = np.flatnonzero(ovals)
    if len(which):
        numbers = np.array([(s.cx, s.cy, s.rx, s.ry) for s in shapes if isinstance(s, Oval)])
        parts_of, order_of = _ovals(numbers, matrices[which], flatness_mm)
        parts += parts_of
        order += [which[o] for o in order_of]
    by_count: dict[tuple[int, bool], list[int]] = {}
    for index, shape in enumerate(shapes):
        if isinstance(shape, Corners):
            by_count.setdefault((len(shape.numbers), shape.closed), []).append(index)
    for (_, closed), members in by_count.items():
        rows = np.array(members)
        corners = np.array([shapes[i].numbers for i in members])  # type: ignore[union-attr]
        parts.append(_polygons(corners.reshape(len(rows), -1, 2), matrices[rows], closed))
        order.append(rows)
    return _in_order(parts, order)


def _in_order(parts: list[Strokes], order: list[Ints]) -> Strokes:
    places = np.concatenate(order)
    joined = joined_strokes(parts)
    if (np.diff(places) > 0).all():
        return joined
    return joined.take(np.argsort(places, kind="stable"))


def _moved(points: Floats, matrices: Floats, *, shift: bool = True) -> Floats:
    """Points (shapes, k, 2) by their shape's matrix; without ``shift`` as directions."""
    a, b, c, d, e, f = (column[:, None] for column in matrices.T)
    x, y = points[:, :, 0], points[:, :, 1]
    moved = np.stack([a * x + c * y, b * x + d * y], axis=2)
    return moved + np.stack([e, f], axis=2) if shift else moved


def _polygons(corners: Floats, matrices: Floats, closed: bool) -> Strokes:
    """Strokes of equally many corners each."""
    points = _moved(corners, matrices)
    check_reach(points)
    if closed:
        points = np.concatenate([points, points[:, :1]], axis=1)
    count, size = points.shape[:2]
    step = np.zeros((count, size))
    step[:, :-1] = np.hypot(*np.moveaxis(np.diff(points, axis=1), 2, 0))
    return _equal(points, step, closed)


def _equal(points: Floats, step: Floats, closed: bool) -> Strokes:
    count, size = step.shape
    return Strokes(
        points_mm=points.reshape(-1, 2),
        step_mm=step.reshape(-1),
        first=np.arange(count + 1, dtype=np.int64) * size,
        closed=np.full(count, closed),
    )


def _ovals(
    numbers: Floats, matrices: Floats, flatness_mm: float
) -> tuple[list[Strokes], list[Ints]]:
    """Strokes of ovals, those of equally many steps together, and which ovals they are."""
    half = np.zeros((len(numbers), 2, 2))
    half[:, 0, 0], half[:, 1, 1] = numbers[:, 2], numbers[:, 3]
    centre = _moved(numbers[:, None, :2], matrices)
    axes = _moved(half, matrices, shift=False)
    check_reach(np.abs(centre) + np.abs(axes).sum(axis=1, keepdims=True))
    counts = _oval_steps(axes, flatness_mm)
    strokes, members = [], []
    for steps in np.unique(counts):
        which = np.flatnonzero(counts == steps)
        strokes.append(_ring(centre[which], axes[which], int(steps)))
        members.append(which)
    return strokes, members


def _oval_steps(axes: Floats, flatness_mm: float) -> Ints:
    """Steps of each oval, by the chord error of a circle of its largest radius or more."""
    radius = np.sqrt((axes**2).sum(axis=(1, 2)))
    for coarser, least in _COARSER:
        wanted = np.pi * np.sqrt(radius / (2.0 * flatness_mm * coarser))
        counts = _STEPS[np.searchsorted(_STEPS, np.clip(wanted, least, _MOST_STEPS))]
        if counts.sum() <= (MAX_POINTS if least == _COARSER[-1][1] else MANY_POINTS):
            return np.asarray(counts)
    raise too_many_points(int(counts.sum()))


def _ring(centre: Floats, axes: Floats, steps: int) -> Strokes:
    """Ovals from their first axis round by the second; lengths by two Gauss points a step."""
    turn = np.arange(steps + 1) * (2.0 * np.pi / steps)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    circle[:, -1] = circle[:, 0]
    points = np.empty((len(centre), steps + 1, 2))
    for axis in (0, 1):
        points[:, :, axis] = centre[:, :, axis] + axes[:, :, axis] @ circle
    return _equal(points, _ring_steps(axes, steps), closed=True)


def _ring_steps(axes: Floats, steps: int) -> Floats:
    step = np.zeros((len(axes), steps + 1))
    for node in _GAUSS:
        at = (np.arange(steps) + node) * (2.0 * np.pi / steps)
        pace = [axes[:, :, axis] @ np.stack([-np.sin(at), np.cos(at)]) for axis in (0, 1)]
        step[:, :-1] += (np.pi / steps) * np.hypot(*pace)
    return step


@functools.lru_cache(maxsize=256)
def least_stretch(matrix: tuple[float, float, float, float, float, float]) -> float:
    """What a matrix makes of a length, at the least.

    Examples
    --------
    >>> least_stretch((2.0, 0.0, 0.0, 0.0, 5.0, 5.0))
    0.0
    """
    a, b, c, d = matrix[:4]
    # Its two singular values have the determinant as product, and this is the most of the larger.
    most = math.sqrt(a * a + b * b + c * c + d * d)
    return 0.0 if most == 0.0 else abs(a * d - b * c) / most
