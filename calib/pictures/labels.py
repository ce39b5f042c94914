"""Labels on a picture where they cover no mark and no other label."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.transforms import Bbox

from calib.pictures.paper import DPI, HALO

Array = npt.NDArray[np.float64]
_PIXELS_PT = DPI / 72.0


class Labels:
    """What is drawn on some axes with their final limits, as boxes in pixels."""

    def __init__(self, axes: Axes) -> None:
        self._axes = axes
        self._taken: list[Bbox] = []

    def take(self, point: npt.ArrayLike, size_pt: tuple[float, float], *shift_pt: float) -> None:
        """Note that a box [pt] at a setting (power, speed), shifted by some points, is used."""
        centre = self._axes.transData.transform(np.asarray(point, dtype=float))
        shift = np.array(shift_pt or (0.0, 0.0))
        self._taken.append(_box(centre + _PIXELS_PT * shift, size_pt))

    def write(
        self,
        text: str,
        places: Array,
        wishes: Sequence[float],
        size_pt: tuple[float, float],
        *,
        most_covered: float = np.inf,
        **style: Any,
    ) -> None:
        """Write a text at the place (power, speed) that covers least, then of the least wish.

        Nothing is written where more than a share of its box is covered or outside.
        """
        boxes = [_box(centre, size_pt) for centre in self._axes.transData.transform(places)]
        covered = [self._covered(box) for box in boxes]
        best = min(range(len(boxes)), key=lambda n: (round(covered[n], 3), wishes[n], n))
        if covered[best] > most_covered:
            return
        self._taken.append(boxes[best])
        x, y = (float(value) for value in places[best])
        self._axes.text(
            x, y, text, ha="center", va="center", path_effects=HALO, clip_on=True, **style
        )

    def _covered(self, box: Bbox) -> float:
        """Share of a box that is used or outside; 0 is free."""
        area = box.width * box.height
        used = sum(_overlap(box, taken) for taken in self._taken)
        return (area - _overlap(box, self._axes.bbox) + used) / area


def _box(centre: Array, size_pt: tuple[float, float]) -> Bbox:
    half = 0.5 * _PIXELS_PT * np.array(size_pt)
    return Bbox([centre - half, centre + half])


def _overlap(one: Any, other: Any) -> float:
    width = min(one.x1, other.x1) - max(one.x0, other.x0)
    height = min(one.y1, other.y1) - max(one.y0, other.y0)
    return float(max(0.0, width) * max(0.0, height))
