"""Settings that may be recommended: on the machine's steps, inside what was burnt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.fit.hull import speed_range
from calib.fit.region import Region
from calib.limits import SLOWEST_MM_S

Array = npt.NDArray[np.float64]

# Most powers and speeds that a first search looks at; what it finds is then refined step by step.
_MOST_POWERS = 24
_MOST_SPEEDS = 40
# A step counts as inside when it lies within so much of it, against rounding in the logarithms.
_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One power with the speeds, on steps, that lie in the hull there; rising, [%], [mm/s]."""

    power_pct: float
    passes: int
    speeds: Array

    def at(self, speed_mm_s: float) -> int:
        """Place of the fastest of the row's speeds that isn't above a speed."""
        return max(int(np.searchsorted(self.speeds, speed_mm_s * (1 + 1e-12), side="right")) - 1, 0)


def rows(region: Region, slowest_mm_s: float | None = None) -> list[Row]:
    """All powers on the machine's steps with their speeds inside the hull."""
    usual = SLOWEST_MM_S[region.machine.source]
    least = usual if slowest_mm_s is None else min(slowest_mm_s, usual)
    found = []
    for passes, hull in sorted(region.hulls.items()):
        for power in _steps(
            float(np.exp(hull[:, 0].min())),
            min(float(np.exp(hull[:, 0].max())), region.machine.ceiling_pct),
            region.machine.power_step_pct,
        ):
            span = speed_range(hull, float(power))
            if span is None:
                continue
            fastest = min(span[1], region.machine.max_speed_mm_s)
            speeds = _steps(max(span[0], least), fastest, region.machine.speed_step_mm_s)
            if len(speeds):
                found.append(Row(power_pct=float(power), passes=passes, speeds=speeds))
    return found


def _steps(low: float, high: float, step: float) -> Array:
    """Multiples of a step from low to high, both included."""
    first = int(np.ceil(low / step - _ROUNDING))
    last = int(np.floor(high / step + _ROUNDING))
    return np.round(np.arange(max(first, 1), last + 1) * step, 6)


def sample(every: list[Row]) -> list[Row]:
    """A first look: at most so many powers per number of passes and speeds per power."""
    picked: list[Row] = []
    for passes in sorted({row.passes for row in every}):
        group = [row for row in every if row.passes == passes]
        for i in _spread(len(group), _MOST_POWERS):
            row = group[i]
            # Even in the logarithm, and always with both ends.
            wanted = np.geomspace(row.speeds[0], row.speeds[-1], _MOST_SPEEDS)
            places = np.unique([row.at(v) for v in wanted])
            picked.append(
                Row(power_pct=row.power_pct, passes=row.passes, speeds=row.speeds[places])
            )
    return picked


def _spread(n: int, most: int) -> npt.NDArray[np.int64]:
    return np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(np.int64))


def table(picked: list[Row]) -> tuple[Array, Array, Array]:
    """Rows as flat power, speed and passes, (n,) each."""
    power = np.concatenate([np.full(len(row.speeds), row.power_pct) for row in picked])
    speed = np.concatenate([row.speeds for row in picked])
    passes = np.concatenate([np.full(len(row.speeds), float(row.passes)) for row in picked])
    return power, speed, passes
