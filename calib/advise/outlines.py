"""Lines of a drawing as points in millimetres: curves made into short straight steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.errors import BadFile

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# How far the points may leave the true curve [mm]: a tenth of the finest kerf.
FLATNESS_MM = 0.01
# Ends nearer than this are the same place [mm].
SAME_PLACE_MM = 1e-3
# Steps shorter than this are no steps [mm]: they would only spoil the angle at the corner.
_NO_STEP_MM = 1e-6
# Nothing is cut a hundred metres away: a larger coordinate is a slip or an attack [mm].
MAX_COORDINATE_MM = 1e5
# Bounds on the work that a small file can ask for: beyond the first, curves are followed less
# closely; beyond the second the drawing is refused.
MANY_POINTS = 1_000_000
MAX_POINTS = 3_000_000
_MAX_POINTS_A_PIECE = 500
# How much coarser then, and the least steps for a piece; lengths stay exact.
_COARSER = ((1.0, 3.0), (4.0, 2.0), (10.0, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strokes:
    """Lines that the head follows without lifting, as points."""

    points_mm: Floats  # All points, stroke after stroke, shape (n, 2) [mm]
    # Path from each point to the next of its stroke, along the true curve; 0 at a stroke's last
    # point; shape (n,) [mm]
    step_mm: Floats
    first: Ints  # Index of each stroke's first point, then n; shape (strokes + 1,)
    closed: Flags  # Whether the stroke ends where it began, shape (strokes,)

    def __len__(self) -> int:
        return len(self.closed)

    @property
    def lengths_mm(self) -> Floats:
        """Length of each stroke [mm]."""
        if len(self) == 0:
            return np.zeros(0)
        return np.asarray(np.add.reduceat(self.step_mm, self.first[:-1]))

    @property
    def length_mm(self) -> float:
        """Length of all strokes [mm]."""
        return float(self.step_mm.sum())

    @property
    def starts_mm(self) -> Floats:
        """First point of each stroke, shape (strokes, 2) [mm]."""
        return np.asarray(self.points_mm[self.first[:-1]])

    @property
    def ends_mm(self) -> Floats:
        """Last point of each stroke, shape (strokes, 2) [mm]."""
        return np.asarray(self.points_mm[self.first[1:] - 1])

    def boxes_mm(self) -> Floats:
        """Box of each stroke: x and y from, x and y to; shape (strokes, 4) [mm]."""
        if len(self) == 0:
            return np.zeros((0, 4))
        low = np.minimum.reduceat(self.points_mm, self.first[:-1], axis=0)
        high = np.maximum.reduceat(self.points_mm, self.first[:-1], axis=0)
        return np.hstack([low, high])

    def stroke(self, index: int) -> Floats:
        """Points of one stroke, shape (k, 2) [mm]."""
        return np.asarray(self.points_mm[self.first[index] : self.first[index + 1]])

    def take(self, which: npt.ArrayLike) -> Strokes:
        """The strokes at these indices, in this order."""
        index = np.asarray(which, dtype=np.int64)
        counts = np.diff(self.first)[index]
        first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        rows = np.repeat(self.first[index] - first[:-1], counts) + np.arange(first[-1])
        return Strokes(
            points_mm=self.points_mm[rows],
            step_mm=self.step_mm[rows],
            first=first,
            closed=self.closed[index],
        )


NO_STROKES = Strokes(
    points_mm=np.zeros((0, 2)),
    step_mm=np.zeros(0),
    first=np.zeros(1, dtype=np.int64),
    closed=np.zeros(0, dtype=bool),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """Cubic pieces in the order in which they are drawn."""

    controls: Floats  # Four control points of each piece, shape (n, 4, 2)
    path: Ints  # Index of the path that each belongs to, shape (n,)
    is_start: Flags  # True for a piece without length that only begins a stroke, shape (n,)

    def moved(self, matrices: Floats) -> Pieces:
        """The pieces moved by their path's (a, b, c, d, e, f), shape (paths, 6)."""
        a, b, c, d, e, f = (column[:, None] for column in matrices[self.path].T)
        x, y = self.controls[:, :, 0], self.controls[:, :, 1]
        moved = np.stack([a * x + c * y + e, b * x + d * y + f], axis=2)
        check_reach(moved)
        return Pieces(controls=moved, path=self.path, is_start=self.is_start)


