"""Layout: nothing outside, nothing too close, gentle first, the same board from the same plan."""

from __future__ import annotations

import dataclasses
import math
import random
import re
from itertools import combinations

import pytest
from boards import (
    BIRCH,
    CO2,
    MACHINES,
    MDF,
    OPERATIONS,
    SHEETS,
    TUBE_40,
    setting_lists,
    some_settings,
)
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calib.errors import BoardDoesNotFit, InvalidRecord, MachineLimit
from calib.grid.layout import LayoutOptions, board_id_of, lay_out, short_code, split_over_offcuts
from calib.grid.strokes import strokes_of
from calib.materials import expected_response
from calib.physics import delivered_power_w, run_up_mm
from calib.records import Grid, Machine, Setting, Sheet


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
    for stroke in strokes_of(grid):
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
    for block in blocks:
        rest = [energy(grid, c) for c in cells if c.block == block and c.setting != marker]
        assert rest == sorted(rest)


@pytest.mark.parametrize("count", [1, 2, 6, 12, 18, 40])
@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)
def test_boards_of_every_machine_and_operation_are_sound(machine, operation, count):
    for sheet in SHEETS:
        burns = some_settings(machine, operation, count)
        grid = lay_out(machine, sheet, operation, burns)
        assert_sound(grid)
        assert_gentle_first(grid)
        assert grid.board_mm[0] <= machine.bed_mm[0]
        assert grid.board_mm[1] <= machine.bed_mm[1]
        assert sorted(map(str, burns)) == sorted(str(cell.setting) for cell in grid.cells)
        if sheet is BIRCH:
            assert grid == lay_out(machine, sheet, operation, burns)


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


@pytest.mark.parametrize("operation", OPERATIONS)
def test_the_order_of_the_settings_does_not_matter(operation):
    burns = some_settings(CO2, operation, 18)
    shuffled = list(burns)
    random.Random(3).shuffle(shuffled)
    assert lay_out(CO2, BIRCH, operation, shuffled) == lay_out(CO2, BIRCH, operation, burns)


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


def test_repeats_of_a_setting_go_to_different_blocks():
    burns = some_settings(CO2, "cut", 22)
    grid = lay_out(CO2, BIRCH, "cut", burns[:20] + burns[2:4])
    for setting in burns[2:4]:
        assert {c.block for c in grid.cells if c.setting == setting} == {1, 2}


def test_codes_climb_with_the_expected_reach():
    burns = some_settings(CO2, "cut", 6)
    reach = [0.4, -0.6, 0.02, 0.0, -0.2, 0.41]
    grid = lay_out(CO2, BIRCH, "cut", burns, reach=reach)
    ladder = [burns[place] for place in sorted(range(6), key=reach.__getitem__)]
    assert [cell.setting for cell in grid.cells] == ladder
    assert [cell.label for cell in grid.cells] == ["A1", "B1", "C1", "C2", "D1", "D2"]


def test_a_cut_cell_is_the_standard_coupon_and_a_mark_gets_longer_with_the_speed():
    cut = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 6)).cells[0]
    assert (cut.width_mm, cut.height_mm) == (16.0, 16.0)
    slow = lay_out(CO2, BIRCH, "line_mark", [Setting(power_pct=20.0, speed_mm_s=50.0)])
    fast = dataclasses.replace(CO2, max_speed_mm_s=800.0, acceleration_mm_s2=9000.0)
    quick = lay_out(fast, BIRCH, "line_mark", [Setting(power_pct=20.0, speed_mm_s=800.0)])
    assert slow.cells[0].width_mm == 22.0
    assert quick.cells[0].width_mm == 42.0  # 800 mm/s x 50 ms, and 1 mm on both sides


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


def test_too_many_cells_say_how_many_would_fit():
    options = LayoutOptions(offcut_mm=(100.0, 80.0))
    burns = some_settings(CO2, "cut", 11)
    with pytest.raises(BoardDoesNotFit, match="11 cells .* 100 x 80 mm: 8 would") as refusal:
        lay_out(CO2, BIRCH, "cut", burns, options=options)
    assert refusal.value.cells_that_fit == 8
    assert len(lay_out(CO2, BIRCH, "cut", burns[:8], options=options).cells) == 8
    with pytest.raises(BoardDoesNotFit, match="1 cells .* 20 x 20 mm: 0 would. .* clamp margin"):
        lay_out(CO2, BIRCH, "cut", burns[:1], options=LayoutOptions(offcut_mm=(20.0, 20.0)))


