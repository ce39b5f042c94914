"""Plan, fit and recommend from records alone: what a program that uses calib calls."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.advice import transfer
from calib.advice.recommend import recommend
from calib.advice.transfer import StartingPoint
from calib.boards.gentle import KnownMarks
from calib.boards.layout import LayoutOptions, lay_out, limit_mm, split_over_offcuts
from calib.boards.places import fastest_that_fits_mm_s
from calib.errors import BoardDoesNotFit, InvalidRecord, unfit
from calib.fit.fitting import air_notes, region_from
from calib.fit.model import columns_of
from calib.fit.pool import Pool
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.limits import beyond_limits, beyond_note, check_limits, fastest_mark_mm_s
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.plan.far_side import far_side
from calib.plan.full import full_factorial
from calib.plan.next_burns import MOST_PASSES, next_cuts
from calib.plan.next_marks import next_marks
from calib.records import USUAL_RELIABILITY, Air, Burn, Grid, Machine, Operation, Setting, Sheet
from calib.tasks.pools import priors_of
from calib.tasks.wishes import BoardWish
from calib.texts.say import say

__all__ = ["fit_region", "plan_grid", "plan_grids", "recommend", "starting_point"]

# Boards of so many cells and more hold a middle setting twice, first and in its turn, or three
# times, first, middle and last: heat that builds up is then told from energy.
_TWICE_FROM, _THRICE_FROM = 8, 12


def fit_region(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    evidence: Sequence[Burn] = (),
    pool: Pool | None = None,
    seed: int = 0,
    *,
    air: Air | None = None,
) -> Region:
    """Fit where an operation works on a sheet and machine, with the usual air or another.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> fit_region(m, s).edge
    'unburnt'
    """
    priors = priors_of(machine, sheet, operation, pool)
    return region_from(machine, sheet, operation, evidence, priors, air)


def plan_grid(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    burns: int = 8,
    evidence: Sequence[Burn] = (),
    pool: Pool | None = None,
    offcut_mm: tuple[float, float] | None = None,
    seed: int = 0,
    *,
    round: int = 1,
    settings: Sequence[Setting] = (),
    **wish: Any,
) -> Grid:
    """Plan a test grid; further arguments are the fields of a board's wish, such as ``passes``.

    Raises RefusedMaterial, DeclarationNeeded before anything is planned; BoardDoesNotFit when not
    even one cell fits; MachineLimit when a burn would be so slow or strong that the sheet may catch
    fire.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> len(plan_grid(m, s, burns=6).cells)
    6
    """
    asked = BoardWish(burns=burns, offcut_mm=offcut_mm, seed=seed, **wish)
    return plan_wished(
        machine, sheet, operation, asked, evidence, pool, round=round, settings=settings
    )[0]


def plan_grids(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    burns: int = 8,
    evidence: Sequence[Burn] = (),
    pool: Pool | None = None,
    seed: int = 0,
    *,
    offcuts_mm: Sequence[tuple[float, float]],
    round: int = 1,
    settings: Sequence[Setting] = (),
    **wish: Any,
) -> tuple[Grid, ...]:
    """Plan one round of burns on several offcuts; else as `plan_grid`.

    Raises InvalidRecord when there is no offcut.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> [len(g.cells) for g in plan_grids(m, s, burns=6, offcuts_mm=[(70.0, 50.0)])]
    [3, 3]
    """
    if not offcuts_mm:
        raise InvalidRecord(say("tasks.offcuts_is_give_at_least_one", offcuts_mm=offcuts_mm))
    first, *more = offcuts_mm
    asked = BoardWish(
        burns=burns, offcut_mm=first, more_offcuts_mm=tuple(more), split=True, seed=seed, **wish
    )
    return plan_wished(
        machine, sheet, operation, asked, evidence, pool, round=round, settings=settings
    )


def plan_wished(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    wish: BoardWish,
    evidence: Sequence[Burn] = (),
    pool: Pool | None = None,
    *,
    round: int = 1,
    settings: Sequence[Setting] = (),
) -> tuple[Grid, ...]:
    """Plan a board, or several, as wished; raises as `plan_grid`."""
    priors = priors_of(machine, sheet, operation, pool)
    if wish.char_at_most is None:
        priors = replace(priors, char=None)  # not asked for: half of the fit's time is saved
    region = region_from(machine, sheet, operation, evidence, priors, wish.air)
    marks = KnownMarks(burns=tuple(evidence))
    return plan_on_region(region, wish, settings, round=round, marks=marks)


def starting_point(
    other: Region,
    reliability: float = USUAL_RELIABILITY,
    mark: int = 2,
    offcut_mm: tuple[float, float] | None = None,
    seed: int = 0,
    marks: KnownMarks | None = None,
) -> StartingPoint:
    """Where to begin on a machine that nothing was burnt on, and the board that confirms it.

    Raises InvalidRecord when burns were made there: then there is something to recommend;
    RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> len(starting_point(fit_region(m, s)).board.cells)
    4
    """
    start = transfer.starting_point(other, reliability, mark)
    wish = BoardWish(reliability=reliability, mark=mark, offcut_mm=offcut_mm, seed=seed)
    boards = plan_on_region(other, wish, start.confirm, marks=marks or KnownMarks())
    return replace(start, board=boards[0])


def plan_on_region(
    region: Region,
    wish: BoardWish,
    settings: Sequence[Setting] = (),
    *,
    round: int = 1,
    marks: KnownMarks | None = None,
) -> tuple[Grid, ...]:
    """Plan a board, or as many as a split round needs, for what a region doesn't know yet.

    ``settings`` are burnt in place of planned ones. BoardDoesNotFit when not even one cell fits;
    MachineLimit when the machine has no setting to burn, or one may set the sheet on fire.
    """
    machine, sheet, operation = region.machine, region.sheet, region.operation
    hazard = check_hazard(sheet, machine, operation)
    if wish.powers_pct and not settings:
        lists = wish.powers_pct, wish.speeds_mm_s
        pitches = (wish.line_pitch_mm,)
        settings = full_factorial(machine, *lists, passes=wish.passes, line_pitches_mm=pitches)
    if wish.slowest_mm_s is not None and not settings:
        raise unfit("slowest_mm_s", wish.slowest_mm_s, say("tasks.only_full_grid"))
    layout = LayoutOptions(
        offcut_mm=wish.offcut_mm,
        more_offcuts_mm=wish.more_offcuts_mm,
        **({} if wish.clamp_mm is None else {"clamp_mm": wish.clamp_mm}),
        round=round,
        seed=wish.seed,
        marks=marks or KnownMarks(),
        air=wish.air,
    )
    fastest = math.inf
    if operation != "cut":  # the narrowest board at hand must have room for a mark's run-ups
        widths = [limit_mm(machine, size)[0] for size in (wish.offcut_mm, *wish.more_offcuts_mm)]
        fastest = min(
            fastest_that_fits_mm_s(machine, operation, layout.clamp_mm, width) for width in widths
        )
    grids = _as_many_as_fit(region, wish, settings, layout, fastest)
    last = [*air_notes(region), *hazard.advice]
    planned = sum(len(grid.cells) for grid in grids)
    if not settings and planned != wish.burns:
        last.append(say("tasks.burns_were_asked", wish=wish, planned=planned))
    if len(grids) > 1:
        names = ", ".join(grid.board_id for grid in grids)
        last.append(say("tasks.one_round_on_boards", count=len(grids), names=names))
    doubts = far_side(region)
    checked = []
    for grid in grids:
        # The cells as they will be burnt; what must be known before burning comes first.
        cells, kind = [cell.setting for cell in grid.cells], (machine, sheet, operation)
        check_limits(*kind, cells, slowest_mm_s=wish.slowest_mm_s, fastest_mm_s=fastest)
        beyond = beyond_limits(*kind, cells, fastest_mm_s=fastest)
        notes = [*doubts, *([beyond_note(beyond)] if beyond else [])]
        most = max(cell.passes for cell in cells)
        if not settings and most > max(wish.passes):
            more = say("tasks.cut_in_passes", most=most)
            if most == MOST_PASSES:
                more += say("tasks.even_so_many_may_not_cut")
            notes.append(more)
        notes += [*grid.notes, *last]
        checked.append(replace(grid, notes=tuple(dict.fromkeys(notes))))
    return tuple(checked)


def _as_many_as_fit(
    region: Region,
    wish: BoardWish,
    settings: Sequence[Setting],
    layout: LayoutOptions,
    fastest_mm_s: float,
) -> tuple[Grid, ...]:
    """Plan and lay out the burns that were asked for, or as many of them as there is room for.

    Settings change with their number, and with them the size of marks: how many would really fit
    is only known once they are planned.
    """

    def laid_out(burns: Sequence[Setting]) -> tuple[Grid, ...]:
        pair = (region.machine, region.sheet, region.operation)
        reach = strengths(region, burns)
        if wish.split:
            return split_over_offcuts(*pair, burns, options=layout, reach=reach)
        return (lay_out(*pair, burns, options=layout, reach=reach),)

    def tried(count: int, fastest_mm_s: float) -> tuple[tuple[Grid, ...], int]:
        """So many burns, or none and how many would fit when there is no room for them."""
        try:
            return laid_out(_chosen(region, wish, count, fastest_mm_s)), count
        except BoardDoesNotFit as short:
            # Of marks a slower one may fit, for its run-up is shorter.
            last = count == 1 and fastest_mm_s == slowed[-1]
            if last or (short.cells_that_fit < 1 and region.operation == "cut"):
                raise
            return (), max(1, short.cells_that_fit)

    if settings:
        return laid_out(settings)
    # Fastest marks to try, one after the other: long run-ups take the room of other cells.
    slowed, short = [fastest_mm_s], fastest_mark_mm_s(region.machine)
    if short < fastest_mm_s < math.inf:
        slowed += [math.sqrt(fastest_mm_s * short), short]
    for speed in slowed:
        laid, count = tried(wish.burns, speed)
        if laid:
            return laid
    while not laid:
        laid, fits = tried(count, slowed[-1])
        count = count if laid else min(count - 1, fits)
    while count + 1 < wish.burns:
        more, _ = tried(count + 1, slowed[-1])
        if not more:
            break
        laid, count = more, count + 1
    # As if so many had been asked for: there may be room for longer run-ups.
    return next(again for speed in slowed if (again := tried(count, speed)[0]))


def _chosen(region: Region, wish: BoardWish, count: int, fastest_mm_s: float) -> list[Setting]:
    """The settings of a board, a middle one repeated on boards of eight cells and more."""
    extra = (count >= _TWICE_FROM) + (count >= _THRICE_FROM)
    if region.operation == "cut":
        chosen = next_cuts(
            region,
            count - extra,
            reliability=wish.reliability,
            passes=wish.passes,
            char_at_most=wish.char_at_most,
            same_power=wish.same_power,
        )
    else:
        chosen = next_marks(
            region,
            count - extra,
            wish.mark,
            wish.line_pitch_mm,
            fastest_mm_s=fastest_mm_s,
            same_power=wish.same_power,
        )
    if extra:
        order = np.argsort(strengths(region, chosen), kind="stable")
        chosen += [chosen[int(order[len(order) // 2])]] * extra
    return chosen


def strengths(region: Region, settings: Sequence[Setting]) -> list[float]:
    """Expected reach of each setting [ln W]; for marks the ln of its energy × passes."""
    power, speed, passes, pitch = columns_of(settings)
    if region.operation == "cut":
        return [float(r) for r in np.atleast_1d(region.median_reach(power, speed, passes))]
    energy = line_energy_j_mm(delivered_power_w(region.machine, power), speed) * passes
    return [float(e) for e in np.log(energy / np.nan_to_num(pitch, nan=1.0))]
