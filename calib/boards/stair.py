"""A stair: one straight cut whose speed steps up along it, read by holding it against the light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calib.boards.gentle import label_setting
from calib.boards.layout import LayoutOptions, board_id_of, limit_mm
from calib.boards.notes import code_note, corner_note
from calib.boards.places import board_for, room_for
from calib.limits import check_limits
from calib.records import Cell, Grid, Machine, Setting, Sheet
from calib.texts.say import say

# A step is so long that its middle is as hot as it gets, and its number fits above it (judgement).
STEP_MM, _HEIGHT_MM = 10.0, 8.0


def lay_out_stair(
    machine: Machine,
    sheet: Sheet,
    steps: Sequence[Setting],
    options: LayoutOptions | None = None,
) -> Grid:
    """Lay out the steps of a stair, slow to fast from the left; it is burnt from its fast end on.

    Raises MachineLimit when a step crosses a limit; BoardDoesNotFit when they don't fit in a row.
    """
    options = options or LayoutOptions()
    check_limits(machine, sheet, "cut", steps)
    room = room_for(machine, sheet, "cut", steps, options.clamp_mm, options.round)
    room = replace(room, cell_mm=(STEP_MM, _HEIGHT_MM), gap_mm=0.0)
    least = room.board_mm(len(steps), 1)
    limit = limit_mm(machine, options.offcut_mm)
    board_for(room, len(steps), (limit[0], min(limit[1], least[1])), fixed=True)  # in one row
    size = options.offcut_mm or least
    codes = label_setting(machine, sheet, steps, options.marks)
    cells = []
    for number, step in enumerate(steps):
        x_mm, y_mm = room.corner_mm(number, 0, size[0])
        cells.append(
            Cell(
                label=f"S{number + 1}",
                power_pct=step.power_pct,
                speed_mm_s=step.speed_mm_s,
                passes=step.passes,
                x_mm=x_mm,
                y_mm=y_mm,
                width_mm=STEP_MM,
                height_mm=_HEIGHT_MM,
                burn_order=len(steps) - number,
            )
        )
    notes = (
        say("boards.stair_is_read_against_light", count=len(steps)),
        code_note(machine, sheet, codes, say("boards.steps")),
        corner_note(size, options.offcut_mm),
    )
    grid = Grid(
        board_id="-",
        machine=machine,
        sheet=sheet,
        operation="cut",
        round=options.round,
        stair=True,
        board_mm=size,
        cells=tuple(cells),
        label_setting=codes,
        notes=tuple(note for note in notes if note),
    )
    return replace(grid, board_id=board_id_of(grid))
