"""Codes on a board: how they climb, how many there are, how they are marked, and its own."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from boards import BIRCH, CO2, MACHINES, MDF, some_settings

from calib.boards.gentle import KnownMarks
from calib.boards.layout import LayoutOptions, board_id_of, lay_out, short_code
from calib.errors import BoardDoesNotFit
from calib.materials import expected_response
from calib.physics import delivered_power_w
from calib.records import Burn, Setting, Sheet


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


def test_codes_that_may_cut_a_thin_sheet_are_noted():
    card = Sheet(name="card", material="card", thickness_mm=0.3)
    notes = lay_out(CO2, card, "cut", some_settings(CO2, "cut", 6)).notes
    assert any("may cut so thin a sheet" in note for note in notes)


def test_codes_are_as_clear_as_expected_at_a_speed_that_letters_reach_and_never_a_cells():
    for machine in MACHINES:
        grid = lay_out(machine, BIRCH, "cut", some_settings(machine, "cut", 6))
        codes = grid.label_setting
        # From rest to rest over 3 mm a head reaches √(a · 3 mm) at most.
        reached = math.sqrt(3.0 * (machine.acceleration_mm_s2 or 1500.0))
        assert codes.speed_mm_s <= reached
        energy = float(delivered_power_w(machine, codes.power_pct)) / codes.speed_mm_s
        clear = expected_response(BIRCH.material, machine.source).line_mark_j_mm
        weakest = float(delivered_power_w(machine, 1.1 * machine.beam_starts_pct + 1.0)) / reached
        assert 0.98 * clear < energy < max(1.02 * clear, 1.02 * weakest)
        twin = lay_out(machine, BIRCH, "line_mark", [codes, codes])
        assert twin.label_setting not in {cell.setting for cell in twin.cells}


def line(power_pct: float, speed_mm_s: float, mark: int) -> Burn:
    return Burn(operation="line_mark", power_pct=power_pct, speed_mm_s=speed_mm_s, mark=mark)


READ = (line(12.0, 183.0, 0), line(15.0, 150.0, 1), line(18.0, 120.0, 2), line(20.0, 110.0, 2),
        line(30.0, 100.0, 3), line(50.0, 60.0, 4))  # fmt: skip


def codes_with(marks: KnownMarks) -> tuple[float, float]:
    options = LayoutOptions(marks=marks)
    codes = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 6), options=options).label_setting
    return codes.power_pct, codes.speed_mm_s


def assert_codes_are(marks: KnownMarks, power_pct: float, speed_mm_s: float) -> None:
    """Codes have this setting's energy at a speed that the head reaches on a letter."""
    power, speed = codes_with(marks)
    reached = math.sqrt(3.0 * CO2.working_acceleration_mm_s2)
    assert speed <= min(speed_mm_s, reached)
    # No weaker than a tenth above where the beam starts.
    weakest = float(delivered_power_w(CO2, 1.1 * CO2.beam_starts_pct)) / reached
    wanted = max(float(delivered_power_w(CO2, power_pct)) / speed_mm_s, weakest)
    assert float(delivered_power_w(CO2, power)) / speed == pytest.approx(wanted, rel=0.02)


def test_codes_take_the_kept_mark_else_the_strongest_that_is_clear():
    kept = Setting(power_pct=16.0, speed_mm_s=140.0)
    assert_codes_are(KnownMarks(kept=kept, burns=READ), 16.0, 140.0)
    assert_codes_are(KnownMarks(burns=READ), 20.0, 110.0)
    assert_codes_are(KnownMarks(burns=READ[:2]), 15.0, 150.0)
    assert_codes_are(KnownMarks(burns=READ[4:]), 30.0, 100.0)


def test_codes_are_stronger_than_what_was_read_as_nothing():
    plain = codes_with(KnownMarks())
    nothing = line(20.0, 80.0, 0)
    # One setting read both ways isn't trusted.
    doubtful = (line(40.0, 100.0, 2), line(40.0, 100.0, 0))
    for burns in ((nothing,), (nothing, *doubtful)):
        power, speed = codes_with(KnownMarks(burns=burns))
        strongest = max(b.power_pct / b.speed_mm_s for b in burns if b.mark == 0)
        assert power / speed > 1.3 * strongest > plain[0] / plain[1]


def test_the_boards_code_is_short_and_changes_with_the_plan_only():
    burns = some_settings(CO2, "cut", 6)
    grid = lay_out(CO2, BIRCH, "cut", burns)
    assert len(grid.board_id) == 6
    assert set(grid.board_id) <= set("23456789ABCDEFGHJKLMNPQRSTUVWXYZ")
    assert board_id_of(grid) == grid.board_id
    assert board_id_of(dataclasses.replace(grid, notes=("x",), board_id="Q")) == grid.board_id
    others = (
        lay_out(CO2, MDF, "cut", burns),
        lay_out(CO2, BIRCH, "line_mark", burns),
        lay_out(CO2, BIRCH, "cut", burns, options=LayoutOptions(round=2)),
        lay_out(CO2, BIRCH, "cut", burns, options=LayoutOptions(seed=3)),
        lay_out(CO2, BIRCH, "cut", burns[:5]),
        lay_out(dataclasses.replace(CO2, name="garage"), BIRCH, "cut", burns),
    )
    assert len({grid.board_id, *(other.board_id for other in others)}) == 7


def test_a_code_is_made_of_names_and_of_what_is_burnt():
    """So what else a record says, today or after it learns a new field, leaves the code alone."""
    burns = some_settings(CO2, "cut", 6)
    code = lay_out(CO2, BIRCH, "cut", burns).board_id
    machine = dataclasses.replace(CO2, wavelength_nm=10600.0, power_word_full=255.0, rated_w=61.0)
    sheet = dataclasses.replace(BIRCH, lot="24-17", declaration="urea glue")
    assert board_id_of(lay_out(machine, sheet, "cut", burns)) == code


def test_no_code_is_a_number_or_a_date_to_a_spreadsheet():
    """Codes such as 3344E3 would come back from a spreadsheet as 3,34E+06."""
    # Their plain codes would be 335476, 9E5943, 3E8326, 3344E3 and 94E472.
    codes = [short_code(number) for number in (4252, 4573, 25876, 38147, 40930)]
    assert codes == ["KXERP9", "RDS42M", "8VQWA8", "6GA5UX", "3CF7G8"]
    codes = [short_code(number) for number in range(10_000)]
    assert len(set(codes)) == len(codes)
    assert [code for code in codes if re.fullmatch(r"[0-9]+(E[0-9]+)?", code)] == []
