"""Cells, the board that they stand on, and what was read of them."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from calib.records.burns import Outcome, Passes, Pitch, Power, Setting, Speed, setting_of
from calib.records.fields import Number, Text, Whole, Words, misfit, record, says
from calib.records.machine import Machine
from calib.records.sheet import Sheet
from calib.records.words import Operation
from calib.texts.say import say

Caliper = Annotated[Number | None, says("Coupon as the caliper shows it.", gt=0, le=1000)]
Side = Annotated[Number, Field(ge=0, le=100_000)]
Code = Annotated[Text, says("Code of the cell.", min_length=1, max_length=8, pattern=r"\S")]


@record
class Cell:
    """One place on the board with one setting; its box stands from the board's top left, y down."""

    label: Code
    power_pct: Power
    speed_mm_s: Speed
    passes: Passes = 1
    line_pitch_mm: Pitch = None
    x_mm: Annotated[Number, says("Left side of its box.")]
    y_mm: Annotated[Number, says("Top of its box.")]
    width_mm: Annotated[Number, says("Width of its box.")]
    height_mm: Annotated[Number, says("Height of its box.")]
    burn_order: Annotated[Whole, says("Place in the burning order, from 1.")]
    block: Annotated[Whole, says("Which of the board's blocks it belongs to, from 1.")] = 1

    @property
    def setting(self) -> Setting:
        """What is typed at the machine for this cell."""
        return setting_of(self)


@record
class Grid:
    """A planned test grid: which cells, where, in what order."""

    board_id: Annotated[Text, says("Short code; the same plan has the same code.")]
    machine: Annotated[Machine, says("The machine it is for.")]
    sheet: Annotated[Sheet, says("The sheet it is for.")]
    operation: Annotated[Operation, says("What is burnt.")]
    round: Annotated[Whole, says("Which grid of this pair, from 1.", ge=1, le=1000)] = 1
    board_mm: Annotated[tuple[Side, Side], says("Width and height of the board.")]
    cells: Annotated[tuple[Cell, ...], says("The cells, in the order of their codes.")]
    label_setting: Annotated[Setting, says("The setting that marks the codes; never a cell's.")]
    notes: Annotated[tuple[str, ...], says("What you must know, in sentences.")] = ()

    def __post_init__(self) -> None:
        if not self.cells:
            misfit(self, "cells", self.cells, say("records.grid_needs_at_least_one_cell"))


@record
class Reading(Outcome):
    """What was read off one cell of a board after burning."""

    cell: Code
    note: Annotated[Words, says("Your own words.")] = ""
    width_mm: Caliper = None
    height_mm: Caliper = None
