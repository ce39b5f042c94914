"""Cells, the board that they stand on, and what was read of them."""

from __future__ import annotations

from dataclasses import dataclass

from calib.records.burns import Setting
from calib.records.checks import check_number, check_pair, check_text, check_whole, check_word, fail
from calib.records.machine import Machine
from calib.records.sheet import Sheet
from calib.records.words import OPERATIONS, THROUGH_GRADES, Operation, Through


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One place on the board with one setting."""

    label: str  # Code of the cell: a letter and digits
    # power_pct, speed_mm_s, passes, line_pitch_mm: The setting: [% of full], [mm/s], count, [mm]
    power_pct: float
    speed_mm_s: float
    passes: int = 1
    line_pitch_mm: float | None = None
    # x_mm, y_mm, width_mm, height_mm: Box of the cell [mm], origin at the board's top left, y down;
    # x and y are its top left
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    burn_order: int  # Place in the burning order, from 1
    block: int = 1  # Which of the board's blocks it belongs to, from 1

    @property
    def setting(self) -> Setting:
        """What is typed at the machine for this cell."""
        return Setting(
            power_pct=self.power_pct,
            speed_mm_s=self.speed_mm_s,
            passes=self.passes,
            line_pitch_mm=self.line_pitch_mm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A planned test grid: which cells, where, in what order."""

    board_id: str  # Short code that names this board; the same plan has the same code
    # machine, sheet, operation: For whom it is
    machine: Machine
    sheet: Sheet
    operation: Operation
    round: int = 1  # Which grid of this pair it is, from 1
    board_mm: tuple[float, float]  # Width and height of the board [mm]
    cells: tuple[Cell, ...]  # The cells, in the order of their labels
    label_setting: Setting  # The gentle setting at which the codes are marked; never a cell's
    notes: tuple[str, ...] = ()  # What the user must know, in sentences

    def __post_init__(self) -> None:
        check_word(self, "operation", OPERATIONS)
        check_whole(self, "round", 1, 1000)
        check_pair(self, "board_mm", 0, 100000)
        if not self.cells:
            fail(self, "cells", self.cells, "a grid needs at least one cell")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What was read off one cell of a board after burning."""

    cell: str  # Code of the cell
    through: Through | None = None  # ``no``, ``hanging`` or ``through``; None when not read
    # char, mark: Grades 0…4; None when not read
    char: int | None = None
    mark: int | None = None
    note: str = ""  # The user's own words
    # width_mm, height_mm: Coupon as measured with a caliper [mm]; None when not measured
    width_mm: float | None = None
    height_mm: float | None = None

    def __post_init__(self) -> None:
        check_text(self, "cell", needed=True, longest=8)
        check_word(self, "through", (*THROUGH_GRADES, None))
        check_whole(self, "char", 0, 4, none_ok=True)
        check_whole(self, "mark", 0, 4, none_ok=True)
        check_text(self, "note", longest=1000)
        check_number(self, "width_mm", 0, 1000, above=True, none_ok=True)
        check_number(self, "height_mm", 0, 1000, above=True, none_ok=True)

    @property
    def is_empty(self) -> bool:
        """True when nothing was read: the cell counts as not burnt."""
        return self.through is None and self.char is None and self.mark is None
