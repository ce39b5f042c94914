"""Plan, fit and recommend from records alone: what a program that uses calib calls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from calib.advice import transfer
from calib.advice.recommend import recommend
from calib.advice.transfer import StartingPoint
from calib.boards.gentle import KnownMarks
from calib.boards.layout import LayoutOptions
from calib.errors import InvalidRecord
from calib.fit.expectation import expected_priors
from calib.fit.fitting import region_from
from calib.fit.priors import Priors, PriorSource
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
from calib.tasks.planning import PlanOptions, plan_board

__all__ = ["fit_region", "plan_grid", "recommend", "starting_point"]


def priors_of(
    machine: Machine, sheet: Sheet, operation: Operation, pool: PriorSource | None
) -> Priors:
    """What is believed of a pair before its burns: the family's table, or the logbook's pool."""
    if operation not in OPERATIONS:
        raise InvalidRecord(f"operation is {operation!r}: give one of {', '.join(OPERATIONS)}.")
    expected = expected_priors(machine, sheet, operation)
    return expected if pool is None else pool.priors(machine, sheet, operation, expected)


def fit_region(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    evidence: Sequence[Burn] = (),
    pool: PriorSource | None = None,
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
    return region_from(
        machine, sheet, operation, evidence, priors_of(machine, sheet, operation, pool)
    )


def plan_grid(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    burns: int = 8,
    evidence: Sequence[Burn] = (),
    pool: PriorSource | None = None,
    offcut_mm: tuple[float, float] | None = None,
    seed: int = 0,
    *,
    passes: Sequence[int] = (1,),
    round: int = 1,
    clamp_mm: float | None = None,
    settings: Sequence[Setting] = (),
    marks: KnownMarks | None = None,
    **wish: Any,
) -> Grid:
    """Plan a test grid.

    Raises RefusedMaterial, DeclarationNeeded Before anything is planned; BoardDoesNotFit when not
    even one cell fits; MachineLimit when a burn would be so slow or strong that the sheet may catch
    fire.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> len(plan_grid(m, s, burns=6).cells)
    6
    """
    priors = priors_of(machine, sheet, operation, pool)
    if wish.get("char_at_most") is None:
        priors = replace(priors, char=None)  # not asked for: half of the fit's time is saved
    region = region_from(machine, sheet, operation, evidence, priors)
    known = KnownMarks(burns=tuple(evidence)) if marks is None else marks
    layout = LayoutOptions(offcut_mm=offcut_mm, round=round, seed=seed, marks=known)
    if clamp_mm is not None:
        layout = replace(layout, clamp_mm=clamp_mm)
    options = PlanOptions(
        burns=burns, passes=tuple(passes), layout=layout, settings=tuple(settings), **wish
    )
    return plan_board(region, options)


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
    options = PlanOptions(
        burns=len(start.confirm),
        reliability=reliability,
        mark=mark,
        settings=start.confirm,
        layout=LayoutOptions(offcut_mm=offcut_mm, seed=seed, marks=marks or KnownMarks()),
    )
    return replace(start, board=plan_board(other, options))
