"""A stair: one line whose speed steps up along it, read at one look."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate

from calib.boards.gentle import label_setting
from calib.boards.layout import LayoutOptions, board_id_of, limit_mm
from calib.boards.notes import code_note, corner_note, own_air_notes
from calib.boards.places import LEAST_LIT_S, MARK_INSET_MM, Room, board_for, room_for, tenth_up
from calib.errors import BoardDoesNotFit
from calib.limits import check_limits
from calib.physics import run_up_mm
from calib.records import Cell, Grid, Machine, Operation, Setting, Sheet
from calib.texts.say import say

# A step is so long that its middle is as hot as it gets, and its number fits above it (judgement).
STEP_MM, _HEIGHT_MM = 10.0, 8.0


def lay_out_stair(
    machine: Machine,
    sheet: Sheet,
    steps: Sequence[Setting],
    options: LayoutOptions | None = None,
    operation: Operation = "cut",
) -> Grid:
    """Lay out the steps of a stair, slow to fast from the left; it is burnt from its fast end on.

    A cut is one line; steps of marks have a run-up each and stand a little apart. Raises
    MachineLimit when a step crosses a limit; BoardDoesNotFit when they don't fit in a row.
    """
    options = options or LayoutOptions()
    fastest = max(step.speed_mm_s for step in steps)
    check_limits(machine, sheet, operation, steps, fastest_mm_s=fastest)
    room = room_for(machine, sheet, operation, steps, options.clamp_mm, options.round)
    limit = limit_mm(machine, options.offcut_mm)
    if operation == "cut":
        room = replace(room, cell_mm=(STEP_MM, _HEIGHT_MM), gap_mm=0.0)
        least = room.board_mm(len(steps), 1)
        board_for(room, len(steps), (limit[0], min(limit[1], least[1])), fixed=True)  # in one row
        widths = [STEP_MM] * len(steps)
    else:
        lit = [math.ceil(LEAST_LIT_S * step.speed_mm_s - 1e-6) for step in steps]
        widths = [max(STEP_MM, mm + 2.0 * MARK_INSET_MM) for mm in lit]
        room, least = _marked(machine, steps, widths, room, limit, options.clamp_mm)
    size = options.offcut_mm or least
    codes = label_setting(machine, sheet, steps, options.marks)
    left_mm, y_mm = room.corner_mm(0, 0, size[0])
    places = accumulate(widths, initial=left_mm)
    cells = tuple(
        Cell(
            label=f"S{number + 1}",
            power_pct=step.power_pct,
            speed_mm_s=step.speed_mm_s,
            passes=step.passes,
            line_pitch_mm=step.line_pitch_mm,
            x_mm=round(x_mm, 3),
            y_mm=y_mm,
            width_mm=width,
            height_mm=room.cell_mm[1],
            burn_order=len(steps) - number,
        )
        for number, (step, width, x_mm) in enumerate(zip(steps, widths, places, strict=False))
    )
    notes = (
        say("boards.stair_is_read_against_light", count=len(steps))
        if operation == "cut"
        else say("boards.marked_stair_is_read", count=len(steps)),
        code_note(machine, sheet, codes, say("boards.steps")),
        corner_note(size, options.offcut_mm),
        *own_air_notes(options.air, operation),
    )
    grid = Grid(
        board_id="-",
        machine=machine,
        sheet=sheet,
        operation=operation,
        round=options.round,
        stair=True,
        air=options.air,
        board_mm=size,
        cells=cells,
        label_setting=codes,
        notes=tuple(note for note in notes if note),
    )
    return replace(grid, board_id=board_id_of(grid))


def _marked(
    machine: Machine,
    steps: Sequence[Setting],
    widths: Sequence[float],
    room: Room,
    limit: tuple[float, float],
    clamp_mm: float,
) -> tuple[Room, tuple[float, float]]:
    """The room of a stair of marks, as wide as each step's run-ups reach, and its least board."""
    acceleration = machine.working_acceleration_mm_s2
    reach = [run_up_mm(s.speed_mm_s, acceleration) - MARK_INSET_MM for s in steps]
    ends = list(accumulate(widths))
    before = max(r - (end - width) for r, end, width in zip(reach, ends, widths, strict=True))
    after = max(r - (ends[-1] - end) for r, end in zip(reach, ends, strict=True))
    clear = max(clamp_mm, room.gap_mm)
    left, right = (max(clear, tenth_up(clamp_mm + further)) for further in (before, after))
    room = replace(room, left_mm=left)
    width = left + ends[-1] + right
    height = room.board_mm(1, 1)[1]
    fits = sum(left + end + right <= limit[0] + 1e-6 for end in ends)
    if width > limit[0] + 1e-6 or height > limit[1] + 1e-6:
        raise BoardDoesNotFit(
            say(
                "boards.steps_of_stair_dont_fit",
                count=len(steps),
                width=width,
                height=height,
                limit_mm=limit,
            ),
            cells_that_fit=fits,
        )
    return room, (float(math.ceil(width - 1e-6)), height)
