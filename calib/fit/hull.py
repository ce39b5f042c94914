"""What was burnt, as a convex hull in ln power × ln speed; nothing is recommended outside it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# Settings this close to the hull's edge count as on it [ln]: far below any machine's step.
_ON_EDGE = 1e-9


def burnt_hull(settings: Iterable[tuple[float, float]]) -> Array:
    """Convex hull of burnt settings.

    Pairs of power [%] and speed [mm/s] give its corners, counter-clockwise, (n, 2) [ln %, ln mm/s];
    one or two rows when the settings are one point or lie on a line [1]_.

    References
    ----------
    .. [1] Andrew A.M. (1979) Another efficient algorithm for convex hulls in two dimensions,
       Information Processing Letters 9(5):216-219 (from memory).

    Examples
    --------
    >>> burnt_hull([(50, 10), (50, 20), (80, 10), (80, 20), (60, 14)]).shape
    (4, 2)
    """
    points = sorted({(float(np.log(p)), float(np.log(v))) for p, v in settings})
    if len(points) < 3:
        return np.array(points, dtype=float).reshape(-1, 2)
    return np.array(_half(points)[:-1] + _half(points[::-1])[:-1], dtype=float)


def slice_at(settings: Iterable[tuple[float, float, float]], pitch_mm: float) -> Array:
    """Powers and speeds, (n, 2), whose hull is that of power, speed and pitch at a line pitch.

    Settings at the pitch, and of each two on either side of it where the line between them, in
    logarithms, has it.
    """
    points = np.log(np.array(sorted(set(settings)), dtype=float).reshape(-1, 3))
    above = points[:, 2] - np.log(pitch_mm)
    here = np.abs(above) <= _ON_EDGE
    low, high = points[~here & (above < 0.0)], points[~here & (above > 0.0)]
    share = (np.log(pitch_mm) - low[:, None, 2]) / (high[None, :, 2] - low[:, None, 2])
    between = low[:, None, :2] + share[..., None] * (high[None, :, :2] - low[:, None, :2])
    return np.asarray(np.exp(np.concatenate([points[here, :2], between.reshape(-1, 2)])))


def _half(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    chain: list[tuple[float, float]] = []
    for point in points:
        while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 1e-12:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def speed_range(hull: Array, power_pct: float) -> tuple[float, float] | None:
    """Slowest and fastest speed [mm/s] inside a hull at a power [%]; None outside."""
    if len(hull) == 0:
        return None
    x = float(np.log(power_pct))
    found: list[float] = []
    for a, b in zip(hull, np.roll(hull, -1, axis=0), strict=True):
        low, high = min(a[0], b[0]), max(a[0], b[0])
        if not low - _ON_EDGE <= x <= high + _ON_EDGE:
            continue
        if high - low <= _ON_EDGE:
            found += [float(a[1]), float(b[1])]
        else:
            share = float(np.clip((x - a[0]) / (b[0] - a[0]), 0.0, 1.0))
            found.append(float(a[1] + share * (b[1] - a[1])))
    return (float(np.exp(min(found))), float(np.exp(max(found)))) if found else None


def inside(hull: Array, power_pct: float, speed_mm_s: float) -> bool:
    """True when a power [%] and speed [mm/s] lie in the hull, its edges included."""
    span = speed_range(hull, power_pct)
    slack = 1.0 + _ON_EDGE
    return span is not None and span[0] / slack <= speed_mm_s <= span[1] * slack
