"""A focus board: one line at each of a ladder of focus heights, set by hand.

The thinnest, darkest line was burnt in focus. Where no such board was burnt, "in focus" is assumed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from calib.errors import BoardDoesNotFit, unfit
from calib.grid.colours import colour_at
from calib.grid.frame import frame_of, reach_mm
from calib.grid.gentle import NO_MARKS, KnownMarks, label_setting, setting_for_energy
from calib.grid.lettering import text_strokes, transliterate
from calib.grid.limits import check_limits
from calib.grid.naming import file_cautions, setting_words
from calib.grid.places import (
    ABOVE_CAPS,
    BELOW_CAPS,
    CODE_CAP_MM,
    HEAD_CAP_MM,
    HEAD_LINE_MM,
    LONGEST_SHEET_NAME,
    head_lines,
)
from calib.grid.rs274 import comment_lines, program, stroke_lines
from calib.grid.strokes import Stroke, head_strokes, label_strokes
from calib.grid.svg import Group, drawing
from calib.materials import expected_response
from calib.physics import run_up_mm
from calib.records import Machine, Setting, Sheet

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusBoard:
    """A planned focus board."""

    # machine, sheet: For whom it is
    machine: Machine
    sheet: Sheet
    # Focus heights against the usual one, rising; more is farther from the sheet [mm]
    heights_mm: tuple[float, ...]
    # setting, label_setting: Of the lines, and of the figures beside them
    setting: Setting
    label_setting: Setting
    board_mm: tuple[float, float]  # Width and height of the board [mm]
    strokes: tuple[Stroke, ...]  # Head and figures first, then one line per height


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

    Raises InvalidRecord when there are fewer than two heights, too many, or one twice; MachineLimit
    when the lines would be so slow or strong that the sheet may catch fire; BoardDoesNotFit when it
    doesn't fit the offcut or the bed.
    """
    heights = tuple(sorted(float(height) for height in heights_mm))
    shown = {_figure(height) for height in heights}
    if not 2 <= len(shown) == len(heights) <= MOST_HEIGHTS or not all(map(math.isfinite, heights)):
        raise unfit(
            "heights_mm",
            tuple(heights_mm),
            f"give 2 to {MOST_HEIGHTS} different heights in tenths of a millimetre",
        )
    if setting is None:
        energy = expected_response(sheet.material, machine.source).line_mark_j_mm
        setting = setting_for_energy(machine, energy, _SPEED_MM_S)
    check_limits(machine, sheet, "line_mark", (setting,))
    codes = label_setting(machine, sheet, (setting,), marks)
    run_up = round(run_up_mm(setting.speed_mm_s, machine.working_acceleration_mm_s2), 3)
    width = math.ceil(2.0 * (clamp_mm + run_up) + _TEXT_MM + _LINE_MM)
    name = transliterate(sheet.name)[:LONGEST_SHEET_NAME]
    lines = head_lines(("focus heights in mm", name), width - 2.0 * clamp_mm)
    head = (len(lines) - 1) * HEAD_LINE_MM + (ABOVE_CAPS + BELOW_CAPS) * HEAD_CAP_MM
    bottom = clamp_mm + head
    height = math.ceil(bottom + len(heights) * _ROW_MM + clamp_mm)
    _check_room((float(width), float(height)), offcut_mm, machine)
    rows = _rows(heights, setting, codes, (clamp_mm, bottom, run_up))
    return FocusBoard(
        machine=machine,
        sheet=sheet,
        heights_mm=heights,
        setting=setting,
        label_setting=codes,
        board_mm=(float(width), float(height)),
        strokes=(*head_strokes(codes, lines, clamp_mm, bottom), *rows),
    )


