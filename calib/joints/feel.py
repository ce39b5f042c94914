"""Where a ladder of slots or tongues turns from tight over snug to loose, by feel.

For a drawn width w, the middle m of the snug widths, half their width h and the scatter s of
hand and cut

    y = w − m + s ε,  ε ~ N(0, 1)       tight if y < −h · snug if −h <= y <= h · loose if y > h

for slots; a tongue is tight when it is wide. A reading is misread or mistyped now and then.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from calib.boards.comb import FEELS, Feel

Array = npt.NDArray[np.float64]
Edge = Literal["unread", "all_tight", "all_loose", "all_snug", "one_sided", "bracketed"]

# Before anything is tried (guesses): half the snug width and the scatter [mm] with the standard
# deviation of their logarithms, and how wrong the middle of the ladder may be [mm].
HALF_SNUG_MM, SCATTER_MM, LN_SD = 0.05, 0.02, 0.5
SLOT_SD_MM, TONGUE_SD_MM = 0.15, 0.25
MISREAD = 0.02
_STEP_MM = 0.005
_REACH_SD = 4.0
# Equal shares of a normal distribution, by their middles: enough for two numbers that move the
# middle little.
_SCORES = ndtri((np.arange(7) + 0.5) / 7.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """Drawn widths with what was felt at each."""

    labels: tuple[str, ...]  # their codes
    widths_mm: tuple[float, ...]  # drawn [mm]
    feels: tuple[Feel, ...]  # what was felt; a label may be there several times
    middle_mm: float  # where the snug width was expected [mm]
    sd_mm: float  # how wrong that may be, as a standard deviation [mm]
    wide_is_tight: bool  # true for tongues, False for slots

    @property
    def edge(self) -> Edge:
        """Whether the readings bracket the snug width."""
        felt = set(self.feels)
        if not felt:
            return "unread"
        if len(felt) == 1:
            edges: dict[Feel, Edge]
            edges = {"tight": "all_tight", "snug": "all_snug", "loose": "all_loose"}
            return edges[self.feels[0]]
        return "bracketed" if {"tight", "loose"} <= felt else "one_sided"

    @property
    def in_order(self) -> bool:
        """False when a reading contradicts a wider or narrower one."""
        tightness = np.array([FEELS.index(feel) for feel in self.feels])
        order = np.argsort(self.widths_mm, kind="stable")
        steps = np.diff(tightness[order])
        same = np.diff(np.array(self.widths_mm)[order]) == 0.0
        return bool(np.all((steps <= 0 if self.wide_is_tight else steps >= 0) | same))


@dataclass(frozen=True, slots=True, kw_only=True)
class Snug:
    """The snug width of a ladder."""

    label: str  # code of the width that is most likely the nearest to the middle of the snug ones
    # chance of each tried code to be that one, in the order of the widths
    chances: tuple[tuple[str, float], ...]
    middle_mm: float  # middle of the snug widths, as drawn: its median [mm]
    sd_mm: float  # its standard deviation and the ends of its 95 % interval [mm]
    low_mm: float
    high_mm: float
    half_snug_mm: float  # half the range of widths that are snug, on average [mm]


def snug_of(ladder: Ladder) -> Snug:
    """Find the snug width by weighing every middle, snug range and scatter on a fixed grid.

    Notes
    -----
    Ordinal probit of three grades (McCullagh 1980, J. R. Statist. Soc. B 42:109-142, from
    memory), Bayesian with the prior that the constants of this module state.
    """
    reach = _REACH_SD * ladder.sd_mm
    m = np.arange(-reach, reach + _STEP_MM / 2.0, _STEP_MM) + ladder.middle_mm
    h = HALF_SNUG_MM * np.exp(LN_SD * _SCORES)
    s = SCATTER_MM * np.exp(LN_SD * _SCORES)
    log_weight = -0.5 * ((m - ladder.middle_mm) / ladder.sd_mm) ** 2
    log_post = log_weight[:, None, None] + _log_likelihood(ladder, (m, h, s))
    weight = np.exp(log_post - log_post.max())
    weight /= weight.sum()
    over_m = weight.sum(axis=(1, 2))
    mean = float(over_m @ m)
    # Where the cumulated weight reaches each share, straight between the nodes' edges.
    edges = np.append(m - _STEP_MM / 2.0, m[-1] + _STEP_MM / 2.0)
    low, middle, high = np.interp((0.025, 0.5, 0.975), np.append(0.0, np.cumsum(over_m)), edges)
    # Chance of each width to be the nearest to the middle.
    tried = dict(sorted(zip(ladder.widths_mm, ladder.labels, strict=True)))
    nearest = np.abs(m[:, None] - np.array(list(tried))).argmin(axis=1)
    share = np.bincount(nearest, weights=over_m, minlength=len(tried))
    chances = tuple(zip(tried.values(), share.tolist(), strict=True))
    return Snug(
        label=max(chances, key=lambda pair: pair[1])[0],
        chances=chances,
        middle_mm=float(middle),
        sd_mm=float(np.sqrt(over_m @ (m - mean) ** 2)),
        low_mm=float(low),
        high_mm=float(high),
        half_snug_mm=float(weight.sum(axis=(0, 2)) @ h),
    )


def _log_likelihood(ladder: Ladder, grid: tuple[Array, Array, Array]) -> Array:
    """Sum of ln chances of what was felt, (m, h, s)."""
    m, h, s = (axis.reshape([-1 if n == k else 1 for n in range(3)]) for k, axis in enumerate(grid))
    total = np.zeros((m.size, h.size, s.size))
    # In the order of the widths, so that the order of the readings changes no last digit.
    for width, feel in sorted(zip(ladder.widths_mm, ladder.feels, strict=True)):
        y = (m - width if ladder.wide_is_tight else width - m) / s
        tight, loose = ndtr(-h / s - y), ndtr(y - h / s)
        chance = {"tight": tight, "loose": loose, "snug": 1.0 - tight - loose}[feel]
        total += np.log((1.0 - MISREAD) * np.maximum(chance, 0.0) + MISREAD / 3.0)
    return total
