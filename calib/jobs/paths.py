"""Path data of a drawing as strokes in millimetres; svgelements reads the path data."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Sequence
from typing import Any

import numpy as np
import svgelements

from calib.errors import BadFile, shown
from calib.jobs.outlines import FLATNESS_MM, Flags, Floats, Ints, Strokes, flattened
from calib.texts.say import say

# Bounds on the work that path data may ask for; ten megabytes hold some 700,000 segments.
MAX_SEGMENTS = 1_000_000
MAX_ARCS = 200_000
# Nothing is cut a hundred metres away: a larger coordinate is a slip or an attack [mm].
_MAX_COORDINATE_MM = 1e5
# One number, of a bounded length.
NUMBER = r"[-+]?(?>\d{1,40}+(?>\.\d{0,40}+)?+|\.\d{1,40}+)(?!\d)(?>[eE][-+]?\d{1,2}(?!\d))?+"
_GAP = r"[\s,]*+"
_N, _FLAG = rf"(?>{NUMBER}){_GAP}", rf"[01]{_GAP}"
# The library reads as far as it can and is silent on the rest, so it gets only what is well
# formed, by the grammar of the SVG recommendation.
_MOVE = rf"[Mm]{_GAP}(?:{_N * 2})++"
_COMMAND = (
    rf"(?:{_MOVE}|[LlTt]{_GAP}(?:{_N * 2})++|[HhVv]{_GAP}(?:{_N})++|[SsQq]{_GAP}(?:{_N * 4})++"
    rf"|[Cc]{_GAP}(?:{_N * 6})++|[Aa]{_GAP}(?:{_N * 3}{_FLAG * 2}{_N * 2})++|[Zz]{_GAP})"
)
_PATH = re.compile(rf"\s*+(?:(?={_MOVE}){_COMMAND}*+)?+", re.ASCII)
_LETTERS = re.compile(r"[A-DF-Za-df-z]")
_RUN = re.compile(r"([A-DF-Za-df-z])([^A-DF-Za-df-z]++)")
_ANY_NUMBER = re.compile(NUMBER)
_ARITY = {"m": 2, "l": 2, "t": 2, "h": 1, "v": 1, "s": 4, "q": 4, "c": 6, "a": 7}
_START, _CURVE, _ARC = 0, 1, 2


def strokes_of_paths(
    paths: Sequence[str], matrices: Floats, flatness_mm: float = FLATNESS_MM
) -> tuple[Strokes, Ints]:
    """Strokes of path data, and the index of the path that each stroke belongs to.

    ``matrices`` holds (a, b, c, d, e, f) for each path: x' = a x + c y + e, y' = b x + d y + f
    [mm]. Points leave the curve by ``flatness_mm`` at most, lengths by a hundred-thousandth.

    Examples
    --------
    >>> unit = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    >>> strokes, _ = strokes_of_paths(["M0 0h10v10H0z"], unit)
    >>> round(strokes.length_mm, 9), bool(strokes.closed[0])
    (40.0, True)
    """
    _refuse_too_many(paths)
    numbers, kinds, path_of = array("d"), array("b"), array("q")
    for nth, path in enumerate(paths):
        before = len(kinds)
        _add_path(path, numbers, kinds)
        path_of.extend((nth,) * (len(kinds) - before))
    rows = np.array(numbers).reshape(-1, 4, 2)
    kind, owner = np.array(kinds, dtype=np.int64), np.array(path_of, dtype=np.int64)
    return flattened(*_pieces(rows, kind, owner, matrices), flatness_mm)


def _out_of_reach() -> BadFile:
    return BadFile(say("jobs.drawing_reaches_beyond_m", far_m=_MAX_COORDINATE_MM / 1000.0))


def _refuse_too_many(paths: Sequence[str]) -> None:
    """Count before anything is made of it: what stands in the text bounds what comes out."""
    segments = arcs = 0
    for path in paths:
        segments += _LETTERS.subn("", path)[1]
        for letter, text in _RUN.findall(path) if segments <= MAX_SEGMENTS else ():
            count = _ANY_NUMBER.subn("", text)[1] // _ARITY.get(letter.lower(), 1)
            segments += max(count - 1, 0)
            arcs += count if letter in "aA" else 0
        for count, limit, what in ((segments, MAX_SEGMENTS, "segments"), (arcs, MAX_ARCS, "arcs")):
            if count > limit:
                raise BadFile(say("jobs.drawings_paths_have_more", limit=limit, what=what))


def _add_path(text: str, numbers: array[float], kinds: array[int]) -> None:
    """Add its segments as rows of four points; an arc's are centre, two half axes, two angles."""
    good = _PATH.match(text)
    at = good.end() if good else 0
    if at < len(text):
        raise BadFile(say("jobs.path_of_drawing_cant_be_read", text=shown(text[at : at + 20])))
    try:
        parts = svgelements.Path(text)
    except (ArithmeticError, ValueError):
        raise _out_of_reach() from None
    last: object = None
    control: Any = None
    for part in parts:
        start, end, before, last = part.start, part.end, last, part
        moves = isinstance(part, svgelements.Move)
        if moves or isinstance(before, svgelements.Close):
            begin = end if moves else start
            numbers.extend((begin.x, begin.y) * 4)
            kinds.append(_START)
        if moves:
            continue
        if isinstance(part, svgelements.Arc) and part.sweep and part.rx > 0.0 and part.ry > 0.0:
            x, y = part.center
            across, down = (part.prx.x - x, part.prx.y - y), (part.pry.x - x, part.pry.y - y)
            u, v = (
                ((start.x - x) * a + (start.y - y) * b) / (a * a + b * b) for a, b in (across, down)
            )
            numbers.extend((x, y, *across, *down, math.atan2(v, u), part.sweep))
            kinds.append(_ARC)
            continue
        one, two = start, end
        # The library lets S and T go on from curves of the other kind too, which they don't.
        if isinstance(part, svgelements.CubicBezier):
            goes_on = not part.smooth or isinstance(before, svgelements.CubicBezier)
            one, two = part.control1 if goes_on else start, part.control2
        elif isinstance(part, svgelements.QuadraticBezier):
            goes_on = isinstance(before, svgelements.QuadraticBezier)
            mirrored = start * 2.0 - control if goes_on else start
            control = mirrored if part.smooth else part.control
            one, two = (p + (control - p) * (2.0 / 3.0) for p in (start, end))
        numbers.extend((start.x, start.y, one.x, one.y, two.x, two.y, end.x, end.y))
        kinds.append(_CURVE)