def check_reach(points: Floats) -> None:
    """Refuse points that are farther away than any bed reaches.

    Raises BadFile when one is beyond ``MAX_COORDINATE_MM``, or no number.
    """
    # Written so that NaN is refused too.
    if not (np.abs(points) <= MAX_COORDINATE_MM).all():
        raise BadFile(
            f"the drawing reaches beyond {MAX_COORDINATE_MM / 1000.0:g} m: draw it at its"
            " real size, in millimetres."
        )


def too_many_points(count: int) -> BadFile:
    """The refusal of a drawing that needs more than ``MAX_POINTS`` points."""
    return BadFile(
        f"the drawing's curves need {count} points, more than the {MAX_POINTS} that are read:"
        " simplify the paths or split the drawing."
    )


def joined_strokes(parts: Sequence[Strokes]) -> Strokes:
    """Put strokes behind one another."""
    if len(parts) == 1:
        return parts[0]
    before = np.cumsum([0, *(len(part.points_mm) for part in parts)])
    first = [part.first[:-1] + at for part, at in zip(parts, before, strict=False)]
    return Strokes(
        points_mm=np.vstack([part.points_mm for part in parts]),
        step_mm=np.concatenate([part.step_mm for part in parts]),
        first=np.append(np.concatenate(first), before[-1]).astype(np.int64),
        closed=np.concatenate([part.closed for part in parts]),
    )


def flattened(pieces: Pieces, flatness_mm: float = FLATNESS_MM) -> tuple[Strokes, Ints]:
    """Make strokes out of pieces.

    Raises BadFile when it would take more than ``MAX_POINTS`` points.
    """
    if len(pieces.path) == 0:
        return NO_STROKES, pieces.path
    counts = _step_counts(pieces, flatness_mm)
    rows = np.repeat(np.arange(len(counts)), counts)
    nth = np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts) + 1
    share = nth / counts[rows]
    points = _bezier(pieces.controls, rows, share)
    begins = pieces.is_start[rows]
    before = np.vstack([points[:1], points[:-1]])
    chord = np.hypot(*(points - before).T)
    length = np.maximum(chord, _step_lengths(pieces.controls, rows, share, 1.0 / counts[rows]))
    keep = begins | (chord > _NO_STEP_MM)
    points, length, begins, rows = points[keep], length[keep], begins[keep], rows[keep]
    first = np.append(np.flatnonzero(begins), len(points))
    step = np.append(length[1:], 0.0)
    step[first[1:] - 1] = 0.0
    return _without_dots(points, step, first, pieces, rows)


def _without_dots(
    points: Floats, step: Floats, first: Ints, pieces: Pieces, rows: Ints
) -> tuple[Strokes, Ints]:
    path = pieces.path[rows[first[:-1]]]
    gap = np.hypot(*(points[first[1:] - 1] - points[first[:-1]]).T)
    size = np.diff(first)
    strokes = Strokes(
        points_mm=points,
        step_mm=step,
        first=first.astype(np.int64),
        closed=(gap < SAME_PLACE_MM) & (size > 2),
    )
    lines = np.flatnonzero(size > 1)
    return (strokes if len(lines) == len(path) else strokes.take(lines)), path[lines]


def _step_counts(pieces: Pieces, flatness_mm: float) -> Ints:
    """Steps for each piece: the chord error of a step of length h is at most h² max|B″| / 8."""
    p = pieces.controls
    bend = np.maximum(
        np.hypot(*(p[:, 0] - 2.0 * p[:, 1] + p[:, 2]).T),
        np.hypot(*(p[:, 1] - 2.0 * p[:, 2] + p[:, 3]).T),
    )
    straight = (p[:, 0] == p[:, 1]).all(axis=1) & (p[:, 2] == p[:, 3]).all(axis=1)
    for coarser, least in _COARSER:
        counts = np.ceil(np.sqrt(6.0 * bend / (8.0 * flatness_mm * coarser)))
        counts = np.where(straight, 1.0, np.clip(counts, least, _MAX_POINTS_A_PIECE))
        if counts.sum() <= (MAX_POINTS if least == 1.0 else MANY_POINTS):
            return counts.astype(np.int64)
    raise too_many_points(int(counts.sum()))


def _bezier(controls: Floats, rows: Ints, share: Floats) -> Floats:
    """Points at ``share`` of their pieces, by de Casteljau's weights, one axis at a time."""
    t, s = share, 1.0 - share
    weights = (s**3, 3.0 * s * s * t, 3.0 * s * t * t, t**3)
    columns = [sum(w * controls[rows, k, axis] for k, w in enumerate(weights)) for axis in (0, 1)]
    return np.stack(columns, axis=1)


