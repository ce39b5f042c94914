"""The edge of a sheet at another power than it was burnt at: its own curve, read off there.

A family's table lets speed grow in proportion to power. If a share f of the power is lost to
conduction, whatever the speed, r times the power gives (r − f) / (1 − f) times the speed; if the
loss falls with the speed as the slope at the reference says, r^(1 / (1 − f)) times. Down in power
the two part: the mean of their logarithms is taken, and half their distance is doubt.
"""

from __future__ import annotations

import math

from scipy.special import betainc, ndtri

# The straight line is believed this far below the power law, and no further [ln mm/s]: where it
# says that nothing is cut at all, that is what is in doubt.
_FURTHEST = 1.0
# No more than this share of a power is ever taken for lost.
MOST_FLOOR = 0.9


def excess_at(ratio: float, floor: float) -> tuple[float, float]:
    """How much more a cut lags behind proportion at another power.

    Parameters
    ----------
    ratio
        Power there over power here.
    floor
        Share of the power here that conduction takes.

    Returns
    -------
    shift, doubt : float
        What is added to the excess, and its standard deviation [ln mm/s].

    Examples
    --------
    >>> excess_at(1.0, 0.2)
    (0.0, 0.0)
    >>> excess_at(0.5, 0.2)[0] > 0.0 > excess_at(2.0, 0.2)[0]
    True
    """
    power_law = math.log(ratio) / (1.0 - floor)
    over = (ratio - floor) / (1.0 - floor)
    straight = max(math.log(over) if over > 0.0 else -math.inf, power_law - _FURTHEST)
    curve = 0.5 * (straight + power_law)
    return math.log(ratio) - curve, 0.5 * abs(straight - power_law)


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
