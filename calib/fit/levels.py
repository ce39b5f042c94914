"""What burns share in levels, a session within a lot within a sheet, along one grid of locations.

Whatever a level shares moves the location of all its burns alike. So the likelihood of a level, as
a function of the location of the level above, is a blur of its own: a sum along an even grid in
place of an integral for each point. Levels may stand within one another to any depth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft

Array = npt.NDArray[np.float64]

# Distance of two nodes in scatters: likelihoods are smooth on the scale of one, and are read off
# between the nodes by cubics, right to about 0.002 in the logarithm.
_STEP = 0.45
# Most nodes of a grid: beyond it the step grows.
_MOST = 400
# Shapes that are worked at once: their grids then stay where the processor is quick.
_AT_ONCE = 128
# A normal is followed so many standard deviations out, a Student t so many scales.
_NORMAL_ENDS, _STUDENT_ENDS = 4.0, 10.0
# Below this ratio of a normal's variance to a squared step three nodes hold it, by its variance.
_NARROW = 0.3
_STUDENT_DF = 4.0
# What is less likely by this factor counts as this unlikely: below it the transforms round.
_LEAST = 1e-14


@dataclass(frozen=True, slots=True)
class Grid:
    """Even locations for each shape: first node and step, (M,) each, and how many."""

    first: Array
    step: Array
    count: int

    @property
    def nodes(self) -> Array:
        """Locations, (M, K)."""
        return np.asarray(self.first[:, None] + self.step[:, None] * np.arange(self.count))

    def read_off(self, values: Array, location: Array) -> Array:
        """Values at locations (M, A) of a function known at the nodes, (M, K); flat beyond."""
        place = (location - self.first[:, None]) / self.step[:, None]
        place = np.clip(place, 0.0, self.count - 1.0)
        left = np.minimum(place.astype(np.int64), self.count - 2)
        t = place - left
        around = [
            np.take_along_axis(values, np.clip(left + k, 0, self.count - 1), axis=1)
            for k in (-1, 0, 1, 2)
        ]
        before, here, there, after = around
        # Catmull and Rom's cubic.
        bend = before * 2.0 - here * 5.0 + there * 4.0 - after
        twist = (here - there) * 3.0 + after - before
        return np.asarray(here + 0.5 * t * (there - before + t * (bend + t * twist)))

    def normal(self, sd: Array) -> Array:
        """Blur by a normal of each shape's standard deviation (M,), (M, 2 H + 1)."""
        ratio = sd / self.step
        far = np.arange(-_half(_NORMAL_ENDS * ratio, self.count), 1.0)
        wide = np.maximum(ratio, np.sqrt(_NARROW))[:, None]
        kernel = np.exp(-0.5 * (far / wide) ** 2)
        kernel = np.concatenate([kernel, kernel[:, -2::-1]], axis=1)
        kernel /= kernel.sum(axis=1, keepdims=True)
        narrow = ratio**2 < _NARROW
        middle = kernel.shape[1] // 2
        kernel[narrow] = 0.0
        kernel[narrow, middle] = 1.0 - ratio[narrow] ** 2
        kernel[narrow, middle - 1] = kernel[narrow, middle + 1] = 0.5 * ratio[narrow] ** 2
        return kernel

    def student(self, scale: float) -> Array:
        """Blur by a Student t with 4 degrees, (M, 2 H + 1)."""
        ratio = scale / self.step
        half = _half(_STUDENT_ENDS * ratio, self.count)
        far = np.arange(-half, half + 1.0) / ratio[:, None]
        kernel = student_weights(far)
        return np.asarray(kernel / kernel.sum(axis=1, keepdims=True))


def student_weights(z: Array) -> Array:
    """Density of a standard Student t with 4 degrees, up to a factor; same shape."""
    return np.asarray((1.0 + z**2 / _STUDENT_DF) ** (-0.5 * (_STUDENT_DF + 1.0)))


def _half(reach: Array, count: int) -> int:
    return int(np.clip(np.ceil(reach.max()), 1, count - 1))


def grid_around(location: Array, scatter: Array, more: Array) -> Grid:
    """A grid that holds locations (M, A) and so much more on either side, (M,) [ln W]."""
    first = location.min(axis=1) - more
    span = location.max(axis=1) + more - first
    count = int(np.clip(np.ceil((span / (_STEP * scatter)).max()) + 1, 8, _MOST))
    return Grid(first=np.asarray(first), step=np.asarray(span / (count - 1)), count=count)


def alike(location: Array, scatter: Array, more: Array) -> list[npt.NDArray[np.int64]]:
    """Shapes by how many nodes their grids need, a few at a time; as for ``grid_around``."""
    need = (np.ptp(location, axis=1) + 2.0 * more) / scatter
    return np.array_split(np.argsort(need, kind="stable"), -(-len(need) // _AT_ONCE))


def ends(sd: Array, lot_scale: float) -> Array:
    """How far out sessions (and lots, unless their scale is 0) may lie, (M,) [ln W]."""
    return np.asarray(_NORMAL_ENDS * sd + _STUDENT_ENDS * lot_scale)


def blurred(log_values: Array, kernel: Array) -> Array:
    """Log of likelihoods (…, M, K) averaged over what their level shares; flat beyond the ends."""
    top = log_values.max(axis=-1, keepdims=True)
    half, count = kernel.shape[-1] // 2, log_values.shape[-1]
    sides = [(0, 0)] * (log_values.ndim - 1)
    values = np.pad(np.exp(log_values - top), [*sides, (half, half)], mode="edge")
    size = next_fast_len(values.shape[-1], real=True)
    # The ends that wrap around are those of the padding, which is cut off.
    total = irfft(rfft(values, size) * rfft(kernel, size), size)[..., 2 * half : 2 * half + count]
    return np.asarray(np.log(np.maximum(total, _LEAST)) + top)
