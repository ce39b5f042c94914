"""Codes on a board: how they climb, how many there are, how they are marked, and its own."""

from __future__ import annotations

import dataclasses
import re

import pytest
from boards import BIRCH, CO2, MACHINES, MDF, OPERATIONS, TUBE_100, TWO_AIRS, make, some_settings
from layout_checks import assert_sound

from calib.errors import BoardDoesNotFit
from calib.grid.layout import LayoutOptions, board_id_of, lay_out, short_code
from calib.materials import expected_response
from calib.physics import delivered_power_w
from calib.records import Setting, Sheet


def test_codes_climb_with_the_expected_reach():
    burns = some_settings(CO2, "cut", 6)
    reach = [0.4, -0.6, 0.02, 0.0, -0.2, 0.41]
    grid = lay_out(CO2, BIRCH, "cut", burns, reach=reach)
    ladder = [burns[place] for place in sorted(range(6), key=reach.__getitem__)]
    assert [cell.setting for cell in grid.cells] == ladder
    assert [cell.label for cell in grid.cells] == ["A1", "B1", "C1", "C2", "D1", "D2"]


def test_more_cells_than_codes_are_refused():
    with pytest.raises(BoardDoesNotFit, match="217 cells .* at most 216"):
        lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 217))


def test_the_largest_board_has_216_different_codes():
    machine = dataclasses.replace(CO2, bed_mm=(1000.0, 1000.0))
    burns = [Setting(power_pct=50.0, speed_mm_s=10.0)] * 216
    grid = lay_out(machine, BIRCH, "cut", burns)
    assert grid.cells[-1].label == "Z9"
    assert_sound(grid)


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


def test_no_code_is_a_number_or_a_date_to_a_spreadsheet():
    """Codes such as 3344E3 would come back from a spreadsheet as 3,34E+06."""
    # Their plain codes would be 335476, 9E5943, 3E8326, 3344E3 and 94E472.
    codes = [short_code(number) for number in (4252, 4573, 25876, 38147, 40930)]
    assert codes == ["KXERP9", "RDS42M", "8VQWA8", "6GA5UX", "3CF7G8"]
    codes = [short_code(number) for number in range(10_000)]
    assert len(set(codes)) == len(codes)
    assert [code for code in codes if re.fullmatch(r"[0-9]+(E[0-9]+)?", code)] == []


def test_a_later_field_of_a_machine_leaves_the_codes_of_boards_as_they_were():
    """Codes as they were before machines had a word for low air or a wavelength."""
    codes = [make(operation, 6, CO2).board_id for operation in OPERATIONS]
    assert codes == ["6V78H5", "L56KXU", "4RF6EJ"]
    assert make("cut", 6, TWO_AIRS).board_id != make("cut", 6, TUBE_100).board_id
