"""From what is known to a board: which settings to burn, and their place on the sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from calib.advice.chances import Wish
from calib.boards.layout import LayoutOptions, lay_out, limit_mm, split_over_offcuts
from calib.boards.places import fastest_that_fits_mm_s
from calib.errors import BoardDoesNotFit, unfit
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.limits import beyond_limits, beyond_note, check_limits
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.plan.far_side import far_side
from calib.plan.next_burns import MOST_PASSES, next_cuts
from calib.plan.next_marks import next_marks
from calib.records import USUAL_RELIABILITY, Grid, Setting

# Boards of so many cells and more hold a middle setting three times: first, middle and last.
_BLOCKS_FROM = 12
_MIDDLES = 3
MOST_BURNS = 400
# No laser's beam is that narrow; finer lines only make files without end [mm].
_LEAST_PITCH_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """What a board is planned for."""

    burns: int = 8  # How many cells
    passes: tuple[int, ...] = (1,)  # Numbers of passes to try
    # reliability, char_at_most, mark: What will be asked of the setting: the burns are chosen to
    # settle that
    reliability: float = USUAL_RELIABILITY
    char_at_most: int | None = None
    mark: int = 2
    # Line pitch of an area mark [mm]; None: as burnt before, or the default
    line_pitch_mm: float | None = None
    # Exactly these settings instead of planned ones; empty to plan
    settings: tuple[Setting, ...] = ()
    # Slowest speed of the given settings that the maker answers for, beyond the usual limits
    # [mm/s]; None: none go beyond
    slowest_mm_s: float | None = None
    # Board at hand, margins, round and seed
    layout: LayoutOptions = field(default_factory=LayoutOptions)

    def __post_init__(self) -> None:
        if isinstance(self.burns, bool) or not 1 <= self.burns <= MOST_BURNS:
            raise unfit("burns", self.burns, f"give a whole number from 1 to {MOST_BURNS}")
        if not self.passes or any(
            isinstance(n, bool) or not isinstance(n, int) or not 1 <= n <= 50 for n in self.passes
        ):
            raise unfit("passes", self.passes, "give whole numbers from 1 to 50")
        # What is asked of the setting is checked as when it is asked for.
        Wish(reliability=self.reliability, char_at_most=self.char_at_most, mark=self.mark)
        slowest = self.slowest_mm_s
        if slowest is not None and not (isinstance(slowest, float | int) and 0 < slowest <= 20000):
            raise unfit("slowest_mm_s", slowest, "give a speed above 0 in mm/s")
        if slowest is not None and not self.settings:
            raise unfit(
                "slowest_mm_s",
                slowest,
                "only a full grid, of powers and speeds that you give, may go slower than usual;"
                " leave it out to have the burns chosen",
            )
        pitch = self.line_pitch_mm
        if pitch is not None and not (
            isinstance(pitch, float | int)
            and math.isfinite(pitch)
            and _LEAST_PITCH_MM <= pitch <= 20
        ):
            raise unfit("line_pitch_mm", pitch, f"give a number from {_LEAST_PITCH_MM:g} to 20")


def plan_board(region: Region, options: PlanOptions) -> Grid:
    """Plan a board for what a region doesn't know yet.

    Raises RefusedMaterial, DeclarationNeeded Before anything is planned; BoardDoesNotFit when not
    even one cell fits the board; MachineLimit when the machine has no setting to burn, or one is so
    slow or strong that it may set the sheet on fire.
    """
    hazard = check_hazard(region.sheet, region.machine, region.operation)
    grid = _as_many_as_fit(region, options, _laid_out)
    notes = [*hazard.advice, *_fewer_note(options, len(grid.cells))]
    return _with_notes(region, options, grid, notes)


def _with_notes(region: Region, options: PlanOptions, grid: Grid, notes: Sequence[str]) -> Grid:
    """Check the cells as they will be burnt; what must be known before burning comes first."""
    settings = [cell.setting for cell in grid.cells]
    kind = (region.machine, region.sheet, region.operation)
    fastest = math.inf
    if region.operation != "cut":
        fastest = _fastest_mark_mm_s(region, options.layout)
    check_limits(*kind, settings, slowest_mm_s=options.slowest_mm_s, fastest_mm_s=fastest)
    beyond = beyond_limits(*kind, settings, fastest_mm_s=fastest)
    first = [*far_side(region), *([beyond_note(beyond)] if beyond else [])]
    notes = (*first, *_passes_note(options, settings), *grid.notes, *notes)
    return replace(grid, notes=tuple(dict.fromkeys(notes)))


def _passes_note(options: PlanOptions, settings: Sequence[Setting]) -> list[str]:
    """Say it when more passes are planned than were asked for."""
    most = max(setting.passes for setting in settings)
    if options.settings or most <= max(options.passes):
        return []
    note = (
        f"Cut in {most} passes: fewer would have to be so slow that the sheet may catch fire. Look"
        " after each pass whether it smoulders."
    )
    if most == MOST_PASSES:
        note += " Even so many may not cut it: take a thinner sheet or a stronger machine."
    return [note]


def plan_split(region: Region, options: PlanOptions) -> tuple[Grid, ...]:
    """Plan the burns of one round on as many boards as they need.

    Raises RefusedMaterial, DeclarationNeeded Before anything is planned; BoardDoesNotFit when not
    even one cell fits the boards; MachineLimit when the machine has no setting to burn.
    """
    hazard = check_hazard(region.sheet, region.machine, region.operation)
    grids = _as_many_as_fit(region, options, _split)
    notes = [*hazard.advice, *_fewer_note(options, sum(len(grid.cells) for grid in grids))]
    if len(grids) > 1:
        names = ", ".join(grid.board_id for grid in grids)
        notes.append(f"One round on {len(grids)} boards: {names}. Burn them in one sitting.")
    return tuple(_with_notes(region, options, grid, notes) for grid in grids)


Laid = TypeVar("Laid")
_LayOut = Callable[[Region, list[Setting], PlanOptions], Laid]


def _as_many_as_fit(region: Region, options: PlanOptions, lay: _LayOut[Laid]) -> Laid:
    """Plan and lay out the burns that were asked for, or as many of them as there is room for.

    Settings change with their number, and with them the size of marks: how many would really fit
    is only known once they are planned.
    """
    try:
        return lay(region, list(options.settings) or chosen_settings(region, options), options)
    except BoardDoesNotFit as short:
        if options.settings or _hopeless(region, options.burns, short):
            raise
        count, laid = max(1, short.cells_that_fit), None
    while laid is None:
        laid, fits = _try(region, replace(options, burns=count), lay)
        count = count if laid is not None else min(count - 1, fits)
    while count + 1 < options.burns:
        more, _ = _try(region, replace(options, burns=count + 1), lay)
        if more is None:
            break
        laid, count = more, count + 1
    return laid


def _try(region: Region, options: PlanOptions, lay: _LayOut[Laid]) -> tuple[Laid | None, int]:
    """Lay so many burns out; None, and how many would fit, when there is no room for them."""
    try:
        return lay(region, chosen_settings(region, options), options), options.burns
    except BoardDoesNotFit as short:
        if _hopeless(region, options.burns, short):
            raise
        return None, max(1, short.cells_that_fit)


def _hopeless(region: Region, burns: int, short: BoardDoesNotFit) -> bool:
    """Whether not even fewer burns fit: of marks a slower one may, for its run-up is shorter."""
    return burns == 1 or (short.cells_that_fit < 1 and region.operation == "cut")


def _fewer_note(options: PlanOptions, planned: int) -> list[str]:
    if options.settings or planned == options.burns:
        return []
    return [
        f"{options.burns} burns were asked for; {planned} fit the board at hand. Take a larger"
        " piece for more, or have them split over several."
    ]


def _laid_out(region: Region, settings: list[Setting], options: PlanOptions) -> Grid:
    return lay_out(
        region.machine,
        region.sheet,
        region.operation,
        settings,
        options=options.layout,
        reach=strengths(region, settings),
    )


def _split(region: Region, settings: list[Setting], options: PlanOptions) -> tuple[Grid, ...]:
    return split_over_offcuts(
        region.machine,
        region.sheet,
        region.operation,
        settings,
        options=options.layout,
        reach=strengths(region, settings),
    )


def _fastest_mark_mm_s(region: Region, layout: LayoutOptions) -> float:
    """Fastest mark for which the boards at hand, the narrowest of them too, have room [mm/s]."""
    widths = [
        limit_mm(region.machine, size)[0] for size in (layout.offcut_mm, *layout.more_offcuts_mm)
    ]
    return min(
        fastest_that_fits_mm_s(region.machine, region.operation, layout.clamp_mm, width)
        for width in widths
    )


def chosen_settings(region: Region, options: PlanOptions) -> list[Setting]:
    """The settings of a board, a middle one repeated on boards of twelve cells and more."""
    extra = _MIDDLES - 1 if options.burns >= _BLOCKS_FROM else 0
    if region.operation == "cut":
        chosen = next_cuts(
            region,
            options.burns - extra,
            reliability=options.reliability,
            passes=options.passes,
            char_at_most=options.char_at_most,
        )
    else:
        chosen = next_marks(
            region,
            options.burns - extra,
            options.mark,
            options.line_pitch_mm,
            fastest_mm_s=_fastest_mark_mm_s(region, options.layout),
        )
    if extra:
        order = np.argsort(strengths(region, chosen), kind="stable")
        chosen += [chosen[int(order[len(order) // 2])]] * extra
    return chosen


def strengths(region: Region, settings: Sequence[Setting]) -> list[float]:
    """Expected reach of each setting [ln W]; for marks the ln of its energy × passes."""
    power = np.array([s.power_pct for s in settings])
    speed = np.array([s.speed_mm_s for s in settings])
    passes = np.array([float(s.passes) for s in settings])
    if region.operation == "cut":
        return [float(r) for r in np.atleast_1d(region.median_reach(power, speed, passes))]
    energy = line_energy_j_mm(delivered_power_w(region.machine, power), speed) * passes
    pitch = np.array([s.line_pitch_mm or 1.0 for s in settings])
    return [float(e) for e in np.log(energy / pitch)]
