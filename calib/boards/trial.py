"""A trial line: two short marks on scrap that show whether a controller takes the programs."""

from __future__ import annotations

from collections.abc import Iterator

from calib.boards.frame import frame_of
from calib.boards.rs274 import air_lines, comment_lines, program, program_comments, stroke_lines
from calib.boards.strokes import Stroke
from calib.hazards import CAUTIONS
from calib.limits import snap_setting
from calib.records import Machine
from calib.texts.say import say

LINE_MM, _APART_MM = 20.0, 5.0
# A third more than where the beam starts is seen on wood and card and cuts neither (judgement).
_ABOVE_START, _LEAST_PCT, _SPEED_MM_S = 1.3, 8.0, 40.0


def trial_program(machine: Machine) -> str:
    """Write the program of two lines of 20 mm at low power, the second with the air on.

    Raises MachineLimit when the S word at full power isn't known.
    """
    power = min(max(_ABOVE_START * machine.beam_starts_pct, _LEAST_PCT), machine.ceiling_pct)
    setting = snap_setting(machine, power, min(_SPEED_MM_S, machine.max_speed_mm_s))
    frame = frame_of(machine, (LINE_MM, _APART_MM))

    def body() -> Iterator[str]:
        for y, air in ((_APART_MM, []), (0.0, air_lines(machine, cut=True))):
            yield from air
            yield from comment_lines(machine, say("boards.line_of_trial", setting=setting))
            yield "M5"
            stroke = Stroke(kind="mark", setting=setting, points=((0.0, y), (LINE_MM, y)))
            yield from stroke_lines(machine, frame, stroke)

    title = say("boards.trial_line_for", machine=machine)
    return program(machine, body(), [*program_comments(machine, title), *CAUTIONS])
