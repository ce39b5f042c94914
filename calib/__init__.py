"""Find a laser's cut and mark settings for a sheet with few burns and a stated chance.

The public names load when they are first used, so that a command that needs none of the heavy
libraries starts fast.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.lazily import load_on_use

if TYPE_CHECKING:
    from calib.errors import *  # noqa: F403
    from calib.records import *  # noqa: F403

_HOMES = {
    "calib.records": (
        "Machine", "Sheet", "Burn", "Setting", "Cell", "Grid", "Reading", "Advice",
        "COUPON_CUT_MM", "Costs",
    ),
    "calib.tasks.library": (
        "plan_grid", "plan_grids", "fit_region", "recommend", "starting_point",
    ),
    "calib.fit.pool": ("Pool", "pool_records"),
    "calib.advice.transfer": ("StartingPoint", "transfer_region"),
    "calib.fit.region": ("Region",),
    "calib.advice.recommendation": ("Recommendation",),
    "calib.boards.dxf": ("grid_dxf",),
    "calib.boards.svg": ("grid_svg", "grid_svg_per_setting"),
    "calib.boards.rs274": ("grid_program", "grid_program_per_setting", "outline_program"),
    "calib.boards.record_sheet": ("grid_record_sheet",),
    "calib.errors": (
        "CalibError", "InvalidRecord", "InvalidQuantity", "RefusedMaterial", "DeclarationNeeded",
        "BoardDoesNotFit", "MachineLimit", "BadFile", "NotEnoughEvidence", "NeedsYes",
        "NoFiniteEstimate", "LogbookError",
    ),
}  # fmt: skip
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}
__all__ = sorted(_HOME_OF)
__getattr__ = load_on_use(__name__, _HOME_OF)
