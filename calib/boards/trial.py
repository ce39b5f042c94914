"""What is tried on a new machine: two short marks on scrap; moves that tell the acceleration."""

from __future__ import annotations

import math
from collections.abc import Iterator

from calib.boards.frame import frame_of
from calib.boards.rs274 import air_lines, comment_lines, program, program_comments, stroke_lines
from calib.boards.strokes import Stroke
from calib.errors import unfit
from calib.hazards import CAUTIONS
from calib.limits import snap_setting
from calib.physics import move_time_s
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
        for y, air in ((_APART_MM, []), (0.0, air_lines(machine, "on"))):
            yield from air
            yield from comment_lines(machine, say("boards.line_of_trial", setting=setting))
            yield "M5"
            stroke = Stroke(kind="mark", setting=setting, points=((0.0, y), (LINE_MM, y)))
            yield from stroke_lines(machine, frame, stroke)

    title = say("boards.trial_line_for", machine=machine)
    return program(machine, body(), [*program_comments(machine, title), *CAUTIONS])


# Moves there and back, so short that most heads don't reach their top speed on the shorter ones:
# the time that a controller takes for each move drops out of the difference.
MOVES, SHORT_MM, LONG_MM = 200, 1.0, 9.0


def moves_program(machine: Machine) -> str:
    """Write the program of short, then of long moves, the beam off, to be timed with a watch."""
    frame = frame_of(machine, (LONG_MM, 1.0))
    feed = f"F{60.0 * machine.max_speed_mm_s:.0f}"

    def body() -> Iterator[str]:
        for length, what in ((SHORT_MM, "short"), (LONG_MM, "long")):
            words = say("boards.msg_time_the_moves", moves=MOVES, length=length, what=what)
            yield from comment_lines(machine, words)
            yield "M0"
            for move in range(MOVES):
                x, y = frame.point((0.0 if move % 2 else length, 1.0))
                yield f"G1 X{x:.3f} Y{y:.3f} {feed}"

    title = say("boards.moves_tell_acceleration", machine=machine)
    start = frame.point((0.0, 1.0))
    lines = ["M5", f"G0 X{start[0]:.3f} Y{start[1]:.3f}", *body()]
    return program(machine, lines, [title])


def acceleration_of(machine: Machine, short_s: float, long_s: float) -> float:
    """Acceleration that the times of the short and of the long moves tell [mm/s²].

    Raises InvalidRecord when no head within reason takes such times.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> round(acceleration_of(m, 10.3 + 2.0, 31.0 + 2.0))
    1494
    """
    speed = machine.max_speed_mm_s

    def apart_s(acceleration: float) -> float:
        short, long = move_time_s([SHORT_MM, LONG_MM], speed, acceleration)
        return float(MOVES * (long - short))

    # Above the higher end the head reaches its top speed on the short moves too.
    low, high = 20.0, min(100_000.0, speed**2 / SHORT_MM)
    most, least = apart_s(low), apart_s(high)
    if not least * 1.02 < long_s - short_s < most:
        allowed = say("boards.give_times_apart", least=1.02 * least, most=most)
        raise unfit("long_s", long_s, allowed)
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if apart_s(middle) > long_s - short_s else (low, middle)
    return low
