"""Path data of a drawing, all paths at once: text to points in millimetres, with numpy.

A geometry library that makes one object for each segment needs some nine seconds for ten
megabytes (measured: 0.9 s a megabyte of points, 0.17 ms an element); whole arrays need one.
Coordinates pass through four stages: numbers, segments, absolute cubic pieces, points.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.advise.outlines import (
    FLATNESS_MM,
    MAX_COORDINATE_MM,
    Arcs,
    Flags,
    Floats,
    Ints,
    Pieces,
    Strokes,
    arc_cubics,
    flattened,
)
from calib.errors import BadFile

# Bounds on the work and memory that path data may ask for; ten megabytes hold about a million
# segments and two million numbers.
MAX_SEGMENTS = 2_000_000
MAX_NUMBERS = 4_000_000
MAX_ARCS = 300_000
_LETTERS = "MmZzLlHhVvCcSsQqTtAaX"  # X stands before each path and is no command
_ARITY = np.array([2, 2, 0, 0, 2, 2, 1, 1, 1, 1, 6, 6, 4, 4, 4, 4, 2, 2, 7, 7, 0])
_M, _Z, _L, _H, _V, _C, _S, _Q, _T, _A, _X = range(11)
# Where the end point stands among the numbers of a segment, by command; -1: not given.
_END_X = np.array([0, -1, 0, 0, -1, 4, 2, 2, 0, 5])
_END_Y = np.array([1, -1, 1, -1, 0, 5, 3, 3, 1, 6])
# Each command letter becomes a number that no coordinate can be: coordinates of 60 digits or
# with a three-digit exponent are refused before.
_MARK = 1e300
_MARKED = [(c.encode(), f" {i + 1}e300 ".encode()) for i, c in enumerate(_LETTERS)]
_ALLOWED = b"MmZzLlHhVvCcSsQqTtAaeE0123456789+-., \t\r\n\f"
_STRAY = re.compile(rb"[^MmZzLlHhVvCcSsQqTtAaeE0-9+\-., \t\r\n\f]")
_DIGITS_ALIKE = bytes.maketrans(b"123456789", b"000000000")
_LONG_NUMBER = b"0" * 60
_LARGE_EXPONENT = re.compile(rb"[eE][\s,]*+[-+]?0*+[1-9]\d\d")
# Possessive, and begun at a number's first digit only: a hostile run of digits must not be tried
# in every split.
_SPACES = re.compile(rb"[\s,]{2,}")
_NUMBER = rb"([-+]?(?>\d++\.?\d*+|\.\d++)(?>[eE][-+]?\d++)?+)[\s,]*+"
_ARC_RUN = re.compile(rb"[Aa][^MmZzLlHhVvCcSsQqTtAaX]*+")
_ARC = re.compile(rb"(?<![\d.])" + _NUMBER * 3 + rb"([01])[\s,]*+([01])[\s,]*+" + _NUMBER * 2)
_NEEDLESS_ZERO = re.compile(rb"0(?<![\d.eE+-]0)\d")  # the 0 first: found faster
_SECOND_POINT = re.compile(rb"(\.\d*+(?>[eE][-+]?\d++)?+)(?=\.)")
_POINT_AFTER_EXPONENT = re.compile(rb"([eE][-+]?\d++)(?=\.)")


@dataclass(frozen=True, slots=True)
class _Segments:
    """One row for each drawn segment: command, whether relative, its numbers, path, subpath."""

    code: Ints
    relative: Flags
    args: Ints
    path: Ints
    values: Floats

    def arg(self, rows: Ints | Flags, offset: int) -> Floats:
        return np.asarray(self.values[self.args[rows] + offset])


def strokes_of_paths(
    paths: Sequence[str], matrices: Floats, flatness_mm: float = FLATNESS_MM
) -> tuple[Strokes, Ints]:
    """Turn path data into points.

    Raises BadFile when the text isn't path data, holds numbers that are none, or asks for too many
    points.

    Examples
    --------
    >>> unit = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    >>> strokes, _ = strokes_of_paths(["M0 0h10v10H0z"], unit)
    >>> round(strokes.length_mm, 9), bool(strokes.closed[0])
    (40.0, True)
    """
    pieces = _pieces(_segments(_tokens(paths)))
    return flattened(pieces.moved(matrices), flatness_mm)


def _tokens(paths: Sequence[str]) -> Floats:
    """All numbers of all paths in one array, letters as marks."""
    text = "".join(paths).encode("ascii", "replace")
    # Whole-text operations run in C; a pattern is only tried where it can match.
    stray = _STRAY.search(text) if text.translate(None, _ALLOWED) else None
    if stray:
        shown = text[stray.start() : stray.start() + 12].split()[0].decode("ascii")
        raise BadFile(
            f"a path of the drawing holds {shown!r}, which is neither a number nor a path command:"
            " save the drawing again from the program it was drawn with."
        )
    has_exponent = b"e" in text or b"E" in text
    if _LONG_NUMBER in text.translate(_DIGITS_ALIKE) or (
        has_exponent and _LARGE_EXPONENT.search(text)
    ):
        raise BadFile(
            "a path of the drawing holds a number of 60 digits or more: coordinates may be up to"
            f" {MAX_COORDINATE_MM:g} mm; draw it at its real size."
        )
    text = _SPACES.sub(b" ", b"X" + "X".join(paths).encode("ascii").replace(b",", b" "))
    _refuse_too_many(text)
    # A sign begins a number unless it belongs to an exponent.
    text = text.replace(b"-", b" -").replace(b"+", b" +")
    for exponent in (b"e", b"E"):
        text = text.replace(exponent + b" ", exponent)
    text = _SECOND_POINT.sub(rb"\1 ", text)
    if has_exponent:
        text = _POINT_AFTER_EXPONENT.sub(rb"\1 ", text)
    values = _read_numbers(_marked(text))
    if (b"a" in text or b"A" in text) and not _flags_stand_apart(text, values):
        # The two flags of an arc may stand without a gap, as in "0 01 9 9" or "0 0019 9".
        text = _ARC_RUN.sub(lambda m: _ARC.sub(rb" \1 \2 \3 \4 \5 \6 \7 ", m.group()), text)
        values = _read_numbers(_marked(text))
    return values


def _marked(text: bytes) -> bytes:
    for letter, mark in _MARKED:
        text = text.replace(letter, mark)
    return text


def _flags_stand_apart(text: bytes, values: Floats) -> bool:
    """Whether arcs need no closer look, which is slow.

    The first flag that touches what follows makes a number that begins with a needless 0, or one
    that is neither 0 nor 1 where a flag is due.
    """
    if _NEEDLESS_ZERO.search(text):
        return False
    at, letter, counts = _commands(values)
    arcs = letter // 2 == _A
    if (counts[arcs] % 7 != 0).any():
        return False
    many = counts[arcs] // 7
    first = np.repeat(at[arcs] + 1, many)
    nth = np.arange(len(first)) - np.repeat(np.cumsum(many) - many, many)
    return all(np.isin(values[first + 7 * nth + flag], (0.0, 1.0)).all() for flag in (3, 4))


def _refuse_too_many(text: bytes) -> None:
    """Count before anything is made of it: what stands in the text bounds what comes out."""
    letters = len(text) - len(text.translate(None, _LETTERS.encode("ascii")))
    signs = text.count(b"-") + text.count(b"+") - text.count(b"e") - text.count(b"E")
    numbers = max(text.count(b"."), signs, text.count(b" ") - 2 * letters)
    _refuse_beyond(numbers, MAX_NUMBERS, "numbers")
    _refuse_beyond(letters, MAX_SEGMENTS, "segments")


def _refuse_beyond(count: int, limit: int, what: str) -> None:
    if count > limit:
        raise BadFile(
            f"the drawing's paths have {count} {what}, more than the {limit} that are read:"
            " simplify them or split the drawing."
        )


def _read_numbers(text: bytes) -> Floats:
    try:
        return np.asarray(np.fromstring(text, dtype=np.float64, sep=" "))
    except ValueError:
        raise BadFile(
            "a path of the drawing holds something that isn't a number, such as a lone point or"
            " sign: save the drawing again from the program it was drawn with."
        ) from None


def _commands(values: Floats) -> tuple[Ints, Ints, Ints]:
    """Where each letter stands, which it is, and how many numbers follow it."""
    at = np.flatnonzero(values >= _MARK)
    letter = np.rint(values[at] / _MARK).astype(np.int64) - 1
    return at, letter, np.diff(np.append(at, len(values))) - 1


def _segments(values: Floats) -> _Segments:
    at, letter, counts = _commands(values)
    arity = _ARITY[letter]
    bad = np.where(arity > 0, (counts == 0) | (counts % np.maximum(arity, 1) != 0), counts > 0)
    if bad.any():
        which = int(np.argmax(bad))
        name, wants = _LETTERS[letter[which]], int(arity[which])
        raise BadFile(
            f"a path of the drawing has {int(counts[which])} numbers after"
            f" {'its beginning' if name == 'X' else repr(name)}, where {wants or 'none'}"
            f"{' or a multiple' if wants else ''} may stand: save the drawing again from the"
            " program it was drawn with."
        )
    repeats = np.maximum(counts // np.maximum(arity, 1), 1)
    _refuse_beyond(int(repeats.sum()), MAX_SEGMENTS, "segments")
    which_command = np.repeat(np.arange(len(at)), repeats)
    nth = np.arange(len(which_command)) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    code = letter[which_command] // 2
    relative = letter[which_command] % 2 == 1
    args = at[which_command] + 1 + nth * arity[which_command]
    code = np.where((code == _M) & (nth > 0), _L, code)
    return _with_starts(code, relative, args, values)


def _with_starts(code: Ints, relative: Flags, args: Ints, values: Floats) -> _Segments:
    """Drop the path marks; let every subpath begin with an M, also after a closing Z."""
    path = np.cumsum(code == _X) - 1
    begins = np.flatnonzero(code[:-1] == _X) + 1
    begins = begins[code[begins] != _X]
    if (code[begins] != _M).any():
        raise BadFile(
            "a path of the drawing doesn't begin with M, its first point: save the drawing again"
            " from the program it was drawn with."
        )
    relative = relative.copy()
    relative[begins] = False
    after_close = np.flatnonzero((code[:-1] == _Z) & (code[1:] != _M) & (code[1:] != _X)) + 1
    # An inserted "m 0 0" reads its two zeros from the end of the values.
    values = np.append(values, [0.0, 0.0])
    code = np.insert(code, after_close, _M)
    relative = np.insert(relative, after_close, True)
    args = np.insert(args, after_close, len(values) - 2)
    path = np.insert(path, after_close, path[after_close])
    keep = code != _X
    return _Segments(code[keep], relative[keep], args[keep], path[keep], values)


def _last_set(is_set: Flags) -> Ints:
    """For each entry, where the last one before it or itself stands that is set."""
    return np.maximum.accumulate(np.where(is_set, np.arange(len(is_set)), 0))


def _running(is_set: Flags, value: Floats) -> Floats:
    """Running value of a list of "set to" and "add": sum since the last set."""
    sums = np.cumsum(np.where(is_set, 0.0, value))
    last = _last_set(is_set)
    return np.asarray(np.where(is_set[last], value[last] - sums[last], 0.0) + sums)


def _ends(seg: _Segments, end_at: Ints) -> Floats:
    """Absolute end of every segment along one axis.

    Within a subpath, positions are either known or counted from its start; the starts then form
    a list of the same kind, because a closed subpath hands its start on to the next.
    """
    start, close = seg.code == _M, seg.code == _Z
    offset = end_at[seg.code]
    given = offset >= 0
    value = np.where(given, seg.values[seg.args + np.maximum(offset, 0)], 0.0)
    is_set = given & ~seg.relative
    floating_start = start & seg.relative
    local = _running(is_set | start, np.where(floating_start, 0.0, value))
    floating = floating_start[_last_set(is_set | start)]
    begins = np.flatnonzero(start)
    before = begins - 1  # row -1 belongs to the first start, which is always set
    carried = np.where(close[before], 0.0, local[before])
    to_known = ~floating_start[begins] | (~close[before] & ~floating[before])
    starts = _running(
        to_known, np.where(floating_start[begins], carried + value[begins], value[begins])
    )
    start_of = starts[np.cumsum(start) - 1]
    return np.where(close, start_of, local + np.where(floating, start_of, 0.0))


def _pieces(seg: _Segments) -> Pieces:
    end = np.stack([_ends(seg, _END_X), _ends(seg, _END_Y)], axis=1)
    begin = np.vstack([end[:1], end[:-1]])
    start = seg.code == _M
    begin[start] = end[start]
    controls = np.stack([begin, begin, end, end], axis=1)
    _set_cubics(controls, seg)
    _set_quadratics(controls, seg)
    arcs = np.flatnonzero(seg.code == _A)
    rows = np.arange(len(controls))
    if len(arcs):
        counts, parts = _arcs(controls, seg, arcs)
        repeats = np.ones(len(controls), dtype=np.int64)
        repeats[arcs] = counts
        rows = np.repeat(rows, repeats)
        controls = controls[rows]
        controls[seg.code[rows] == _A] = parts
    return Pieces(
        controls=controls,
        path=seg.path[rows],
        is_start=start[rows],
    )


def _arcs(controls: Floats, seg: _Segments, rows: Ints) -> tuple[Ints, Floats]:
    _refuse_beyond(len(rows), MAX_ARCS, "arcs")
    flags = seg.arg(rows, 3), seg.arg(rows, 4)
    if not all(np.isin(flag, (0.0, 1.0)).all() for flag in flags):
        raise BadFile(
            "an arc of the drawing has a flag that is neither 0 nor 1: save the drawing again"
            " from the program it was drawn with."
        )
    return arc_cubics(
        Arcs(
            begin=controls[rows, 0],
            end=controls[rows, 3],
            rx=seg.arg(rows, 0),
            ry=seg.arg(rows, 1),
            tilt_deg=seg.arg(rows, 2),
            large=flags[0] > 0.0,
            sweep=flags[1] > 0.0,
        )
    )


def _points(seg: _Segments, rows: Ints, offset: int, begin: Floats) -> Floats:
    xy = np.stack([seg.arg(rows, offset), seg.arg(rows, offset + 1)], axis=1)
    return np.asarray(np.where(seg.relative[rows][:, None], begin[rows] + xy, xy))


def _set_cubics(controls: Floats, seg: _Segments) -> None:
    full, smooth = np.flatnonzero(seg.code == _C), np.flatnonzero(seg.code == _S)
    begin = controls[:, 0]
    if len(full):
        controls[full, 1] = _points(seg, full, 0, begin)
        controls[full, 2] = _points(seg, full, 2, begin)
    if len(smooth):
        controls[smooth, 2] = _points(seg, smooth, 0, begin)
        follows = np.isin(seg.code[smooth - 1], (_C, _S))
        mirrored = 2.0 * begin[smooth] - controls[smooth - 1, 2]
        controls[smooth, 1] = np.where(follows[:, None], mirrored, begin[smooth])


def _set_quadratics(controls: Floats, seg: _Segments) -> None:
    rows = np.flatnonzero((seg.code == _Q) | (seg.code == _T))
    if len(rows) == 0:
        return
    control = controls[:, 0].copy()
    full = np.flatnonzero(seg.code == _Q)
    control[full] = _points(seg, full, 0, controls[:, 0])
    # Each T mirrors the control point before it, which may itself be a mirrored one:
    # c_k = 2 p_k − c_(k−1), a running sum once every second term has its sign turned.
    before = np.append(-1, seg.code[:-1])
    mirrors = (seg.code == _T) & ((before == _Q) | (before == _T))
    turn = np.where(np.arange(len(control)) % 2 == 0, 1.0, -1.0)
    for axis in (0, 1):
        value = turn * np.where(mirrors, 2.0 * controls[:, 0, axis], control[:, axis])
        control[:, axis] = turn * _running(~mirrors, value)
    for inner, end in ((1, 0), (2, 3)):
        outer = controls[rows, end]
        controls[rows, inner] = outer + (control[rows] - outer) * (2.0 / 3.0)