def _check_room(
    board: tuple[float, float], offcut_mm: tuple[float, float] | None, machine: Machine
) -> None:
    reach = reach_mm(machine)
    room = (
        reach if offcut_mm is None else (min(offcut_mm[0], reach[0]), min(offcut_mm[1], reach[1]))
    )
    if board[0] > room[0] or board[1] > room[1]:
        raise BoardDoesNotFit(
            f"the focus board needs {board[0]:g} x {board[1]:g} mm: there are {room[0]:g} x"
            f" {room[1]:g} mm. Give fewer heights, a slower setting or a larger piece."
        )


def _figure(height_mm: float) -> str:
    return "0" if round(height_mm, 1) == 0 else f"{height_mm:+.1f}"


def _rows(
    heights: Sequence[float],
    setting: Setting,
    codes: Setting,
    measures: tuple[float, float, float],
) -> list[Stroke]:
    """Figures of all heights, then their lines."""
    left, top, run_up = measures
    figures: list[Stroke] = []
    lines: list[Stroke] = []
    start = round(left + _TEXT_MM + run_up, 3)
    for row, height in enumerate(heights, 1):
        baseline = top + row * _ROW_MM - 1.0
        code = f"H{row}"
        letters = text_strokes(_figure(height), CODE_CAP_MM, left, baseline)
        figures += label_strokes(codes, letters, code)
        y = round(baseline - CODE_CAP_MM / 2.0, 3)
        lines.append(
            Stroke(
                kind="mark",
                setting=setting,
                points=((start, y), (round(start + _LINE_MM, 3), y)),
                cell=code,
                run_up_mm=run_up,
            )
        )
    return [*figures, *lines]


def _title(board: FocusBoard) -> str:
    return (
        f"Focus board for {board.machine.name} on {board.sheet.name}: lines at"
        f" {setting_words(board.setting)}"
    )


def _how(board: FocusBoard) -> list[str]:
    return [
        "Heights are in mm against the usual focus: + is the head farther from the sheet. Set each"
        " by hand before its line; the thinnest, darkest line was burnt in focus.",
        *file_cautions(board.machine, board.sheet, "line_mark"),
    ]


def focus_svg(board: FocusBoard) -> str:
    """Draw a focus board: one group, and so one colour, per height.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    labels = tuple(stroke for stroke in board.strokes if stroke.kind == "label")
    lines = _lines(board)
    groups = [
        Group(
            id="codes",
            title=f"figures: {setting_words(board.label_setting)}",
            colour=colour_at(0.0),
            strokes=labels,
        )
    ]
    for number, (height, line) in enumerate(lines, 1):
        groups.append(
            Group(
                id=f"height-{number:02d}",
                title=f"height {_figure(height)} mm: {setting_words(line.setting)}",
                colour=colour_at(number / len(lines)),
                strokes=(line,),
            )
        )
    return drawing(_title(board), "\n".join(_how(board)), board.board_mm, groups)


def focus_program(board: FocusBoard) -> str:
    """Write the program of a focus board: it stops before each line so that the height can be set.

    Raises MachineLimit as for ``grid_program``; RefusedMaterial, DeclarationNeeded when the sheet
    may not be burnt.
    """
    return program(board.machine, _body(board), [_title(board), *_how(board)])


def _body(board: FocusBoard) -> Iterator[str]:
    frame = frame_of(board.machine, board.board_mm)
    yield from comment_lines(f"figures: {setting_words(board.label_setting)}")
    yield "M5"
    for stroke in board.strokes:
        if stroke.kind == "label":
            yield from stroke_lines(board.machine, frame, stroke)
    for height, line in _lines(board):
        yield f"(MSG, set the focus height to {_figure(height)} mm, then go on)"
        yield "M0"
        yield "M5"
        yield from stroke_lines(board.machine, frame, line)


def _lines(board: FocusBoard) -> list[tuple[float, Stroke]]:
    """Height and stroke of each line, from near to far."""
    lines = [stroke for stroke in board.strokes if stroke.kind == "mark"]
    return list(zip(board.heights_mm, lines, strict=True))