def test_more_cells_than_codes_are_refused():
    with pytest.raises(BoardDoesNotFit, match="217 cells .* at most 216"):
        lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 217))


def test_the_largest_board_has_216_different_codes():
    machine = dataclasses.replace(CO2, bed_mm=(1000.0, 1000.0))
    burns = [Setting(power_pct=50.0, speed_mm_s=10.0)] * 216
    grid = lay_out(machine, BIRCH, "cut", burns)
    assert grid.cells[-1].label == "Z9"
    assert_sound(grid)


@pytest.mark.parametrize(
    ("offcut", "more"), [((100.0, 80.0), ()), ((100.0, 80.0), ((150.0, 90.0),))]
)
def test_cells_are_split_over_several_offcuts(offcut, more):
    burns = some_settings(CO2, "cut", 20)
    options = LayoutOptions(offcut_mm=offcut, more_offcuts_mm=more)
    grids = split_over_offcuts(CO2, BIRCH, "cut", burns, options=options)
    assert [grid.board_mm for grid in grids] == ([offcut] * 3 if not more else [offcut, *more])
    cells = [cell for grid in grids for cell in grid.cells]
    assert sorted(str(c.setting) for c in cells) == sorted(map(str, burns))
    assert len({c.label for c in cells}) == 20
    assert len({grid.board_id for grid in grids}) == len(grids)
    everything = sorted(energy(grids[0], c) for c in cells)
    for grid in grids:
        assert_sound(grid)
        own = sorted(energy(grid, c) for c in grid.cells)
        assert own[0] <= everything[4]
        assert own[-1] >= everything[-5]


def test_one_board_is_enough_when_it_fits():
    grids = split_over_offcuts(CO2, BIRCH, "cut", some_settings(CO2, "cut", 8))
    assert len(grids) == 1


def test_offcuts_that_are_too_few_say_how_many_cells_they_hold():
    options = LayoutOptions(offcut_mm=(100.0, 80.0), more_offcuts_mm=((60.0, 45.0),))
    with pytest.raises(BoardDoesNotFit, match="20 cells don't fit the 2 boards at hand: 10 would"):
        split_over_offcuts(CO2, BIRCH, "cut", some_settings(CO2, "cut", 20), options=options)


def test_an_offcut_larger_than_the_bed_is_used_as_far_as_the_head_reaches():
    options = LayoutOptions(offcut_mm=(800.0, 300.0))
    grid = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 6), options=options)
    assert grid.board_mm == (600.0, 300.0)
    assert any("larger than the head reaches" in note for note in grid.notes)


def test_an_offset_takes_its_part_of_the_bed():
    machine = dataclasses.replace(TUBE_40, offset_mm=(200.0, 50.0))
    grid = lay_out(machine, BIRCH, "cut", some_settings(machine, "cut", 6))
    assert grid.board_mm[0] <= 100.0
    with pytest.raises(BoardDoesNotFit, match="40 cells .* don't fit 100 x 150 mm"):
        lay_out(machine, BIRCH, "cut", some_settings(machine, "cut", 40))


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        (Setting(power_pct=81.0, speed_mm_s=10.0), "power 81 % is outside .* 10 to 80 %"),
        (Setting(power_pct=9.0, speed_mm_s=10.0), "power 9 % is outside"),
        (Setting(power_pct=50.0, speed_mm_s=401.0), "speed 401 mm/s is above .* 400 mm/s"),
    ],
)
def test_settings_outside_the_machine_are_refused(setting: Setting, message: str):
    with pytest.raises(MachineLimit, match=message):
        lay_out(CO2, BIRCH, "cut", [setting])


def test_bad_input_is_refused_by_name():
    burns = some_settings(CO2, "cut", 2)
    with pytest.raises(InvalidRecord, match=r"settings is \(\)"):
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


def test_the_gap_follows_the_thicker_of_nominal_and_measured():
    grid = lay_out(CO2, MDF, "cut", some_settings(CO2, "cut", 6))
    xs = sorted({cell.x_mm for cell in grid.cells})
    assert xs[1] - xs[0] == pytest.approx(16.0 + 6.2)