def _step_lengths(controls: Floats, rows: Ints, share: Floats, width: Floats) -> Floats:
    """Length of the curve over [share − width, share], by two Gauss points.

    Exact for a line, which is stored with doubled ends: its pace is a parabola.
    """
    length = np.zeros(len(rows))
    edges = np.diff(controls, axis=1) * 3.0
    for node in (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)):
        t = share - width * node
        weights = ((1.0 - t) ** 2, 2.0 * t * (1.0 - t), t * t)
        speed = [sum(w * edges[rows, k, axis] for k, w in enumerate(weights)) for axis in (0, 1)]
        length += 0.5 * width * np.hypot(*speed)
    return length


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arcs:
    """Elliptical arcs as SVG writes them; every field has shape (n,) or (n, 2)."""

    # begin, end: End points
    begin: Floats
    end: Floats
    # rx, ry: Radii
    rx: Floats
    ry: Floats
    tilt_deg: Floats  # Angle of the first radius against the x axis [°]
    # large, sweep: The two flags
    large: Flags
    sweep: Flags


def arc_cubics(arcs: Arcs) -> tuple[Ints, Floats]:
    """Cubic pieces of at most 45 degrees for each arc (off by 4e-6 of the radius).

    Notes
    -----
    Centre and angles as in the SVG 1.1 recommendation, appendix F.6.5; radii that are too small
    are stretched (F.6.6), and an arc without radius is a line.
    """
    tilt = np.radians(arcs.tilt_deg)
    cos, sin = np.cos(tilt), np.sin(tilt)
    half = (arcs.begin - arcs.end) / 2.0
    x, y = cos * half[:, 0] + sin * half[:, 1], -sin * half[:, 0] + cos * half[:, 1]
    flat = (arcs.rx == 0.0) | (arcs.ry == 0.0) | ((x == 0.0) & (y == 0.0))
    rx = np.where(flat, 1.0, np.abs(arcs.rx))
    ry = np.where(flat, 1.0, np.abs(arcs.ry))
    stretch = np.sqrt(np.maximum((x / rx) ** 2 + (y / ry) ** 2, 1.0))
    rx, ry = rx * stretch, ry * stretch
    u, v = x / rx, y / ry
    reach = np.sqrt(np.maximum(1.0 / np.where(flat, 1.0, u**2 + v**2) - 1.0, 0.0))
    reach = np.where(arcs.large == arcs.sweep, -reach, reach)
    cu, cv = reach * v, -reach * u
    angle = np.arctan2(v - cv, u - cu)
    turn = (np.arctan2(-v - cv, -u - cu) - angle) % (2.0 * np.pi)
    turn = np.where(arcs.sweep, turn, turn - 2.0 * np.pi)
    turn = np.where(flat, 0.0, turn)
    axes = np.stack([rx * cos, rx * sin, -ry * sin, ry * cos], axis=1).reshape(-1, 2, 2)
    middle = (arcs.begin + arcs.end) / 2.0
    centre = middle + cu[:, None] * axes[:, 0] + cv[:, None] * axes[:, 1]
    counts = np.maximum(np.ceil(np.abs(turn) / (np.pi / 4.0) - 1e-9), 1.0).astype(np.int64)
    rows = np.repeat(np.arange(len(counts)), counts)
    controls = _turned(centre[rows], axes[rows], angle[rows], (turn / counts)[rows], counts)
    last = np.cumsum(counts) - 1
    controls[last - counts + 1, 0] = arcs.begin
    controls[last, 3] = arcs.end
    line = np.stack([arcs.begin, arcs.begin, arcs.end, arcs.end], axis=1)
    controls[last[flat]] = line[flat]
    return counts, controls


def _turned(centre: Floats, axes: Floats, angle: Floats, step: Floats, counts: Ints) -> Floats:
    nth = np.arange(len(step)) - np.repeat(np.cumsum(counts) - counts, counts)
    low, high = angle + nth * step, angle + (nth + 1) * step
    pull = 4.0 / 3.0 * np.tan(step / 4.0)
    circle = (
        (np.cos(low), np.sin(low)),
        (np.cos(low) - pull * np.sin(low), np.sin(low) + pull * np.cos(low)),
        (np.cos(high) + pull * np.sin(high), np.sin(high) - pull * np.cos(high)),
        (np.cos(high), np.sin(high)),
    )
    corners = [centre + c[:, None] * axes[:, 0] + s[:, None] * axes[:, 1] for c, s in circle]
    return np.stack(corners, axis=1)
