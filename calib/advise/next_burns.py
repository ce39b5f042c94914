"""Which settings to burn next: candidates within the machine's limits, and what they settle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from calib.advise.char_question import columns_of, with_char
from calib.advise.wish import USUAL_RELIABILITY
from calib.fit import cut_fit
from calib.fit.cut import points_of
from calib.fit.region import Region
from calib.grid.full import snap_setting
from calib.grid.near_edge import CORE, Mask, Question, choose_batch, without_tails
from calib.physics import delivered_power_w
from calib.records import COUPON_CORNER_MM, Machine, Setting

Array = npt.NDArray[np.float64]

# Powers tried, as shares of the ceiling: the ceiling is where the fastest setting lies, the lower
# ones tell the slope; below about 35 % of full power little is gained (own simulations).
_POWER_SHARES = (1.0, 0.85, 0.72, 0.6, 0.5)
_LOWEST_PCT = 35.0
# No burn is planned that gets so many times the energy expected: it teaches nothing, takes minutes
# and sets sheets on fire.
_MOST_ENERGY = 16.0
# Candidate speeds per power.
_SPEEDS = 15
# Of few burns none is spent far below the ceiling; fewer powers leave room for finer speeds.
_POWER_SHARES_OF_FEW = (1.0, 0.85)
_SPEEDS_OF_FEW = 40
# Slower ones beside them, a scatter's standard deviation apart, to hold what could be advised.
_SLOWER_SPEEDS = 8
# Draws of the posterior that a plan works with.
DRAWS = 1024
# What a standard deviation of the edge at half of the ceiling counts against one of the fastest
# reliable speed at the ceiling: without it a search along the ceiling alone would win. The first
# board only has to find the edge, and so has an afterthought of fewer burns than a board has.
_HALF_POWER_IMPORTANCE = 0.2
_BOARD = 4
# Once a pair has a board's worth of burns, one of the next few stands this much slower than what
# could be advised now, where nothing slower was burnt: the others may bring the advice down so far
# (set on tuning seeds of tests/benchmarks/book.py). A single burn stands at the advice itself.
_SLOWER_OF_FEW = 0.92
# The fastest reliable speed counts as known when nine tenths of it lie within a factor of two.
_NARROW = float(np.log(2.0))
# An expectation may be wrong by a factor of two either way; the first board reaches so far [ln].
_FACTOR_TWO = float(np.log(2.0))


def fastest_cut_mm_s(machine: Machine) -> float:
    """Fastest speed at which a coupon's corners are still cut at the set speed [mm/s]."""
    corner = float(np.sqrt(machine.working_acceleration_mm_s2 * COUPON_CORNER_MM))
    return min(machine.max_speed_mm_s, corner)


def _powers(
    points: cut_fit.CutPoints,
    machine: Machine,
    v0: float,
    shares: Sequence[float] = _POWER_SHARES,
) -> list[float]:
    """Powers worth trying; a thin sheet, cut at any speed by these, gets gentler ones [%]."""
    starts = machine.beam_starts_pct * 1.2
    lowest = max(min(_LOWEST_PCT, 0.5 * machine.ceiling_pct), starts)
    gentle = _just_cuts_pct(points, machine, 0.5 * fastest_cut_mm_s(machine) / v0)
    if gentle >= lowest:
        return [max(machine.ceiling_pct * share, lowest) for share in shares]
    gentle = max(gentle, starts, machine.power_step_pct)
    return [float(p) for p in np.geomspace(machine.ceiling_pct, gentle, len(_POWER_SHARES))]


def _just_cuts_pct(points: cut_fit.CutPoints, machine: Machine, speed_ratio: float) -> float:
    """Power at which half of the draws just cut at a speed, as v / v0 [%]."""
    shape = points.shape
    needed = points.location + np.log(shape.floor + (1.0 - shape.floor) * speed_ratio)
    full = float(np.log(delivered_power_w(machine, 100.0)))
    return 100.0 * float(np.exp(np.median((needed - full) / shape.exponent)))


