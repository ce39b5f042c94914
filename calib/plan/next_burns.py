"""Which settings to burn next: candidates within the machine's limits, and what they settle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from calib.fit.fits import CutFit, GradedFit
from calib.fit.model import columns_of, edge_ln_speed, settings_of
from calib.fit.region import Region
from calib.limits import (
    ABOVE_START,
    Limits,
    check_limits,
    fastest_cut_mm_s,
    limits_of,
    snap_power,
    snap_setting,
)
from calib.physics import delivered_power_w
from calib.plan.near_edge import CORE, Mask, Question, choose_batch, without_tails
from calib.records import USUAL_RELIABILITY, Machine, Setting

Array = npt.NDArray[np.float64]

# Powers tried, as shares of the ceiling: the ceiling is where the fastest setting lies, the lower
# ones tell the slope; below about 35 % of full power little is gained (own simulations).
_POWER_SHARES = (1.0, 0.85, 0.72, 0.6, 0.5)
_LOWEST_PCT = 35.0
# Most passes that are planned where fewer would have to be too slow; more only char (common
# practice, no source).
MOST_PASSES = 10
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
# (set on tuning seeds of tests/benchmarks/book.py). A single burn stands at the advice itself, but
# for what the few draws of a plan may be off.
_SLOWER_OF_FEW, _SLOWER_OF_ONE = 0.92, 0.98
# The fastest reliable speed counts as known when nine tenths of it lie within a factor of two.
_NARROW = float(np.log(2.0))
# What a standard deviation of the speed at which char meets its limit counts, at the ceiling and at
# half of it: the two tell the trade along the edge.
_CHAR_IMPORTANCE = (0.5, 0.2)
# Speeds against the usual one between which that speed is asked for.
_CHAR_RATIOS = (0.05, 20.0)


def _powers(fit: CutFit, machine: Machine, shares: Sequence[float] = _POWER_SHARES) -> list[float]:
    """Powers worth trying; a thin sheet, cut at any speed by these, gets gentler ones [%]."""
    starts = machine.beam_starts_pct * 1.2
    lowest = max(min(_LOWEST_PCT, 0.5 * machine.ceiling_pct), starts)
    # Power at which half of the draws just cut at half of the fastest speed.
    shape, ratio = fit.here.shape, 0.5 * fastest_cut_mm_s(machine) / fit.prior.speed0_mm_s
    needed = fit.here.location + np.log(shape.floor + (1.0 - shape.floor) * ratio)
    full = float(np.log(delivered_power_w(machine, 100.0)))
    gentle = 100.0 * float(np.exp(np.median((needed - full) / shape.exponent)))
    if gentle >= lowest:
        return [max(machine.ceiling_pct * share, lowest) for share in shares]
    gentle = max(gentle, starts, machine.power_step_pct)
    return [float(p) for p in np.geomspace(machine.ceiling_pct, gentle, len(_POWER_SHARES))]


def few_draws(region: Region) -> CutFit:
    """The fit of the cut on few even-weight draws, in a fixed order."""
    assert region.cut is not None
    return region.cut.thinned(DRAWS)


def _edges(fit: CutFit, limits: Limits, power_pct: float, sigmas: float, passes: int) -> Array:
    """Ln speed that just works at a power, at each draw, within what may be planned, (J,)."""
    machine = limits.machine
    edge = edge_ln_speed(fit.here, machine, fit.prior, power_pct, sigmas, passes)
    fastest = fastest_cut_mm_s(machine)
    return np.clip(edge, np.log(min(limits.slowest_at(power_pct), fastest)), np.log(fastest))


def passes_to_try(
    region: Region, passes: Sequence[int] = (1,), reliability: float = USUAL_RELIABILITY
) -> tuple[int, ...]:
    """Numbers of passes to burn: those wished for, or more where these would be too slow.

    They are when it is more likely than not that even the most of them would need a speed below
    the limits to meet the reliability at the ceiling; the fewest that need not take their place.
    """
    machine = region.machine
    slowest = limits_of(machine, region.sheet, "cut").slowest_at(machine.ceiling_pct)
    if slowest > fastest_cut_mm_s(machine):
        return tuple(passes)
    fit, sigmas = few_draws(region), float(ndtri(reliability))

    def enough(n: int) -> bool:
        edge = edge_ln_speed(fit.here, machine, fit.prior, machine.ceiling_pct, sigmas, n)
        return float(np.median(edge)) >= float(np.log(slowest))

    most = max(passes)
    if most >= MOST_PASSES or enough(most):
        return tuple(passes)
    return (next((n for n in range(most + 1, MOST_PASSES) if enough(n)), MOST_PASSES),)


def cut_candidates(
    region: Region, fit: CutFit, passes: Sequence[int], n_burns: int
) -> list[Setting]:
    """Settings near where the edge may be, on the machine's steps, without repeats.

    None goes beyond the limits; raises MachineLimit where the machine can't be so gentle.
    """
    machine = region.machine
    limits = limits_of(machine, region.sheet, "cut")
    few = n_burns < _BOARD
    shares = _POWER_SHARES_OF_FEW if few else _POWER_SHARES
    speeds = _SPEEDS_OF_FEW if few else _SPEEDS
    fastest = fastest_cut_mm_s(machine)
    found: dict[Setting, None] = {}
    for n in passes:
        for power in _powers(fit, machine, shares):
            slowest_mm_s = limits.slowest_at(snap_power(machine, power))
            if slowest_mm_s > fastest:
                continue
            edge = _edges(fit, limits, power, 0.0, n)
            low, high = np.quantile(edge, CORE)
            sigma = float(np.median(fit.here.shape.scatter))
            slowest = float(np.log(slowest_mm_s))
            low = max(low - 3.0 * sigma, slowest)
            tried = np.linspace(low, high + 2.0 * sigma, speeds)
            if few:
                slower = low - sigma * np.arange(1, _SLOWER_SPEEDS + 1)
                tried = np.append(tried, slower[slower >= slowest])
            for speed in np.exp(tried):
                wished = min(max(float(speed), slowest_mm_s), fastest)
                setting = snap_setting(machine, power, wished, passes=n)
                if not limits.beyond(setting):
                    found[setting] = None
    if not found:
        gentlest = max(ABOVE_START * machine.beam_starts_pct, machine.power_step_pct)
        for n in passes:
            found[snap_setting(machine, gentlest, fastest, passes=n)] = None
        check_limits(machine, region.sheet, "cut", found)
    return list(found)


def next_cuts(
    region: Region,
    n: int,
    *,
    reliability: float = USUAL_RELIABILITY,
    passes: Sequence[int] = (1,),
    char_at_most: int | None = None,
    same_power: bool = False,
) -> list[Setting]:
    """The n cuts that teach most of the fastest setting that meets a reliability.

    With ``same_power`` they differ in speed only.

    Raises MachineLimit when even the gentlest burn of the machine is too strong for the sheet.
    """
    fit = few_draws(region)
    passes = passes_to_try(region, passes, reliability)
    candidates = cut_candidates(region, fit, passes, n)
    if same_power:
        strongest = max(one.power_pct for one in candidates)
        candidates = [one for one in candidates if one.power_pct == strongest]
    question = _cut_question(region, fit, candidates, reliability, n)
    fastest = question.targets[:, 0]
    if char_at_most is not None and region.char is not None:
        question = _with_char(region, candidates, question, char_at_most)
    if n < _BOARD:
        first = _must_of_few(region, candidates, question, reliability, n)[:n]
    else:
        first = _must(region, candidates, fastest)[:n]
    batch = choose_batch(question, n, first, repeats=bool(region.burns))
    return [candidates[i] for i in batch]


def _cut_question(
    region: Region,
    fit: CutFit,
    candidates: list[Setting],
    reliability: float,
    n: int,
) -> Question:
    """Which burns settle the fastest reliable speed at the ceiling, and the edge at low power."""
    machine = region.machine
    limits, passes = limits_of(machine, region.sheet, "cut"), min(c.passes for c in candidates)
    half, least = 0.5 * machine.ceiling_pct, min(_powers(fit, machine))
    weak = min(half, least)
    targets = np.stack(
        [
            _edges(fit, limits, machine.ceiling_pct, float(ndtri(reliability)), passes),
            _edges(fit, limits, weak, 0.0, passes),
        ],
        axis=1,
    )
    important = _HALF_POWER_IMPORTANCE if region.burns and n >= _BOARD else 0.0
    if weak < min(half, _LOWEST_PCT):
        # The ceiling cuts at any speed: the question is with how little power it still cuts.
        important = 1.0
    return Question(
        weight=fit.here.weight,
        chances=fit.here.grade_chances(
            settings_of(machine, columns_of(candidates), fit.prior, "cut")
        ),
        targets=without_tails(targets),
        importance=np.array([1.0, important]),
    )


def _with_char(
    region: Region, candidates: Sequence[Setting], question: Question, char_at_most: int
) -> Question:
    """Ask as well at which speed char meets its limit; char is read on what is cut."""
    assert region.char is not None
    if char_at_most > 3:
        return question
    draws = len(question.weight)
    fit = region.char.thinned(draws)
    # The two posteriors are independent: a fixed shuffle pairs their draws.
    pick = np.random.default_rng(0).permutation(len(fit.here.weight))[:draws]
    at = settings_of(region.machine, columns_of(candidates), fit.prior, "char")
    char = fit.here.grade_chances(at)[:, pick]
    no, hanging, through = question.chances
    return Question(
        weight=question.weight,
        chances=np.concatenate([no[None], hanging * char, through * char]),
        targets=np.column_stack([
            question.targets,
            without_tails(_char_limits(region, fit, char_at_most)[pick]),
        ]),
        importance=np.concatenate([question.importance, _CHAR_IMPORTANCE]),
    )


def _char_limits(region: Region, fit: GradedFit, char_at_most: int) -> Array:
    """Ln speed at which char passes its limit, at the ceiling and at half of it, (J, 2)."""
    full, shape = float(delivered_power_w(region.machine, 100.0)), fit.here.shape
    columns = []
    for share in (1.0, 0.5):
        watts = float(delivered_power_w(region.machine, share * region.machine.ceiling_pct))
        ln_power = np.log(full) + shape.exponent * np.log(watts / full)
        spare = ln_power - fit.here.location - shape.cuts[:, char_at_most]
        columns.append(spare / shape.speed)
    ratio = np.clip(np.stack(columns, axis=1), *np.log(_CHAR_RATIOS))
    return np.asarray(ratio + np.log(fit.prior.speed0_mm_s))


def _must(region: Region, candidates: list[Setting], fastest: Array) -> list[Mask]:
    """Cells that a board needs whatever they teach, as the candidates each may be chosen from.

    Advice keeps to the convex hull of what was burnt, so a slower and a faster cell at the ceiling
    must stand around the fastest reliable speed, and a cell at half power opens the hull downwards.
    """
    cells = _Cells(region, candidates)
    low, middle, high = np.quantile(fastest, [0.05, 0.5, 0.95])
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

    The first ones lie at the ceiling, one of them fast. Later ones are free as long as the pair has
    a board's worth with them; then one is slow enough for what would be advised to lie inside what
    was burnt.
    """
    cells = _Cells(region, candidates)
    if not cells.burnt_at_top:
        middle = float(np.median(question.targets[:, 0]))
        return [cells.at_top, cells.faster(middle)]
    if len(region.burns) + n <= _BOARD:
        return []
    drops = question.weight @ question.chances[-1] / question.weight.sum()
    promised = cells.at_top & (drops >= reliability)
    advised = cells.speed[promised].max() if promised.any() else cells.speed[cells.at_top].min()
    if any(v <= advised for v in cells.burnt_at_top):
        return []
    return [cells.slower(advised + np.log(_SLOWER_OF_FEW if n > 1 else _SLOWER_OF_ONE))]


class _Cells:
    """Candidates and burns as a board's needs see them: of the fewest passes, speeds as ln."""

    def __init__(self, region: Region, candidates: list[Setting]) -> None:
        passes = min(c.passes for c in candidates)
        self.power = np.array([c.power_pct for c in candidates])
        self.speed = np.log([c.speed_mm_s for c in candidates])
        self.top = float(self.power.max())
        counts = np.array([c.passes == passes for c in candidates])
        self.at_top = (self.power == self.top) & counts
        burnt = [b for b in region.burns if b.passes == passes]
        self.burnt_powers = [b.power_pct for b in burnt]
        self.burnt_at_top = [
            float(np.log(speed))
            for b in burnt
            if b.power_pct >= self.top - 1e-9
            for speed in b.burnt_speeds_mm_s
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
