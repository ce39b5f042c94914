"""What a sheet needs at another speed than it was burnt at: its own curve, read off there.

A family's table lets the power needed grow in proportion to the speed. If a share f of it is lost
to conduction, whatever the speed, r times the speed needs f + (1 − f) r times the power; if the
loss grows with the speed as the slope at the reference says, r^(1 − f) times. Down in speed, where
a weaker beam has to go, the two part, and so do a small share and a large one: the shift is a mean
over both, and how far they part is its doubt. Sheets are compared in the power needed at a speed,
and never in the speed that a power allows: below what conduction takes there is no such speed.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import betainc, betaincinv, ndtr, ndtri

# Weight of the straight line, which is the cut model's own, against the power law.
STRAIGHT = 0.9
# No more than this share of a power is ever taken for lost, and no less.
_MOST_FLOOR, _LEAST_FLOOR = 0.95, 0.01
# Gauss-Hermite nodes and weights for the doubt of the share.
_NODES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0


def excess_at(ratio: float, floor: float, floor_sd: float = 0.0) -> tuple[float, float]:
    """What is added to the excess at another speed, and its standard deviation [ln W].

    ``ratio`` is the speed there over the speed here, ``floor`` the share of the power needed here
    that conduction takes.

    Examples
    --------
    >>> excess_at(1.0, 0.2, 0.1)
    (0.0, 0.0)
    >>> excess_at(0.5, 0.2)[0] > 0.0 > excess_at(2.0, 0.2)[0]
    True
    """
    share = np.clip(floor + floor_sd * _NODES, _LEAST_FLOOR, _MOST_FLOOR)
    straight = np.log(share + (1.0 - share) * ratio)
    power_law = (1.0 - share) * math.log(ratio)
    shifts = np.array([straight, power_law]) - math.log(ratio)
    weights = np.array([[STRAIGHT], [1.0 - STRAIGHT]]) * _WEIGHTS
    mean = float((weights * shifts).sum())
    return mean, math.sqrt(float((weights * (shifts - mean) ** 2).sum()))


def floor_at(ratio: float, floor: float) -> float:
    """Share that conduction takes at another speed: the watts lost stay the same.

    Examples
    --------
    >>> round(floor_at(0.5, 0.2), 3)
    0.333
    """
    return min(floor / (floor + (1.0 - floor) * ratio), _MOST_FLOOR)


def floor_score_shift(ratio: float, score: float, beta: tuple[float, float]) -> float:
    """What another speed adds to the normal score of a floor, under its beta distribution."""
    there = floor_at(ratio, float(betaincinv(*beta, ndtr(score))))
    return float(ndtri(np.clip(betainc(*beta, there), 1e-9, 1.0 - 1e-9))) - score