def _slowest_mm_s(
    points: cut_fit.CutPoints, machine: Machine, power_pct: float, v0: float
) -> float:
    """Slowest speed that a cut is tried at with a power [mm/s]."""
    expected = float(np.exp(np.median(points.location))) / v0
    watts = float(delivered_power_w(machine, power_pct))
    slowest = max(watts / (_MOST_ENERGY * expected), machine.speed_step_mm_s)
    return min(slowest, fastest_cut_mm_s(machine))


def _ln_power(machine: Machine, power_pct: float) -> tuple[float, float]:
    full = float(delivered_power_w(machine, 100.0))
    return float(np.log(full)), float(np.log(delivered_power_w(machine, power_pct) / full))


def cut_draws(region: Region) -> cut_fit.CutPoints:
    """Even-weight draws of a region's posterior, in a fixed order."""
    assert region.cut is not None
    here = region.cut.here
    return cut_fit.thinned(here, DRAWS)


def _edges(
    points: cut_fit.CutPoints, machine: Machine, power_pct: float, sigmas: float, v0: float
) -> Array:
    """Ln speed that just works at a power, at each draw, within the machine's speeds, (J,)."""
    edge = cut_fit.edge_ln_speed(points, _ln_power(machine, power_pct), v0, sigmas)
    slowest = _slowest_mm_s(points, machine, power_pct, v0)
    return np.clip(edge, np.log(slowest), np.log(fastest_cut_mm_s(machine)))


def cut_candidates(
    region: Region, points: cut_fit.CutPoints, passes: Sequence[int], n_burns: int
) -> list[Setting]:
    """Settings near where the edge may be, on the machine's steps, without repeats."""
    machine = region.machine
    assert region.cut is not None
    v0 = region.cut.prior.speed0_mm_s
    few = n_burns < _BOARD
    shares = _POWER_SHARES_OF_FEW if few else _POWER_SHARES
    speeds = _SPEEDS_OF_FEW if few else _SPEEDS
    found: dict[Setting, None] = {}
    for n in passes:
        for power in _powers(points, machine, v0, shares):
            more = region.cut.prior.passes_mean * float(np.log(n))
            edge = _edges(points, machine, power, 0.0, v0) + more
            low, high = np.quantile(edge, CORE)
            sigma = float(np.median(points.shape.scatter))
            slowest = float(np.log(_slowest_mm_s(points, machine, power, v0)))
            low = max(low - 3.0 * sigma, slowest)
            tried = np.linspace(low, high + 2.0 * sigma, speeds)
            if few:
                slower = low - sigma * np.arange(1, _SLOWER_SPEEDS + 1)
                tried = np.append(tried, slower[slower >= slowest])
            for speed in np.exp(tried):
                wished = min(float(speed), fastest_cut_mm_s(machine))
                found[snap_setting(machine, power, wished, passes=n)] = None
    return list(found)


def next_cuts(
    region: Region,
    n: int,
    *,
    reliability: float = USUAL_RELIABILITY,
    passes: Sequence[int] = (1,),
    char_at_most: int | None = None,
) -> list[Setting]:
    """The n cuts that teach most of the fastest setting that meets a reliability.

    Parameters
    ----------
    region
        What is known; its burns count as done.
    n
        How many.
    reliability
        Chance that will be asked for.
    passes
        Numbers of passes to try.
    char_at_most
        Worst char grade that will be fine; None when char won't be asked for.

    Returns
    -------
    list of Setting
        On the machine's steps; a setting may come twice.
    """
    points = cut_draws(region)
    candidates = cut_candidates(region, points, passes, n)
    question = _cut_question(region, points, candidates, reliability, n)
    fastest = question.targets[:, 0]
    if char_at_most is not None and region.char is not None:
        question = with_char(region, candidates, question, char_at_most)
    if n < _BOARD:
        first = _must_of_few(region, candidates, question, reliability, n)[:n]
    else:
        first = _must(region, candidates, fastest)[:n]
    batch = choose_batch(question, n, first, repeats=bool(region.burns))
    return [candidates[i] for i in batch]


