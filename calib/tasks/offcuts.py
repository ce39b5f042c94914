"""One round of burns on several offcuts, planned from records alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from calib.boards.gentle import KnownMarks
from calib.boards.layout import LayoutOptions
from calib.errors import InvalidRecord
from calib.fit.fitting import region_from
from calib.fit.priors import PriorSource
from calib.records import Burn, Grid, Machine, Operation, Setting, Sheet
from calib.tasks.library import priors_of
from calib.tasks.planning import PlanOptions, plan_split

__all__ = ["plan_grids"]


def plan_grids(
    machine: Machine,
    sheet: Sheet,
    operation: Operation = "cut",
    burns: int = 8,
    evidence: Sequence[Burn] = (),
    pool: PriorSource | None = None,
    seed: int = 0,
    *,
    offcuts_mm: Sequence[tuple[float, float]],
    passes: Sequence[int] = (1,),
    round: int = 1,
    clamp_mm: float | None = None,
    settings: Sequence[Setting] = (),
    **wish: Any,
) -> tuple[Grid, ...]:
    """Plan one round of burns on several offcuts.

    Raises InvalidRecord when there is no offcut; RefusedMaterial, DeclarationNeeded,
    BoardDoesNotFit as for ``plan_grid``.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> [len(g.cells) for g in plan_grids(m, s, burns=6, offcuts_mm=[(70.0, 50.0)])]
    [3, 3]
    """
    if not offcuts_mm:
        raise InvalidRecord(f"offcuts_mm is {offcuts_mm!r}: give at least one width and height.")
    priors = priors_of(machine, sheet, operation, pool)
    if wish.get("char_at_most") is None:
        priors = replace(priors, char=None)  # not asked for: half of the fit's time is saved
    layout = LayoutOptions(
        offcut_mm=offcuts_mm[0],
        more_offcuts_mm=tuple(offcuts_mm[1:]),
        round=round,
        seed=seed,
        marks=KnownMarks(burns=tuple(evidence)),
    )
    if clamp_mm is not None:
        layout = replace(layout, clamp_mm=clamp_mm)
    options = PlanOptions(
        burns=burns, passes=tuple(passes), layout=layout, settings=tuple(settings), **wish
    )
    return plan_split(region_from(machine, sheet, operation, evidence, priors), options)
