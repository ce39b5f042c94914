"""How fast the head is: ramps, corners and curves along lines, travel, rows of a surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.errors import MachineLimit
from calib.jobs.outlines import Flags, Floats, Strokes
from calib.physics import move_time_s, run_up_mm
from calib.records import Machine, Setting
from calib.texts.say import say

# How far a head may leave a drawn corner to get round it without stopping [mm]. A guess: a tenth
# of a usual kerf, which nobody sees; the stopwatch puts right what it is wrong by.
CORNER_SLIP_MM = 0.02
# A turn smaller than this is straight on [rad]; a larger one than this is a corner, no curve.
_STRAIGHT_RAD = 1e-9
_CORNER_RAD = 0.6
# Bound on the work that a fine pitch on a large drawing can ask for.
MAX_CROSSINGS = 5_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """What limits the speed along strokes, apart from the set speed."""

    step_mm: Floats  # path from each point to the next; 0 at a stroke's last point; shape (n,) [mm]
    # radius on which the head gets round each point: 0 where it stands still, infinite where the
    # line goes straight on; shape (n,) [mm]
    radius_mm: Floats
    # radius of the curve that the step from each point belongs to; infinite on a straight step;
    # shape (n,) [mm]
    bend_mm: Floats
    # index of each stroke's first point, then n; shape (strokes + 1,)
    first: np.ndarray[tuple[int], np.dtype[np.int64]]


def course_of(strokes: Strokes, corner_slip_mm: float = CORNER_SLIP_MM) -> Course:
    """Find how fast each point of some strokes can be passed.

    Notes
    -----
    At a point where the line turns by θ between steps of lengths l₁ and l₂, the head runs on a
    circle that touches both steps. Its radius is bounded twice: the corner lies s = r (1/cos(θ/2)
    − 1) outside the circle, which may be no more than ``corner_slip_mm``; and the circle may use
    up no more than half of the shorter step, r tan(θ/2) ≤ min(l₁, l₂) / 2. The first binds at
    drawn corners, the second along a curve that was made into short steps, where it gives back
    the curve's own radius, however fine the steps. Where a curve meets a straight line the turn is
    only half as large; the radius of the curve's next point holds there, and on every step between
    two points of a curve, so that the head doesn't speed up between them; a turn of more than 34
    degrees is a corner and no curve. On radius r the speed is
    at most √(a r), a the acceleration. Every stroke begins and ends at rest.
    """
    points = strokes.points_mm
    radius, bend = np.zeros(len(points)), np.full(len(points), np.inf)
    if len(points) > 2:
        on_curve = np.zeros(len(points), dtype=bool)
        radius[1:-1], on_curve[1:-1] = _radii(np.diff(points, axis=0), corner_slip_mm)
        on_curve[strokes.first[:-1]] = on_curve[strokes.first[1:] - 1] = False
        steps = np.flatnonzero(on_curve[:-1] & on_curve[1:])
        bend[steps] = np.minimum(radius[steps], radius[steps + 1])
        radius[1:] = np.minimum(radius[1:], bend[:-1])
        radius = np.minimum(radius, bend)
    radius[strokes.first[:-1]] = radius[strokes.first[1:] - 1] = 0.0
    return Course(step_mm=strokes.step_mm, radius_mm=radius, bend_mm=bend, first=strokes.first)


def _radii(along: Floats, corner_slip_mm: float) -> tuple[Floats, Flags]:
    """Radius at each inner point and whether it lies on a curve; between strokes no matter."""
    before, after = along[:-1], along[1:]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    dot = before[:, 0] * after[:, 0] + before[:, 1] * after[:, 1]
    half_turn = np.maximum(np.abs(np.arctan2(cross, dot)) / 2.0, _STRAIGHT_RAD)
    chord = np.hypot(along[:, 0], along[:, 1])
    # By half-angle identities from the tangent alone; straight back, the cosine is about 0.
    tangent = np.tan(half_turn)
    cosine = 1.0 / np.sqrt(1.0 + tangent * tangent)
    # 1 − cos(θ/2) loses its digits for small turns: sin² / (1 + cos) doesn't.
    by_slip = corner_slip_mm * (1.0 + cosine) / (cosine * tangent * tangent)
    by_step = np.minimum(chord[:-1], chord[1:]) / (2.0 * tangent)
    straight = half_turn <= _STRAIGHT_RAD
    radius = np.where(straight, np.inf, np.maximum(np.minimum(by_slip, by_step), 0.0))
    return radius, ~straight & (by_step < by_slip) & (half_turn < _CORNER_RAD / 2.0)


def step_times_s(course: Course, speed_mm_s: float, acceleration_mm_s2: float) -> Floats:
    """Time from each point to the next at one set speed [s]; 0 at a stroke's last point.

    Notes
    -----
    Looking ahead over the whole stroke: with u = v² the speed at each point is the largest that
    keeps u ≤ min(v_set², a r) and changes by no more than 2 a l over a step of length l, forwards
    and backwards. u_i = min(cap_i, u_{i−1} + 2 a l_i) is min over j ≤ i of cap_j − W_j, plus W_i,
    W the running sum of 2 a l: a running minimum, so no loop is needed. Within a step the head
    speeds up, holds and slows down: peak² = min(v_set², a × bend, (u₀ + u₁)/2 + a l). The
    acceleration is constant (jerk is not modelled), the same along the path and across it.

    Examples
    --------
    >>> from calib.jobs.outlines import Strokes
    >>> line = Strokes(points_mm=np.array([[0.0, 0.0], [100.0, 0.0]]), closed=np.array([False]),
    ...                step_mm=np.array([100.0, 0.0]), first=np.array([0, 2]))
    >>> round(float(step_times_s(course_of(line), 400.0, 3000.0).sum()), 6)
    0.383333
    """
    length = course.step_mm
    gain = 2.0 * acceleration_mm_s2 * length
    cap = np.minimum(speed_mm_s**2, acceleration_mm_s2 * course.radius_mm)
    reached = np.concatenate([[0.0], np.cumsum(gain)[:-1]])
    forward = np.minimum.accumulate(cap - reached) + reached
    backward = np.minimum.accumulate((forward + reached)[::-1])[::-1] - reached
    # The sums round in their last digits; a stop is a stop.
    square = np.where(cap == 0.0, 0.0, np.maximum(backward, 0.0))
    leave, arrive = square, np.append(square[1:], 0.0)
    limit = np.minimum(speed_mm_s**2, acceleration_mm_s2 * course.bend_mm)
    peak = np.minimum(limit, (leave + arrive + gain) / 2.0)
    top = np.sqrt(peak)
    ramps = (2.0 * top - np.sqrt(leave) - np.sqrt(arrive)) / acceleration_mm_s2
    held = length - (2.0 * peak - leave - arrive) / (2.0 * acceleration_mm_s2)
    cruise = np.maximum(held, 0.0) / np.where(top > 0.0, top, 1.0)
    return np.asarray(ramps + cruise)


def stroke_times_s(course: Course, speed_mm_s: float, acceleration_mm_s2: float) -> Floats:
    """Time of every stroke at one set speed, from rest to rest [s]."""
    times = step_times_s(course, speed_mm_s, acceleration_mm_s2)
    return np.asarray(np.add.reduceat(times, course.first[:-1]))


def travel_times_s(
    strokes: Strokes,
    speed_mm_s: float,
    acceleration_mm_s2: float,
    start_mm: tuple[float, float] = (0.0, 0.0),
) -> Floats:
    """Time of the moves with the beam off: to each stroke's start, in the drawing's order."""
    leave = np.vstack([[start_mm], strokes.ends_mm])[: len(strokes)]
    distance = np.hypot(*(strokes.starts_mm - leave).T)
    return move_time_s(distance, speed_mm_s, acceleration_mm_s2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Lines that fill closed contours, one entry for each row that holds anything."""

    sweep_mm: Floats  # from the first to the last lit place of the row [mm]
    lit_mm: Floats  # how much of it is lit [mm]


