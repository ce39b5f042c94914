"""From what is known to a board: which settings to burn, and their place on the sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calib.advise.next_burns import next_cuts
from calib.advise.next_marks import next_marks
from calib.errors import BoardDoesNotFit, InvalidRecord
from calib.fit.region import Region
from calib.grid.layout import LayoutOptions, lay_out
from calib.hazards import check_hazard
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.records import Grid, Setting

# Boards of so many cells and more hold a middle setting three times: first, middle and last.
_BLOCKS_FROM = 12
_MIDDLES = 3
MOST_BURNS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """What a board is planned for.

    Parameters
    ----------
    burns
        How many cells.
    passes
        Numbers of passes to try.
    reliability, char_at_most, mark
        What will be asked of the setting: the burns are chosen to settle that.
    line_pitch_mm
        Line pitch of an area mark [mm]; None: as burnt before, or the default.
    settings
        Exactly these settings instead of planned ones; empty to plan.
    layout
        Board at hand, margins, round and seed.
    """

    burns: int = 8
    passes: tuple[int, ...] = (1,)
    reliability: float = 0.99
    char_at_most: int | None = None
    mark: int = 2
    line_pitch_mm: float | None = None
    settings: tuple[Setting, ...] = ()
    layout: LayoutOptions = field(default_factory=LayoutOptions)

    def __post_init__(self) -> None:
        if isinstance(self.burns, bool) or not 1 <= self.burns <= MOST_BURNS:
            raise InvalidRecord(
                f"burns is {self.burns!r}: give a whole number from 1 to {MOST_BURNS}."
            )
        if not self.passes or any(
            isinstance(n, bool) or not isinstance(n, int) or not 1 <= n <= 50 for n in self.passes
        ):
            raise InvalidRecord(f"passes is {self.passes!r}: give whole numbers from 1 to 50.")
        if self.mark not in range(5):
            raise InvalidRecord(f"mark is {self.mark!r}: give a whole number from 0 to 4.")


def plan_board(region: Region, options: PlanOptions) -> Grid:
    """Plan a board for what a region doesn't know yet.

    Parameters
    ----------
    region
        What is known of the pair; its burns count as done.
    options
        How many burns, for what, on which board.

    Returns
    -------
    Grid
        Exactly ``burns`` cells; fewer, and a note that says so, only when the board at hand holds
        no more.

    Raises
    ------
    RefusedMaterial, DeclarationNeeded
        Before anything is planned.
    BoardDoesNotFit
        When not even one cell fits the board.
    MachineLimit
        When the machine has no setting to burn.
    """
    hazard = check_hazard(region.sheet, region.machine, region.operation)
    settings = list(options.settings) or chosen_settings(region, options)
    notes = list(hazard.advice)
    try:
        grid = _laid_out(region, settings, options)
    except BoardDoesNotFit as short:
        if short.cells_that_fit < 1 or options.settings:
            raise
        fewer = replace(options, burns=short.cells_that_fit)
        grid = _laid_out(region, chosen_settings(region, fewer), fewer)
        notes.append(
            f"{options.burns} burns were asked for; {short.cells_that_fit} fit the board at hand."
        )
    return replace(grid, notes=tuple(dict.fromkeys((*grid.notes, *notes))))


def _laid_out(region: Region, settings: list[Setting], options: PlanOptions) -> Grid:
    return lay_out(
        region.machine,
        region.sheet,
        region.operation,
        settings,
        options=options.layout,
        reach=strengths(region, settings),
    )


def chosen_settings(region: Region, options: PlanOptions) -> list[Setting]:
    """The settings of a board, a middle one repeated on boards of twelve cells and more.

    Parameters
    ----------
    region
        What is known of the pair.
    options
        How many burns, and for what.

    Returns
    -------
    list of Setting
        ``options.burns`` of them.
    """
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
        chosen = next_marks(region, options.burns - extra, options.mark, options.line_pitch_mm)
    if extra:
        order = np.argsort(strengths(region, chosen), kind="stable")
        chosen += [chosen[int(order[len(order) // 2])]] * extra
    return chosen


def strengths(region: Region, settings: Sequence[Setting]) -> list[float]:
    """Expected reach of each setting [ln W]; for marks the ln of its energy × passes.

    Parameters
    ----------
    region
        What is known of the pair.
    settings
        Any settings.

    Returns
    -------
    list of float
        One per setting.
    """
    power = np.array([s.power_pct for s in settings])
    speed = np.array([s.speed_mm_s for s in settings])
    passes = np.array([float(s.passes) for s in settings])
    if region.operation == "cut":
        return [float(r) for r in np.atleast_1d(region.median_reach(power, speed, passes))]
    energy = line_energy_j_mm(delivered_power_w(region.machine, power), speed) * passes
    pitch = np.array([s.line_pitch_mm or 1.0 for s in settings])
    return [float(e) for e in np.log(energy / pitch)]
