"""Layout: nothing outside, nothing too close, gentle first, the same board from the same plan."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from boards import BIRCH, CO2, OPERATIONS, setting_lists, some_settings
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import given, settings
from hypothesis import strategies as st
from layout_checks import assert_gentle_first, assert_sound, energy

from calib.boards.layout import LayoutOptions, lay_out
from calib.errors import BoardDoesNotFit, InvalidRecord, MachineLimit
from calib.physics import run_up_mm
from calib.records import Setting


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_board_is_sound_or_refused_with_a_number_that_holds(data: st.DataObject):
    machine, sheet = data.draw(any_machine()), data.draw(any_sheet())
    operation = data.draw(st.sampled_from(OPERATIONS))
    burns = data.draw(setting_lists(machine, operation))
    size = data.draw(st.none() | st.tuples(st.floats(10, 700), st.floats(10, 700)))
    clamp = data.draw(st.floats(0, 30))
    options = LayoutOptions(offcut_mm=size, clamp_mm=clamp, seed=data.draw(st.integers(0, 99)))
    refusal: BoardDoesNotFit | MachineLimit
    try:
        grid = lay_out(machine, sheet, operation, burns, options=options)
    except (BoardDoesNotFit, MachineLimit) as caught:
        refusal = caught
    else:
        assert_sound(grid, clamp)
        assert_gentle_first(grid)
        limit = machine.bed_mm if size is None else tuple(map(min, size, machine.bed_mm))
        assert all(side <= most for side, most in zip(grid.board_mm, limit, strict=True))
        return
    if isinstance(refusal, MachineLimit):
        assert "run-up" in str(refusal)
        assert operation != "cut"
        return
    fits = refusal.cells_that_fit
    assert fits < len(burns)
    # As many as it said would fit do, and one more doesn't; marks may get smaller cells then.
    if operation == "cut":
        if fits:
            assert len(lay_out(machine, sheet, "cut", burns[:fits], options=options).cells) == fits
        with pytest.raises(BoardDoesNotFit, match=f"{fits + 1} cells of"):
            lay_out(machine, sheet, "cut", burns[: fits + 1], options=options)


def test_consecutive_burns_share_no_edge():
    for count in (4, 5, 6, 8, 12, 18, 25, 40):
        for seed in (0, 1, 2):
            options = LayoutOptions(seed=seed)
            grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", count), options=options)
            cells = sorted(grid.cells, key=lambda cell: cell.burn_order)
            for one, other in zip(cells, cells[1:], strict=False):
                steps = abs(one.x_mm - other.x_mm) / 19.0 + abs(one.y_mm - other.y_mm) / 23.0
                assert steps > 1.5, (count, seed, one.label, other.label)
            assert not any("beside the one before" in note for note in grid.notes)


def test_where_geometry_leaves_no_choice_it_is_said():
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 2))
    assert any("one burn lies beside the one before" in note for note in grid.notes)


def test_the_place_does_not_follow_the_energy_or_the_time():
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 40))
    for key in (lambda c: c.burn_order, lambda c: energy(grid, c)):
        for side in (lambda c: c.x_mm, lambda c: c.y_mm):
            values = [(key(c), side(c)) for c in grid.cells]
            mean = [sum(v[i] for v in values) / len(values) for i in (0, 1)]
            spread = [math.sqrt(sum((v[i] - mean[i]) ** 2 for v in values)) for i in (0, 1)]
            together = sum((v[0] - mean[0]) * (v[1] - mean[1]) for v in values)
            assert abs(together / spread[0] / spread[1]) < 0.25


@pytest.mark.parametrize(("count", "blocks"), [(11, 1), (12, 2), (23, 2), (24, 3), (40, 3)])
def test_larger_boards_burn_in_blocks_with_the_middle_setting_first_halfway_and_last(count, blocks):
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", count))
    cells = sorted(grid.cells, key=lambda cell: cell.burn_order)
    assert {cell.block for cell in cells} == set(range(1, blocks + 1))
    if blocks == 1:
        assert [energy(grid, c) for c in cells] == sorted(energy(grid, c) for c in cells)
        return
    middle = some_settings(CO2, "cut", count)[-1]
    orders = [cell.burn_order for cell in cells if cell.setting == middle]
    assert orders[0] == 1
    assert orders[-1] == count
    assert count / 3 < orders[1] < 2 * count / 3 + 1
    for block in range(1, blocks + 1):
        part = [energy(grid, c) for c in cells if c.block == block and c.setting != middle]
        assert part == sorted(part)
        # Each block runs over nearly the whole ladder.
        every = sorted(energy(grid, c) for c in cells)
        assert part[0] <= every[4]
        assert part[-1] >= every[-5]


@pytest.mark.parametrize("count", [8, 11])
def test_from_eight_cells_a_setting_that_is_there_twice_is_burnt_first_and_in_its_turn(count):
    different = some_settings(CO2, "cut", count - 1)
    grid = lay_out(CO2, BIRCH, "cut", [*different, different[3]])
    cells = sorted(grid.cells, key=lambda cell: cell.burn_order)
    assert cells[0].setting == different[3]
    assert [energy(grid, c) for c in cells[1:]] == sorted(energy(grid, c) for c in cells[1:])
    assert different[3] in [cell.setting for cell in cells[1:]]
    assert any("One setting is burnt first and again" in note for note in grid.notes)
    small = lay_out(CO2, BIRCH, "cut", [*different[:6], different[3]])
    assert any("looks like more energy" in note for note in small.notes)
    order = sorted(small.cells, key=lambda cell: cell.burn_order)
    assert [energy(small, c) for c in order] == sorted(energy(small, c) for c in order)


def test_a_mark_whose_run_up_does_not_fit_is_refused_with_the_speed_that_would():
    burn = Setting(power_pct=20.0, speed_mm_s=400.0)
    options = LayoutOptions(offcut_mm=(80.0, 60.0))
    with pytest.raises(
        MachineLimit, match="at 400 mm/s needs 94 mm .* Stay at or below 353.5 mm/s"
    ):
        lay_out(CO2, BIRCH, "line_mark", [burn], options=options)
    fits = dataclasses.replace(burn, speed_mm_s=353.5)
    grid = lay_out(CO2, BIRCH, "line_mark", [fits], options=options)
    assert 2 * run_up_mm(353.5, 3000.0) + 20.0 + 10.0 <= 80.0
    assert_sound(grid)
    over = dataclasses.replace(burn, speed_mm_s=353.6)
    with pytest.raises(MachineLimit, match=r"at 353.6 mm/s needs"):
        lay_out(CO2, BIRCH, "line_mark", [over], options=options)


def test_bad_input_is_refused_by_name():
    burns = some_settings(CO2, "cut", 2)
    with pytest.raises(InvalidRecord, match=r"No setting is given"):
        lay_out(CO2, BIRCH, "cut", [])
    with pytest.raises(InvalidRecord, match="line_pitch_mm is None"):
        lay_out(CO2, BIRCH, "area_mark", burns)
    with pytest.raises(InvalidRecord, match="operation is 'drill'"):
        lay_out(CO2, BIRCH, "drill", burns)  # type: ignore[arg-type]
    with pytest.raises(InvalidRecord, match=r"reach is \(0.0,\)"):
        lay_out(CO2, BIRCH, "cut", burns, reach=[0.0])
    with pytest.raises(InvalidRecord, match=r"reach is \(0.0, nan\)"):
        lay_out(CO2, BIRCH, "cut", burns, reach=[0.0, math.nan])
    with pytest.raises(InvalidRecord, match=r"offcut_mm is \(0.0, 5.0\)"):
        LayoutOptions(offcut_mm=(0.0, 5.0))
    with pytest.raises(InvalidRecord, match="clamp_mm is -1"):
        LayoutOptions(clamp_mm=-1)


@pytest.mark.parametrize(
    ("changes", "operation", "words"),
    [
        ({"slat_gap_mm": 20.0}, "cut", "16 mm fall through the bed's openings of 20 mm"),
        ({"slat_gap_mm": 10.0}, "cut", "may tip between bars 10 mm apart"),
        ({"slat_gap_mm": None}, "cut", "isn't known: coupons of 16 mm .* up to 8 mm"),
        ({"acceleration_mm_s2": None}, "cut", "acceleration isn't known: .* 1500 mm/s²"),
        ({"acceleration_mm_s2": None}, "line_mark", "isn't known: dark run-ups.* 1500 mm/s²"),
        ({"acceleration_mm_s2": 300.0}, "cut", "Above 30 mm/s the head slows down"),
    ],
)
def test_what_the_user_must_know_is_noted(changes, operation, words):
    machine = dataclasses.replace(CO2, **changes)
    notes = lay_out(machine, BIRCH, operation, some_settings(machine, operation, 6)).notes
    assert any(re.search(words, note) for note in notes), notes
