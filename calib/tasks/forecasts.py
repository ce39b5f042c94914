"""What will come out of a board, said before it is burnt."""

from __future__ import annotations

import numpy as np

from calib.fit.region import Region
from calib.fit.thinning import thinned_region
from calib.records import Grid

# Char grades up to which the track record asks for a chance; 4 is certain.
_CHAR_FORECASTS = (0, 1, 2, 3)


def forecasts(region: Region, grid: Grid, mark: int = 2) -> dict[str, dict[str, float]]:
    """Forecast what will come out of every cell of a board, before it is burnt."""
    # Right to about 0.005: a forecast is compared with many outcomes, never acted upon.
    region = thinned_region(region)
    power = np.array([cell.power_pct for cell in grid.cells])
    speed = np.array([cell.speed_mm_s for cell in grid.cells])
    passes = np.array([float(cell.passes) for cell in grid.cells])
    events = {}
    if region.operation == "cut":
        events["through"] = region.chance_through(power, speed, passes)
        for grade in _CHAR_FORECASTS:
            chance = region.chance_char_at_most(grade, power, speed, passes)
            events[f"char_at_most_{grade}"] = chance
    else:
        pitch = _pitches(grid)
        events[f"mark_{mark}"] = region.chance_mark(mark, power, speed, passes, pitch)
        at_most = region.chance_mark_at_most(mark, power, speed, passes, pitch)
        events[f"mark_at_most_{mark}"] = at_most
    columns = {event: np.clip(chance, 0.0, 1.0) for event, chance in events.items()}
    return {
        cell.label: {event: float(column[n]) for event, column in columns.items()}
        for n, cell in enumerate(grid.cells)
    }


def _pitches(grid: Grid) -> np.ndarray | None:
    if grid.operation != "area_mark":
        return None
    return np.array([cell.line_pitch_mm for cell in grid.cells], dtype=float)
