"""An invented workshop's records for the tests of the logbook."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from calib.records import Advice, Burn, Cell, Grid, Machine, Setting, Sheet

EVENING = datetime(2026, 3, 1, 18, 5, tzinfo=UTC)

BENCH = Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    power_curve=((10.0, 5.0), (50.0, 28.0)),
)
BIRCH = Sheet(name="birch 3", material="Birch plywood", thickness_mm=3.0, lot="L1")
SETTING = Setting(power_pct=60.0, speed_mm_s=12.0)
ADVICE = Advice(operation="cut", setting=SETTING, aim="fastest", reliability=0.99, chance=0.993)
JOB = (
    Burn(operation="cut", power_pct=60.0, speed_mm_s=12.0, through="through", count=38,
         source="job", session="job 1", cut_length_mm=240.0),
    Burn(operation="cut", power_pct=60.0, speed_mm_s=12.0, through="hanging", count=2,
         source="job", session="job 1", cut_length_mm=240.0),
)  # fmt: skip


def later(minutes: float) -> datetime:
    """Give a time some minutes into the evening."""
    return EVENING + timedelta(minutes=minutes)


def some_cells(count: int) -> tuple[Cell, ...]:
    """Make cells A1, A2 … Z9, row by row, burnt from the last to the first."""
    return tuple(
        Cell(
            label=f"{chr(65 + index // 9)}{index % 9 + 1}",
            power_pct=40.0 + index / 3.0,
            speed_mm_s=12.5 + index / 7.0,
            x_mm=5.0 + 20.0 * (index % 9),
            y_mm=5.0 + 20.0 * (index // 9),
            width_mm=16.0,
            height_mm=16.0,
            burn_order=count - index,
            block=1 + index % 2,
        )
        for index in range(count)
    )


def some_grid(
    board_id: str = "AB12",
    *,
    machine: Machine = BENCH,
    sheet: Sheet = BIRCH,
    cells: Sequence[Cell] = some_cells(6),
) -> Grid:
    """Make a planned board."""
    return Grid(
        board_id=board_id,
        machine=machine,
        sheet=sheet,
        operation="cut",
        board_mm=(200.0, 100.0),
        cells=tuple(cells),
        label_setting=Setting(power_pct=12.0, speed_mm_s=300.0),
        notes=("speeds were rounded to 0.1 mm/s", "„Birke“, 3 mm"),
    )