def _pieces(rows: Floats, kind: Ints, owner: Ints, matrices: Floats) -> tuple[Floats, Ints, Flags]:
    """Move the rows to millimetres and make cubic pieces of at most 45 degrees out of arcs."""
    arc = kind == _ARC
    turns = rows[arc, 3]
    a, b, c, d, e, f = (column[:, None] for column in matrices[owner].T)
    x, y = rows[:, :, 0], rows[:, :, 1]
    moved = np.stack([a * x + c * y, b * x + d * y], axis=2)
    shift = np.stack([e, f], axis=2)
    moved[~arc] += shift[~arc]
    moved[arc, 0] += shift[arc, 0]
    moved[arc, 3] = moved[arc, 0]
    # Written so that NaN is refused too.
    if not (np.abs(moved) <= _MAX_COORDINATE_MM).all():
        raise _out_of_reach()
    counts = np.ones(len(rows), dtype=np.int64)
    counts[arc] = np.maximum(np.ceil(np.abs(turns[:, 1]) / (np.pi / 4.0) - 1e-9), 1.0)
    many = counts[arc]
    step = np.repeat(turns[:, 1] / many, many)
    nth = np.arange(len(step)) - np.repeat(np.cumsum(many) - many, many)
    low = np.repeat(turns[:, 0], many) + nth * step
    high = low + step
    # A cubic with handles of this length follows an arc of a circle to 4e-6 of its radius.
    pull = 4.0 / 3.0 * np.tan(step / 4.0)
    circle = (
        (np.cos(low), np.sin(low)),
        (np.cos(low) - pull * np.sin(low), np.sin(low) + pull * np.cos(low)),
        (np.cos(high) + pull * np.sin(high), np.sin(high) - pull * np.cos(high)),
        (np.cos(high), np.sin(high)),
    )
    centre, across, down = (np.repeat(moved[arc, k], many, axis=0) for k in range(3))
    which = np.repeat(np.arange(len(rows)), counts)
    controls = moved[which]
    controls[arc[which]] = np.stack(
        [centre + u[:, None] * across + v[:, None] * down for u, v in circle], axis=1
    )
    return controls, owner[which], (kind == _START)[which]
