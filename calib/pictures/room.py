"""Room on a picture: where a label covers no mark and no other label."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

Array = npt.NDArray[np.float64]


class Room:
    """Keeps account of what is drawn on some axes, in pixels.

    Parameters
    ----------
    axes
        With their final limits.
    """

    def __init__(self, axes: Axes) -> None:
        self._axes = axes
        self._taken: list[tuple[float, float, float, float]] = []
        figure = axes.get_figure(root=True)
        self.pixels_pt = 1.0 if figure is None else float(figure.dpi) / 72.0

    def pixels(self, points: npt.ArrayLike) -> Array:
        """Turn (power, speed) pairs, shape (n, 2), into pixels."""
        values = np.asarray(points, dtype=float).reshape(-1, 2)
        return np.asarray(self._axes.transData.transform(values), dtype=float)

    def take(self, centre: npt.ArrayLike, size_pt: tuple[float, float]) -> None:
        """Note that a box [pt] around a place [pixels] is used."""
        x, y = np.asarray(centre, dtype=float).reshape(2)
        self._taken.append(self._box((float(x), float(y)), size_pt))

    def cost(self, centre: tuple[float, float], size_pt: tuple[float, float]) -> float:
        """Say how much of a box [pt] at a place [pixels] is used or outside; 0 is free."""
        x0, y0, x1, y1 = self._box(centre, size_pt)
        area = (x1 - x0) * (y1 - y0)
        frame = self._axes.bbox
        inside = _overlap((x0, y0, x1, y1), (frame.x0, frame.y0, frame.x1, frame.y1))
        covered = sum(_overlap((x0, y0, x1, y1), taken) for taken in self._taken)
        return (area - inside) / area + covered / area

    def best(
        self, centres: Array, size_pt: tuple[float, float], wishes: Sequence[float]
    ) -> tuple[int, float]:
        """Choose the place [pixels] of least cost, then of least wish; return it and its cost."""
        costs = [self.cost((float(x), float(y)), size_pt) for x, y in centres]
        ranked = min(range(len(costs)), key=lambda n: (round(costs[n], 3), wishes[n], n))
        return ranked, costs[ranked]

    def _box(
        self, centre: tuple[float, float], size_pt: tuple[float, float]
    ) -> tuple[float, float, float, float]:
        half_x, half_y = (0.5 * length * self.pixels_pt for length in size_pt)
        return centre[0] - half_x, centre[1] - half_y, centre[0] + half_x, centre[1] + half_y


def _overlap(
    one: tuple[float, float, float, float], other: tuple[float, float, float, float]
) -> float:
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    return max(0.0, width) * max(0.0, height)
