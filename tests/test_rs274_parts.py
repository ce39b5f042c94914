"""Parts of a program: resumed from a cell, and one for each setting."""

from __future__ import annotations

from boards import CO2, make
from program_checks import assert_sound, cell_at, lit, to_board
from rs274_checker import check

from calib.boards.layers import layers_of
from calib.boards.rs274 import grid_program, grid_program_per_setting


def test_a_stopped_board_resumes_without_codes_and_without_what_is_done():
    grid = make("cut", 12)
    whole = check(grid_program(grid))
    cell = next(cell for cell in grid.cells if cell.burn_order == 7)
    text = grid_program(grid, from_cell=cell.label)
    rest = assert_sound(grid, text)
    assert "from cell " + cell.label in text
    assert [m.end for m in lit(rest)] == [m.end for m in lit(whole)][-len(lit(rest)) :]
    burnt = {cell_at(grid, to_board(CO2, grid, move.start)).label for move in lit(rest)}
    assert burnt == {c.label for c in grid.cells if c.burn_order >= 7}
    first = min(grid.cells, key=lambda c: c.burn_order)
    everything = check(grid_program(grid, from_cell=first.label))
    assert sum(1 for _ in lit(everything)) < sum(1 for _ in lit(whole))


def test_programs_per_setting_burn_together_what_the_whole_one_burns():
    grid = make("cut", 12)
    parts = grid_program_per_setting(grid)
    assert list(parts) == [layer.key for layer in layers_of(grid)]
    moves = [lit(assert_sound(grid, text)) for text in parts.values()]
    for part in moves:
        assert len({(move.power, move.feed) for move in part}) == 1
    burnt = sorted((m.start, m.end, m.power, m.feed) for part in moves for m in part)
    whole = lit(check(grid_program(grid)))
    assert burnt == sorted((m.start, m.end, m.power, m.feed) for m in whole)
