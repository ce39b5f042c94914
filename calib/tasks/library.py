"""Plan, fit and recommend from records alone: what a program that uses calib calls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from calib.advice import transfer
from calib.advice.recommend import recommend
from calib.advice.transfer import StartingPoint
from calib.boards.gentle import KnownMarks
from calib.errors import InvalidRecord, unfit
from calib.fit.fitting import region_from
from calib.fit.pool import Pool
from calib.fit.priors import Priors, expected_priors
from calib.fit.region import Region
from calib.records import (
    OPERATIONS,
    USUAL_RELIABILITY,
    Burn,
    Grid,
    Machine,
    Operation,
    Setting,
    Sheet,
)
from calib.tasks.planning import plan_on_region
from calib.tasks.wishes import BoardWish
from calib.texts.say import say

__all__ = ["fit_region", "plan_grid", "plan_grids", "recommend", "starting_point"]


def _priors(machine: Machine, sheet: Sheet, operation: Operation, pool: Pool | None) -> Priors:
    """What is believed of a pair before its burns: the family's table, or the logbook's pool."""
    if operation not in OPERATIONS:
        raise unfit("operation", operation, say("tasks.give_one", operations=", ".join(OPERATIONS)))
    expected = expected_priors(machine, sheet, operation)
    return expected if pool is None else pool.priors(machine, sheet, operation, expected)


def fit_region(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    evidence: Sequence[Burn] = (),
    pool: Pool | None = None,
    seed: int = 0,
) -> Region:
    """Fit where an operation works on a sheet and machine.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> fit_region(m, s).edge
    'unburnt'
    """
    priors = _priors(machine, sheet, operation, pool)
    return region_from(machine, sheet, operation, evidence, priors)


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
    marks: KnownMarks | None = None,
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
        machine, sheet, operation, asked, evidence, pool, round=round, settings=settings,
        marks=marks,
    )[0]  # fmt: skip


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
    marks: KnownMarks | None = None,
) -> tuple[Grid, ...]:
    """Plan a board, or several, as wished; raises as `plan_grid`."""
    priors = _priors(machine, sheet, operation, pool)
    if wish.char_at_most is None:
        priors = replace(priors, char=None)  # not asked for: half of the fit's time is saved
    region = region_from(machine, sheet, operation, evidence, priors)
    known = KnownMarks(burns=tuple(evidence)) if marks is None else marks
    return plan_on_region(region, wish, settings, round=round, marks=known)


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
