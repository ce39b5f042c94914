"""Cells, the board that they stand on, and what was read of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from calib.records.burns import (
    AirAssist,
    Burn,
    Outcome,
    Passes,
    Pitch,
    Power,
    Setting,
    Speed,
    setting_of,
)
from calib.records.fields import Number, Text, Whole, Words, misfit, record, says
from calib.records.machine import Machine
from calib.records.sheet import Sheet
from calib.records.words import GRADES, KINDS, Operation, unusual
from calib.texts.say import say

# A line that shows in pictures where a path ends.
_ACROSS_MM = 3.0
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
    part: Annotated[Text, says("What it is of a piece that is like the work.")] = ""
    path_mm: Annotated[
        tuple[tuple[Number, Number], ...], says("Its cut, where it is no coupon.")
    ] = ()

    @property
    def setting(self) -> Setting:
        """What is typed at the machine for this cell."""
        return setting_of(self)

    @property
    def path_length_mm(self) -> float:
        """Length of its own path; 0 for a coupon."""
        return sum(math.dist(a, b) for a, b in pairwise(self.path_mm))

    @property
    def ends_mm(self) -> tuple[tuple[tuple[float, float], tuple[float, float]], ...]:
        """A short line across either end of its own path, for pictures; none where it closes."""
        path, found = self.path_mm, []
        if not path or path[0] == path[-1]:
            return ()
        for (x, y), (to_x, to_y) in ((path[0], path[1]), (path[-1], path[-2])):
            half = _ACROSS_MM / 2.0 / math.dist((x, y), (to_x, to_y))
            across = -(to_y - y) * half, (to_x - x) * half
            found.append(((x - across[0], y - across[1]), (x + across[0], y + across[1])))
        return tuple(found)

    @property
    def named(self) -> str:
        """Its code, and what it is of a piece."""
        return f"{self.label} ({self.part})" if self.part else self.label


@record
class Grid:
    """A planned test grid: which cells, where, in what order."""

    board_id: Annotated[Text, says("Short code; the same plan has the same code.")]
    machine: Annotated[Machine, says("The machine it is for.")]
    sheet: Annotated[Sheet, says("The sheet it is for.")]
    operation: Annotated[Operation, says("What is burnt.")]
    round: Annotated[Whole, says("Which grid of this pair, from 1.", ge=1, le=1000)] = 1
    stair: Annotated[bool, says("One line; its cells are its steps, slow to fast.")] = False
    air: AirAssist = None
    board_mm: Annotated[tuple[Side, Side], says("Width and height of the board.")]
    cells: Annotated[tuple[Cell, ...], says("The cells, in the order of their codes.")]
    label_setting: Annotated[Setting, says("The setting that marks the codes; never a cell's.")]
    notes: Annotated[tuple[str, ...], says("What you must know, in sentences.")] = ()

    def __post_init__(self) -> None:
        if not self.cells:
            misfit(self, "cells", self.cells, say("records.grid_needs_at_least_one_cell"))
        object.__setattr__(self, "air", unusual(self.air, self.operation))

    @property
    def read(self) -> tuple[str, ...]:
        """What is read off each of its cells, in the order in which it is asked."""
        read = KINDS[self.operation].read
        return read[:1] if self.stair else read


@record
class Reading(Outcome):
    """What was read off one cell of a board after burning."""

    cell: Code
    note: Annotated[Words, says("Your own words.")] = ""
    width_mm: Caliper = None
    height_mm: Caliper = None


def stair_burn(
    steps: Sequence[Cell | Setting], through: Sequence[bool | None], session: str = ""
) -> Burn | None:
    """What a stair's steps, slow to fast, say as one burn; None where no step was read.

    Steps that contradict one another leave the edge anywhere between the first that failed and the
    last that went through.
    """
    read = [(step, fell) for step, fell in zip(steps, through, strict=True) if fell is not None]
    if not read:
        return None
    went, fails = _reached([fell for _, fell in read])
    at = read[max(went, 0)][0]
    return Burn(
        operation="cut",
        power_pct=at.power_pct,
        speed_mm_s=at.speed_mm_s,
        passes=at.passes,
        through="through" if went >= 0 else "no",
        fails_at_mm_s=read[fails][0].speed_mm_s if went >= 0 and fails < len(read) else None,
        begins_at_mm_s=read[0][0].speed_mm_s if went > 0 else None,
        source="stair",
        session=session,
    )


def marked_stair_burns(
    operation: Operation,
    steps: Sequence[Cell | Setting],
    grades: Sequence[int | None],
    session: str = "",
) -> tuple[Burn, ...]:
    """What the steps of a stair of marks, slow to fast, say: its two ends as they came out, and
    between which steps each grade is left behind."""
    read = [(step, grade) for step, grade in zip(steps, grades, strict=True) if grade is not None]
    found: list[tuple[Cell | Setting, int, float | None]] = [
        (step, grade, None) for step, grade in dict.fromkeys(read[:1] + read[-1:])
    ]
    for grade in GRADES[1:]:
        went, fails = _reached([own >= grade for _, own in read])
        if went >= 0 and fails < len(read):
            found.append((read[went][0], grade, read[fails][0].speed_mm_s))
    return tuple(
        Burn(
            operation=operation,
            power_pct=at.power_pct,
            speed_mm_s=at.speed_mm_s,
            passes=at.passes,
            line_pitch_mm=at.line_pitch_mm,
            mark=grade,
            fails_at_mm_s=fails_at,
            source="stair",
            session=session,
        )
        for at, grade, fails_at in found
    )


def _reached(steps: Sequence[bool]) -> tuple[int, int]:
    """The last step that surely was so, -1 for none, and the first after it that surely wasn't."""
    failed = next((n for n, so in enumerate(steps) if not so), len(steps))
    last = max((n for n, so in enumerate(steps) if so), default=-1)
    return min(failed - 1, last), max(last + 1, failed)
