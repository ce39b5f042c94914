"""Programs that would leave the bed, break a limit or burn what may not be burnt are refused."""

from __future__ import annotations

import dataclasses

import pytest
from boards import CO2, make

from calib.boards.rs274 import grid_program, grid_program_per_setting, outline_program
from calib.errors import MachineLimit, RefusedMaterial
from calib.records import Sheet


@pytest.mark.parametrize("write", [grid_program, grid_program_per_setting])
def test_without_the_full_power_word_there_is_no_program(write):
    machine = dataclasses.replace(CO2, power_word_full=None)
    with pytest.raises(MachineLimit, match="S word at full power of bench isn't known"):
        write(make(machine=machine))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"ceiling_pct": 60.0}, "power 70 % is outside what bench may be set to, 10 to 60 %"),
        ({"max_speed_mm_s": 20.0}, r"mm/min\) is above the top speed of bench, 20 mm/s"),
        ({"offset_mm": (580.0, 0.0)}, "outside the bed of bench"),
        ({"bed_mm": (600.0, 30.0)}, r"outside the bed of bench \(600 x 30 mm"),
    ],
)
def test_a_crossed_limit_of_the_machine_is_refused(changes, message):
    grid = make("cut", 6)
    worse = dataclasses.replace(grid, machine=dataclasses.replace(CO2, **changes))
    with pytest.raises(MachineLimit, match=message):
        grid_program(worse)


def test_a_frame_outside_the_bed_is_refused():
    grid = make()
    outside = dataclasses.replace(CO2, offset_mm=(-1.0, 0.0))
    with pytest.raises(MachineLimit, match=r"X-1.000 Y0.000, outside the bed of bench \(600 x 400"):
        outline_program(dataclasses.replace(grid, machine=outside))


def test_run_ups_count_as_places_on_the_bed():
    grid = make("line_mark", 6)
    cell = dataclasses.replace(grid.cells[0], x_mm=0.0)
    edge = dataclasses.replace(grid, cells=(cell, *grid.cells[1:]))
    with pytest.raises(MachineLimit, match=r"run-up of 1\.992 mm of cell A1 leaves the board"):
        grid_program(edge)


def test_a_sheet_that_may_not_be_burnt_has_no_program():
    pvc = dataclasses.replace(make(), sheet=Sheet(name="x", material="PVC", thickness_mm=3.0))
    with pytest.raises(RefusedMaterial, match="PVC"):
        grid_program(pvc)
