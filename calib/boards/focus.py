"""A focus board: one line at each of a ladder of focus heights, set by hand.

The thinnest, darkest line was burnt in focus. Where no such board was burnt, "in focus" is assumed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calib.boards.board import Board, Group
from calib.boards.gentle import NO_MARKS, KnownMarks, label_setting, setting_for_energy
from calib.boards.layout import limit_mm
from calib.boards.lettering import text_strokes
from calib.boards.places import CODE_CAP_MM, board_name, head_height_mm, head_lines
from calib.boards.strokes import Stroke, head_strokes, label_strokes
from calib.errors import BoardDoesNotFit, unfit
from calib.limits import check_limits
from calib.materials import expected_response
from calib.physics import run_up_mm
from calib.records import Machine, Setting, Sheet
from calib.texts.say import say

# Steps of 1 mm, about the range in which the spot's area doubles below a lens of 50 mm, three of
# them to each side.
HEIGHTS_MM = (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)
MOST_HEIGHTS = 25
_LINE_MM = 30.0
_ROW_MM = 7.0
# Room left of the line for a height such as +12.5.
_TEXT_MM = 16.0
# Thin lines differ most near the energy of a clear mark; a brisk speed keeps the run-up short.
_SPEED_MM_S = 60.0
_HOW = say("boards.heights_are_in_against_usual_focus")


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusBoard(Board):
    """A planned focus board."""

    # Focus heights against the usual one, rising; more is farther from the sheet [mm]
    heights_mm: tuple[float, ...]
    setting: Setting  # Of the lines


def plan_focus(
    machine: Machine,
    sheet: Sheet,
    *,
    heights_mm: Sequence[float] = HEIGHTS_MM,
    setting: Setting | None = None,
    offcut_mm: tuple[float, float] | None = None,
    clamp_mm: float = 5.0,
    marks: KnownMarks = NO_MARKS,
) -> FocusBoard:
    """Plan a focus board.

    Raises unfit when there are fewer than two heights, too many, or one twice; MachineLimit
    when the lines would be so slow or strong that the sheet may catch fire; BoardDoesNotFit when it
    doesn't fit the offcut or the bed.
    """
    heights = tuple(sorted(float(height) for height in heights_mm))
    shown = {_figure(height) for height in heights}
    if not 2 <= len(shown) == len(heights) <= MOST_HEIGHTS or not all(map(math.isfinite, heights)):
        raise unfit(
            "heights_mm",
            tuple(heights_mm),
            say("boards.give_to_different_heights_in_tenths", most_heights=MOST_HEIGHTS),
        )
    if setting is None:
        energy = expected_response(sheet.material, machine.source).line_mark_j_mm
        setting = setting_for_energy(machine, energy, _SPEED_MM_S)
    check_limits(machine, sheet, "line_mark", (setting,))
    codes = label_setting(machine, sheet, (setting,), marks)
    run_up = round(run_up_mm(setting.speed_mm_s, machine.working_acceleration_mm_s2), 3)
    width = math.ceil(2.0 * (clamp_mm + run_up) + _TEXT_MM + _LINE_MM)
    lines = head_lines((say("boards.focus_heights"), board_name(sheet)), width - 2.0 * clamp_mm)
    bottom = clamp_mm + head_height_mm(lines)
    height = math.ceil(bottom + len(heights) * _ROW_MM + clamp_mm)
    room = limit_mm(machine, offcut_mm)
    if width > room[0] or height > room[1]:
        raise BoardDoesNotFit(
            say("boards.focus_board_needs", width=width, height=height, room=room)
        )
    figures: list[Stroke] = []
    groups: list[Group] = []
    start = round(clamp_mm + _TEXT_MM + run_up, 3)
    for row, height_mm in enumerate(heights, 1):
        baseline = bottom + row * _ROW_MM - 1.0
        label = f"H{row}"
        letters = text_strokes(_figure(height_mm), CODE_CAP_MM, clamp_mm, baseline)
        figures += label_strokes(codes, letters, label)
        y = round(baseline - CODE_CAP_MM / 2.0, 3)
        line = Stroke(
            kind="mark",
            setting=setting,
            points=((start, y), (round(start + _LINE_MM, 3), y)),
            cell=label,
            run_up_mm=run_up,
        )
        groups.append(
            Group(
                label=label,
                name=say("boards.height", figure=_figure(height_mm)),
                setting=setting,
                strokes=(line,),
                by_hand=say("boards.set_focus_height", figure=_figure(height_mm)),
            )
        )
    return FocusBoard(
        board_id="focus",
        purpose="focus",
        operation="line_mark",
        labels=(*head_strokes(codes, lines, clamp_mm, bottom), *figures),
        groups=tuple(groups),
        how=(_HOW,),
        machine=machine,
        sheet=sheet,
        heights_mm=heights,
        setting=setting,
        label_setting=codes,
        board_mm=(float(width), float(height)),
    )


def _figure(height_mm: float) -> str:
    return "0" if round(height_mm, 1) == 0 else f"{height_mm:+.1f}"
