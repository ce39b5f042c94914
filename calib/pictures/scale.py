"""What file and page draw alike of a region: round ticks, outlines of chances, the hull's sides.

No matplotlib here: the page draws without it.
"""

from __future__ import annotations

import math
from typing import Any

import contourpy
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Loop = tuple[tuple[float, float], ...]


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
