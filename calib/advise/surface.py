"""The rows of a surface mark: how long the head sweeps, how long the beam is on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.advise.outlines import Floats, Strokes
from calib.errors import MachineLimit
from calib.physics import move_time_s, run_up_mm
from calib.records import Machine, Setting

# Bound on the work that a fine pitch on a large drawing can ask for.
MAX_CROSSINGS = 5_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Lines that fill closed contours, one entry for each row that holds anything."""

    sweep_mm: Floats  # From the first to the last lit place of the row [mm]
    lit_mm: Floats  # How much of it is lit [mm]


def rows_of(strokes: Strokes, line_pitch_mm: float) -> Rows:
    """Fill closed contours with level lines; a contour inside another is a hole.

    Raises MachineLimit when the pitch is so fine that the rows can't be counted.
    """
    begin, end = _edges(strokes)
    low = np.minimum(begin[:, 1], end[:, 1]) / line_pitch_mm
    high = np.maximum(begin[:, 1], end[:, 1]) / line_pitch_mm
    # Row k lies in the middle of its strip, so that a contour's own level edges are met by none.
    top, bottom = np.ceil(low - 0.5), np.ceil(high - 0.5)
    counts = (bottom - top).astype(np.int64)
    if counts.sum() > MAX_CROSSINGS:
        raise MachineLimit(
            f"a line pitch of {line_pitch_mm:g} mm crosses this drawing {counts.sum()} times, more"
            f" than the {MAX_CROSSINGS} that are counted: give a wider pitch or a smaller area."
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


def _edges(strokes: Strokes) -> tuple[Floats, Floats]:
    closed = strokes.take(np.flatnonzero(strokes.closed))
    begin = closed.points_mm
    following = np.arange(1, len(begin) + 1)
    following[closed.first[1:] - 1] = closed.first[:-1]
    return begin, np.asarray(begin[following])


def rows_time_s(rows: Rows, machine: Machine, setting: Setting) -> tuple[float, float]:
    """Time of one pass over some rows.

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