def _cut_question(
    region: Region,
    points: cut_fit.CutPoints,
    candidates: list[Setting],
    reliability: float,
    n: int,
) -> Question:
    """Which burns settle the fastest reliable speed at the ceiling, and the edge at low power."""
    assert region.cut is not None
    machine, v0 = region.machine, region.cut.prior.speed0_mm_s
    half, least = 0.5 * machine.ceiling_pct, min(_powers(points, machine, v0))
    weak = min(half, least)
    targets = np.stack(
        [
            _edges(points, machine, machine.ceiling_pct, float(ndtri(reliability)), v0),
            _edges(points, machine, weak, 0.0, v0),
        ],
        axis=1,
    )
    important = _HALF_POWER_IMPORTANCE if region.burns and n >= _BOARD else 0.0
    if weak < min(half, _LOWEST_PCT):
        # The ceiling cuts at any speed: the question is with how little power it still cuts.
        important = 1.0
    return Question(
        weight=points.weight,
        chances=cut_fit.grade_chances(points, points_of(machine, columns_of(candidates)[:3], v0)),
        targets=without_tails(targets),
        importance=np.array([1.0, important]),
    )


def _must(region: Region, candidates: list[Setting], fastest: Array) -> list[Mask]:
    """Cells that a board needs whatever they teach, as the candidates each may be chosen from.

    Advice keeps to the convex hull of what was burnt, so a slower and a faster cell at the ceiling
    must stand around the fastest reliable speed, and a cell at half power opens the hull downwards.
    """
    cells = _Cells(region, candidates)
    low, middle, high = np.quantile(fastest, [0.05, 0.5, 0.95]) + cells.more
    if high - low < _NARROW:
        # What is burnt to find the edge then lies faster than the fastest reliable speed anyway.
        high = middle
    wanted = []
    if not any(v <= low for v in cells.burnt_at_top):
        wanted.append(cells.slower(low))
    if not any(v >= high for v in cells.burnt_at_top):
        wanted.append(cells.faster(high))
    if not any(power <= 0.5 * cells.top + 1e-9 for power in cells.burnt_powers):
        wanted.append(cells.power <= max(0.5 * cells.top, cells.power.min()) + 1e-9)
    return wanted


def _must_of_few(
    region: Region, candidates: list[Setting], question: Question, reliability: float, n: int
) -> list[Mask]:
    """The same for fewer burns than a board has: first they find the edge, then they hold advice.

    The first ones lie at the ceiling, one of them fast. Later ones are free until the pair has a
    board's worth; then one is slow enough for what would be advised to lie inside what was burnt.
    """
    cells = _Cells(region, candidates)
    if not cells.burnt_at_top:
        middle = float(np.median(question.targets[:, 0])) + cells.more
        return [cells.at_top, cells.faster(middle)]
    if len(region.burns) < _BOARD:
        return []
    drops = question.weight @ question.chances[-1] / question.weight.sum()
    promised = cells.at_top & (drops >= reliability)
    advised = cells.speed[promised].max() if promised.any() else cells.speed[cells.at_top].min()
    if any(v <= advised for v in cells.burnt_at_top):
        return []
    return [cells.slower(advised + (np.log(_SLOWER_OF_FEW) if n > 1 else 0.0))]


class _Cells:
    """Candidates and burns as a board's needs see them: of the fewest passes, speeds as ln."""

    def __init__(self, region: Region, candidates: list[Setting]) -> None:
        assert region.cut is not None
        passes = min(c.passes for c in candidates)
        self.more = region.cut.prior.passes_mean * float(np.log(passes))
        self.power = np.array([c.power_pct for c in candidates])
        self.speed = np.log([c.speed_mm_s for c in candidates])
        self.top = float(self.power.max())
        counts = np.array([c.passes == passes for c in candidates])
        self.at_top = (self.power == self.top) & counts
        burnt = [b for b in region.burns if b.passes == passes]
        self.burnt_powers = [b.power_pct for b in burnt]
        self.burnt_at_top = [
            float(np.log(b.speed_mm_s)) for b in burnt if b.power_pct >= self.top - 1e-9
        ]

    def slower(self, ln_speed: float) -> Mask:
        """Cells at the highest power that are so slow; the slowest ones where none is."""
        mask: Mask = self.at_top & (
            self.speed <= max(ln_speed, float(self.speed[self.at_top].min()))
        )
        return mask

    def faster(self, ln_speed: float) -> Mask:
        """Cells at the highest power that are so fast; the fastest ones where none is."""
        mask: Mask = self.at_top & (
            self.speed >= min(ln_speed, float(self.speed[self.at_top].max()))
        )
        return mask