@pytest.mark.parametrize(
    ("changes", "operation", "words"),
    [
        ({"slat_gap_mm": 20.0}, "cut", "16 mm fall through the bed's openings of 20 mm"),
        ({"slat_gap_mm": 10.0}, "cut", "may tip between bars 10 mm apart"),
        ({"slat_gap_mm": None}, "cut", "isn't known: coupons of 16 mm .* up to 8 mm"),
        ({"acceleration_mm_s2": None}, "cut", "acceleration isn't known: the coupon's corners"),
        ({"acceleration_mm_s2": None}, "line_mark", "isn't known: marks have no dark run-up"),
        ({"acceleration_mm_s2": 300.0}, "cut", "Above 30 mm/s the head slows down"),
    ],
)
def test_what_the_user_must_know_is_noted(changes, operation, words):
    machine = dataclasses.replace(CO2, **changes)
    notes = lay_out(machine, BIRCH, operation, some_settings(machine, operation, 6)).notes
    assert any(re.search(words, note) for note in notes), notes


def test_a_fine_bed_and_a_known_acceleration_need_no_note():
    assert lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 6)).notes == ()


def test_a_name_that_changes_on_the_board_is_noted():
    sheet = dataclasses.replace(BIRCH, name="Größe " * 12)
    notes = lay_out(CO2, sheet, "cut", some_settings(CO2, "cut", 6)).notes
    assert any("plain letters or shortened" in note for note in notes)


def test_codes_that_may_cut_a_thin_sheet_are_noted():
    card = Sheet(name="card", material="card", thickness_mm=0.3)
    notes = lay_out(CO2, card, "cut", some_settings(CO2, "cut", 6)).notes
    assert any("may cut so thin a sheet" in note for note in notes)


def test_codes_are_gentler_than_a_clear_mark_and_never_a_cells_setting():
    for machine in MACHINES:
        grid = lay_out(machine, BIRCH, "cut", some_settings(machine, "cut", 6))
        codes = grid.label_setting
        watts = float(delivered_power_w(machine, codes.power_pct))
        clear = expected_response(BIRCH.material, machine.source).line_mark_j_mm
        assert watts / codes.speed_mm_s < clear
        twin = lay_out(machine, BIRCH, "line_mark", [codes, codes])
        assert twin.label_setting not in {cell.setting for cell in twin.cells}


def test_the_boards_code_is_short_and_changes_with_the_plan_only():
    burns = some_settings(CO2, "cut", 6)
    grid = lay_out(CO2, BIRCH, "cut", burns)
    assert len(grid.board_id) == 6
    assert set(grid.board_id) <= set("23456789ABCDEFGHJKLMNPQRSTUVWXYZ")
    assert board_id_of(grid) == grid.board_id
    assert board_id_of(dataclasses.replace(grid, notes=("x",), board_id="Q")) == grid.board_id
    whole = dataclasses.replace(CO2, rated_w=60, power_word_full=1000)
    assert lay_out(whole, BIRCH, "cut", burns).board_id == grid.board_id
    others = (
        lay_out(CO2, MDF, "cut", burns),
        lay_out(CO2, BIRCH, "line_mark", burns),
        lay_out(CO2, BIRCH, "cut", burns, options=LayoutOptions(round=2)),
        lay_out(CO2, BIRCH, "cut", burns[:5]),
        lay_out(dataclasses.replace(CO2, rated_w=61.0), BIRCH, "cut", burns),
    )
    assert len({grid.board_id, *(other.board_id for other in others)}) == 6


@settings(max_examples=15, deadline=None)
@given(any_machine(), st.integers(1, 40))
def test_the_seed_moves_places_but_not_codes(machine: Machine, count: int):
    burns = some_settings(machine, "cut", count)
    assume(all(s.power_pct >= machine.beam_starts_pct for s in burns))
    try:
        one, other = (
            lay_out(machine, BIRCH, "cut", burns, options=LayoutOptions(seed=seed))
            for seed in (0, 1)
        )
    except BoardDoesNotFit:
        return
    assert [(c.label, c.setting) for c in one.cells] == [(c.label, c.setting) for c in other.cells]
    places = [{(c.x_mm, c.y_mm) for c in grid.cells} for grid in (one, other)]
    assert places[0] == places[1]


def test_no_code_is_a_number_or_a_date_to_a_spreadsheet():
    """Codes such as 3344E3 would come back from a spreadsheet as 3,34E+06."""
    # Their plain codes would be 335476, 9E5943, 3E8326, 3344E3 and 94E472.
    codes = [short_code(number) for number in (4252, 4573, 25876, 38147, 40930)]
    assert codes == ["KXERP9", "RDS42M", "8VQWA8", "6GA5UX", "3CF7G8"]
    codes = [short_code(number) for number in range(10_000)]
    assert len(set(codes)) == len(codes)
    assert [code for code in codes if re.fullmatch(r"[0-9]+(E[0-9]+)?", code)] == []
