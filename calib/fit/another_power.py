"""The edge of a sheet at another power than it was burnt at: its own curve, read off there.

A family's table lets speed grow in proportion to power. If a share f of the power is lost to
conduction, whatever the speed, r times the power gives (r − f) / (1 − f) times the speed; if the
loss falls with the speed as the slope at the reference says, r^(1 / (1 − f)) times. Down in power
the two part, and so do a small share and a large one: the shift is a mean over both, and how far
they part is its doubt.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import betainc, ndtri

# Weight of the straight line, which is the cut model's own, against the power law.
_STRAIGHT = 0.9
# The straight line is believed this far below the power law, and no further [ln mm/s]: where it
# says that nothing is cut at all, that is what is in doubt.
_FURTHEST = 1.6
# No more than this share of a power is ever taken for lost, and no less.
MOST_FLOOR, _LEAST_FLOOR = 0.7, 0.01
# Gauss-Hermite nodes and weights for the doubt of the share.
_NODES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0


def excess_at(ratio: float, floor: float, floor_sd: float = 0.0) -> tuple[float, float]:
    """How much more a cut lags behind proportion at another power.

    Parameters
    ----------
    ratio
        Power there over power here.
    floor, floor_sd
        Share of the power here that conduction takes, and its standard deviation.

    Returns
    -------
    shift, doubt : float
        What is added to the excess, and its standard deviation [ln mm/s].

    Examples
    --------
    >>> excess_at(1.0, 0.2, 0.1)
    (0.0, 0.0)
    >>> excess_at(0.5, 0.2)[0] > 0.0 > excess_at(2.0, 0.2)[0]
    True
    """
    share = np.clip(floor + floor_sd * _NODES, _LEAST_FLOOR, MOST_FLOOR)
    power_law = math.log(ratio) / (1.0 - share)
    over = np.maximum((ratio - share) / (1.0 - share), 1e-9)
    straight = np.maximum(np.log(over), power_law - _FURTHEST)
    shifts = math.log(ratio) - np.array([straight, power_law])
    weights = np.array([[_STRAIGHT], [1.0 - _STRAIGHT]]) * _WEIGHTS
    mean = float((weights * shifts).sum())
    return mean, math.sqrt(float((weights * (shifts - mean) ** 2).sum()))


def floor_at(ratio: float, floor: float) -> float:
    """Share that conduction takes at another power: the watts lost stay the same.

    Parameters
    ----------
    ratio
        Power there over power here.
    floor
        Share here.

    Returns
    -------
    float
        Share there.

    Examples
    --------
    >>> floor_at(0.5, 0.2)
    0.4
    """
    return min(floor / ratio, MOST_FLOOR)


def floor_score_shift(ratio: float, floor: float, beta: tuple[float, float]) -> float:
    """What another power adds to the normal score of a floor.

    Parameters
    ----------
    ratio, floor
        As in ``floor_at``.
    beta
        The beta distribution that the score refers to.

    Returns
    -------
    float
        Difference of the two scores.
    """

    def score(share: float) -> float:
        return float(ndtri(min(float(betainc(*beta, share)), 1.0 - 1e-9)))

    return score(floor_at(ratio, floor)) - score(min(floor, MOST_FLOOR))
