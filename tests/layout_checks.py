"""What must hold of any board: nothing outside, nothing too close, gentle cells first."""

from __future__ import annotations

from itertools import combinations

from calib.boards.board import board_of
from calib.physics import delivered_power_w
from calib.records import Grid


def energy(grid: Grid, cell) -> float:
    watts = float(delivered_power_w(grid.machine, cell.power_pct))
    return round(watts / cell.speed_mm_s * cell.passes, 9)


def assert_sound(grid: Grid, clamp_mm: float = 5.0) -> None:
    """Everything that must hold of any board."""
    width, height = grid.board_mm
    least = max(3.0, grid.sheet.thickness_mm, grid.sheet.measured_mm or 0.0)
    for one, other in combinations(grid.cells, 2):
        aside = max(one.x_mm - other.x_mm - other.width_mm, other.x_mm - one.x_mm - one.width_mm)
        above = max(one.y_mm - other.y_mm - other.height_mm, other.y_mm - one.y_mm - one.height_mm)
        assert max(aside, above) >= least - 1e-6
    for stroke in board_of(grid).strokes:
        for x, y in stroke.path:
            assert clamp_mm - 2e-3 <= x <= width - clamp_mm + 2e-3
            assert clamp_mm - 2e-3 <= y <= height - clamp_mm + 2e-3
    labels = [cell.label for cell in grid.cells]
    assert len(set(labels)) == len(labels)
    assert all(len(label) == 2 and label[0].isalpha() and label[1].isdigit() for label in labels)
    assert labels == sorted(labels)
    assert sorted(cell.burn_order for cell in grid.cells) == list(range(1, len(labels) + 1))
    assert grid.label_setting not in {cell.setting for cell in grid.cells}
    assert grid.label_setting.power_pct <= grid.machine.ceiling_pct
    assert grid.label_setting.speed_mm_s <= grid.machine.max_speed_mm_s


def assert_gentle_first(grid: Grid) -> None:
    """Within a block energy rises, but for the repeated setting at the start, middle and end."""
    cells = sorted(grid.cells, key=lambda cell: cell.burn_order)
    assert [cell.block for cell in cells] == sorted(cell.block for cell in cells)
    blocks = {cell.block for cell in cells}
    assert len(blocks) <= 1 + (len(cells) >= 12) + (len(cells) >= 24)
    first, last = cells[0], cells[-1]
    marker = first.setting if len(blocks) > 1 and first.setting == last.setting else None
    if len(blocks) == 1 and len(cells) >= 8 and first.setting in [c.setting for c in cells[1:]]:
        cells = cells[1:]
    for block in blocks:
        rest = [energy(grid, c) for c in cells if c.block == block and c.setting != marker]
        assert rest == sorted(rest)