def rows_of(strokes: Strokes, line_pitch_mm: float) -> Rows:
    """Fill closed contours with level lines; a contour inside another is a hole.

    Open lines enclose nothing and are left out.
    """
    closed = strokes.take(np.flatnonzero(strokes.closed))
    begin = closed.points_mm
    following = np.arange(1, len(begin) + 1)
    following[closed.first[1:] - 1] = closed.first[:-1]
    end = begin[following]
    low = np.minimum(begin[:, 1], end[:, 1]) / line_pitch_mm
    high = np.maximum(begin[:, 1], end[:, 1]) / line_pitch_mm
    # Row k lies in the middle of its strip, so that a contour's own level edges are met by none.
    top, bottom = np.ceil(low - 0.5), np.ceil(high - 0.5)
    counts = (bottom - top).astype(np.int64)
    if (count := counts.sum()) > MAX_CROSSINGS:
        raise MachineLimit(
            say("jobs.line_pitch_is_fine", pitch=line_pitch_mm, count=count, most=MAX_CROSSINGS)
        )
    edge = np.repeat(np.arange(len(counts)), counts)
    nth = np.arange(len(edge)) - np.repeat(np.cumsum(counts) - counts, counts)
    row = top[edge] + nth
    share = ((row + 0.5) * line_pitch_mm - begin[edge, 1]) / (end - begin)[edge, 1]
    x = begin[edge, 0] + share * (end - begin)[edge, 0]
    order = np.lexsort((x, row))
    row, x = row[order], x[order]
    if len(row) == 0:
        return Rows(sweep_mm=np.zeros(0), lit_mm=np.zeros(0))
    lit = x[1::2] - x[::2]
    starts = np.flatnonzero(np.append(True, row[1:] != row[:-1]))
    ends = np.append(starts[1:], len(row))
    filled = np.append(0.0, np.cumsum(lit))
    return Rows(sweep_mm=x[ends - 1] - x[starts], lit_mm=filled[ends // 2] - filled[starts // 2])


def rows_time_s(rows: Rows, machine: Machine, setting: Setting) -> tuple[float, float]:
    """Time of one pass over some rows: with the beam on, and of run-ups, gaps and steps [s].

    Notes
    -----
    Each row begins and ends with a dark run-up of 1.2 v²/2a (``physics.run_up_mm``): v/a to
    reach the speed and a fifth of that path more at speed. The step to the next row comes after
    the head has stopped. A machine that burns in one direction only travels back each row.
    """
    v, a = setting.speed_mm_s, machine.working_acceleration_mm_s2
    if len(rows.sweep_mm) == 0:
        return 0.0, 0.0
    beam_on = float(rows.lit_mm.sum()) / v
    gaps = float((rows.sweep_mm - rows.lit_mm).sum()) / v
    if not machine.area_both_ways:
        back = rows.sweep_mm + 2.0 * run_up_mm(v, a)
        gaps += float(move_time_s(back, machine.max_speed_mm_s, a).sum())
    run_up = v / a + (run_up_mm(v, a) - v * v / (2.0 * a)) / v
    step = float(move_time_s(setting.line_pitch_mm or 0.0, machine.max_speed_mm_s, a))
    return beam_on, gaps + len(rows.sweep_mm) * (2.0 * run_up + step)
