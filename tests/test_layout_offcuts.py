"""Boards on what there is: too many cells, several offcuts, the reach of the bed."""

from __future__ import annotations

import dataclasses

import pytest
from boards import BIRCH, CO2, TUBE_40, some_settings

from calib.boards.layout import LayoutOptions, lay_out, split_over_offcuts
from calib.errors import BoardDoesNotFit


def test_too_many_cells_say_how_many_would_fit():
    options = LayoutOptions(offcut_mm=(100.0, 80.0))
    burns = some_settings(CO2, "cut", 11)
    with pytest.raises(BoardDoesNotFit, match="11 cells .* 100 x 80 mm: 8 would") as refusal:
        lay_out(CO2, BIRCH, "cut", burns, options=options)
    assert refusal.value.cells_that_fit == 8
    assert len(lay_out(CO2, BIRCH, "cut", burns[:8], options=options).cells) == 8
    with pytest.raises(BoardDoesNotFit, match="1 cells .* 20 x 20 mm: 0 would. .* clamp margin"):
        lay_out(CO2, BIRCH, "cut", burns[:1], options=LayoutOptions(offcut_mm=(20.0, 20.0)))


def test_offcuts_that_are_too_few_say_how_many_cells_they_hold():
    options = LayoutOptions(offcut_mm=(100.0, 80.0), more_offcuts_mm=((60.0, 45.0),))
    with pytest.raises(BoardDoesNotFit, match="20 cells don't fit the 2 boards at hand: 10 would"):
        split_over_offcuts(CO2, BIRCH, "cut", some_settings(CO2, "cut", 20), options=options)


def test_an_offset_takes_its_part_of_the_bed():
    machine = dataclasses.replace(TUBE_40, offset_mm=(200.0, 50.0))
    grid = lay_out(machine, BIRCH, "cut", some_settings(machine, "cut", 6))
    assert grid.board_mm[0] <= 100.0
    with pytest.raises(BoardDoesNotFit, match="40 cells .* don't fit 100 x 150 mm"):
        lay_out(machine, BIRCH, "cut", some_settings(machine, "cut", 40))
