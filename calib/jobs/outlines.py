"""Lines of a drawing as points in millimetres: curves made into short straight steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from calib.errors import BadFile
from calib.texts.say import say

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# How far the points may leave the true curve [mm]: a tenth of the finest kerf.
FLATNESS_MM = 0.01
# Ends nearer than this are the same place [mm].
SAME_PLACE_MM = 1e-3
# Steps shorter than this are no steps [mm]: they would only spoil the angle at the corner.
_NO_STEP_MM = 1e-6
# Bounds on the work that a small file can ask for: beyond the first, curves are followed less
# closely; beyond the second the drawing is refused.
MANY_POINTS = 1_000_000
MAX_POINTS = 3_000_000
_MAX_POINTS_A_PIECE = 500
# How much coarser then, and the least steps for a piece; lengths stay exact.
# At 22.5 degrees a step the head still takes a circle for a curve, not for corners.
_COARSER = ((1.0, 3.0), (4.0, 3.0), (10.0, 2.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strokes:
    """Lines that the head follows without lifting, as points."""

    points_mm: Floats  # all points, stroke after stroke, shape (n, 2) [mm]
    # path from each point to the next of its stroke, along the true curve; 0 at a stroke's last
    # point; shape (n,) [mm]
    step_mm: Floats
    first: Ints  # index of each stroke's first point, then n; shape (strokes + 1,)
    closed: Flags  # whether the stroke ends where it began, shape (strokes,)

    def __len__(self) -> int:
        return len(self.closed)

    @property
    def lengths_mm(self) -> Floats:
        """Length of each stroke [mm]."""
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


def flattened(
    controls: Floats, path: Ints, is_start: Flags, flatness_mm: float
) -> tuple[Strokes, Ints]:
    """Make strokes out of cubic pieces, in the order in which they are drawn; and whose they are.

    Of each its four control points, (n, 4, 2), the index of its path, (n,), and whether it has no
    length and only begins a stroke, (n,).
    """
    if len(path) == 0:
        return NO_STROKES, path
    counts = _step_counts(controls, flatness_mm)
    rows = np.repeat(np.arange(len(counts)), counts)
    nth = np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts) + 1
    share = nth / counts[rows]
    points = _bezier(controls, rows, share)
    begins = is_start[rows]
    before = np.vstack([points[:1], points[:-1]])
    chord = np.hypot(*(points - before).T)
    length = np.maximum(chord, _step_lengths(controls, rows, share, 1.0 / counts[rows]))
    keep = begins | (chord > _NO_STEP_MM)
    points, length, begins, rows = points[keep], length[keep], begins[keep], rows[keep]
    first = np.append(np.flatnonzero(begins), len(points))
    step = np.append(length[1:], 0.0)
    step[first[1:] - 1] = 0.0
    # Strokes of a single point are dots, which nobody means.
    owner = path[rows[first[:-1]]]
    gap = np.hypot(*(points[first[1:] - 1] - points[first[:-1]]).T)
    size = np.diff(first)
    strokes = Strokes(
        points_mm=points,
        step_mm=step,
        first=first.astype(np.int64),
        closed=(gap < SAME_PLACE_MM) & (size > 2),
    )
    lines = np.flatnonzero(size > 1)
    return (strokes if len(lines) == len(owner) else strokes.take(lines)), owner[lines]


def _step_counts(p: Floats, flatness_mm: float) -> Ints:
    """Steps for each piece: the chord error of a step of length h is at most h² max|B″| / 8."""
    bend = np.maximum(
        np.hypot(*(p[:, 0] - 2.0 * p[:, 1] + p[:, 2]).T),
        np.hypot(*(p[:, 1] - 2.0 * p[:, 2] + p[:, 3]).T),
    )
    straight = (p[:, 0] == p[:, 1]).all(axis=1) & (p[:, 2] == p[:, 3]).all(axis=1)
    for coarser, least in _COARSER:
        counts = np.ceil(np.sqrt(6.0 * bend / (8.0 * flatness_mm * coarser)))
        counts = np.where(straight, 1.0, np.clip(counts, least, _MAX_POINTS_A_PIECE))
        if counts.sum() <= (MAX_POINTS if least == 2.0 else MANY_POINTS):
            return counts.astype(np.int64)
    count = int(counts.sum())
    raise BadFile(say("jobs.drawings_curves_need_points", count=count, most=MAX_POINTS))


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


class Dashes(NamedTuple):
    """How a line is broken: lengths of dash, gap, dash, …, where in them it begins [units].

    ``path_length`` is what the whole path counts as; None: as long as it is.
    """

    pattern: tuple[float, ...]
    offset: float = 0.0
    path_length: float | None = None


def dashed(
    strokes: Strokes, path_of: Ints, dashes: Mapping[int, Dashes], matrices: Floats
) -> tuple[Strokes, Ints]:
    """Break the strokes of some paths into their dashes, each a stroke of its own.

    ``dashes`` are by path and in its units; ``matrices`` (a, b, c, d, e, f) lead from these to
    millimetres. The pattern begins anew on each stroke, as the SVG recommendation has it.
    """
    plain = np.ones(len(strokes), dtype=bool)
    parts: list[Strokes] = []
    owners: list[Ints] = []
    total = 0
    for path, dash in dashes.items():
        a, b, c, d = matrices[path, :4]
        first, last = np.searchsorted(path_of, [path, path + 1]).tolist()
        if a * d == b * c or first == last:
            continue
        to_units = np.linalg.inv([[a, b], [c, d]])
        along = (np.diff(strokes.stroke(i), axis=0) @ to_units for i in range(first, last))
        whole = [np.hypot(*steps.T) for steps in along]
        reach = sum(float(steps.sum()) for steps in whole)
        scale = reach / dash.path_length if dash.path_length else 1.0
        pattern = scale * np.array(dash.pattern * (1 + len(dash.pattern) % 2))
        total += len(pattern) * int(reach / pattern.sum() + len(whole))
        if total > MANY_POINTS:
            raise BadFile(say("jobs.drawings_dashed_lines_have_more", many_points=MANY_POINTS))
        plain[first:last] = False
        for stroke, steps in enumerate(whole, first):
            parts.append(_broken(strokes, stroke, steps, pattern, scale * dash.offset))
            owners.append(np.full(len(parts[-1]), path))
    if not parts:
        return strokes, path_of
    owner = np.concatenate([path_of[plain], *owners])
    order = np.argsort(owner, kind="stable")
    return joined_strokes([strokes.take(np.flatnonzero(plain)), *parts]).take(order), owner[order]


def _broken(
    strokes: Strokes, stroke: int, steps: Floats, pattern: Floats, offset: float
) -> Strokes:
    """The dashes of one stroke; ``steps`` are those between its points in its own units."""
    points = strokes.stroke(stroke)
    path_mm = np.append(0.0, strokes.step_mm[strokes.first[stroke] :][: len(steps)].cumsum())
    at = np.append(0.0, steps.cumsum())
    period = float(pattern.sum())
    begin = offset % period
    repeated = np.tile(pattern, int((at[-1] + begin) / period) + 1)
    edges = np.append(0.0, repeated.cumsum()) - begin
    on, off = np.maximum(edges[:-1:2], 0.0), np.minimum(edges[1::2], at[-1])
    on, off = on[off > on], off[off > on]
    if len(on) == 0:
        return NO_STROKES
    nearest = np.searchsorted(on, at, side="right") - 1
    inner = (nearest >= 0) & (at > on[nearest]) & (at < off[nearest])
    where = np.concatenate([on, at[inner], off])
    dash = np.concatenate([np.arange(len(on)), nearest[inner], np.arange(len(on))])
    order = np.lexsort((where, dash))
    where, dash = where[order], dash[order]
    length = np.interp(where, at, path_mm)
    step = np.append(np.diff(length), 0.0)
    first = np.append(np.searchsorted(dash, np.arange(len(on))), len(where))
    step[first[1:] - 1] = 0.0
    return Strokes(
        points_mm=np.stack([np.interp(where, at, points[:, k]) for k in (0, 1)], axis=1),
        step_mm=step,
        first=first.astype(np.int64),
        closed=np.zeros(len(on), dtype=bool),
    )


def joined_strokes(parts: Sequence[Strokes]) -> Strokes:
    """All strokes of one part behind the other; at least one part."""
    before = np.cumsum([0, *(len(part.points_mm) for part in parts)])
    first = [part.first[:-1] + at for part, at in zip(parts, before, strict=False)]
    return Strokes(
        points_mm=np.vstack([part.points_mm for part in parts]),
        step_mm=np.concatenate([part.step_mm for part in parts]),
        first=np.append(np.concatenate(first), before[-1]).astype(np.int64),
        closed=np.concatenate([part.closed for part in parts]),
    )


# More outlines than this, or more comparisons of a point with an edge, aren't made.
_MAX_OUTLINES, _MAX_COMPARISONS = 2000, 3_000_000
# Comparisons made at once, to bound the memory.
_BLOCK = 1_000_000


def part_count(cuts: Sequence[Strokes]) -> int:
    """Parts that cuts yield, at least 1: closed outlines inside an even number of others.

    All closed outlines when there are more than 2000, too many to compare.
    """
    closed = [s.take(np.flatnonzero(s.closed)) for s in cuts]
    outlines = [s.stroke(i) for s in closed for i in range(len(s))]
    if not outlines or len(outlines) > _MAX_OUTLINES:
        return max(len(outlines), 1)
    boxes = np.vstack([s.boxes_mm() for s in closed if len(s)])
    low, high = boxes[:, :2], boxes[:, 2:]
    # within[i, j]: the box of j lies in the box of i and isn't the same.
    within = (low[:, None] <= low[None]).all(axis=2) & (high[:, None] >= high[None]).all(axis=2)
    within = np.asarray(within & ~within.T)
    counts = within.sum(axis=1)
    if sum(int(n) * len(o) for n, o in zip(counts, outlines, strict=True)) > _MAX_COMPARISONS:
        return len(outlines)
    starts = np.array([outline[0] for outline in outlines])
    depth = np.zeros(len(outlines), dtype=np.int64)
    for around in np.flatnonzero(counts):
        inner = np.flatnonzero(within[around])
        depth[inner] += points_inside(starts[inner], outlines[around])
    return int((depth % 2 == 0).sum())


def points_inside(points: Floats, outline: Floats) -> Flags:
    """Which points (n, 2) lie inside an outline (k, 2) by the even-odd rule, shape (n,)."""
    begin, end = outline, np.roll(outline, -1, axis=0)
    rise = np.where(end[:, 1] == begin[:, 1], 1.0, end[:, 1] - begin[:, 1])
    slope = (end[:, 0] - begin[:, 0]) / rise
    inside = np.zeros(len(points), dtype=bool)
    block = max(_BLOCK // len(outline), 1)
    for at in range(0, len(points), block):
        x, y = points[at : at + block, :1], points[at : at + block, 1:]
        crosses = (begin[:, 1] > y) != (end[:, 1] > y)
        right = x < begin[:, 0] + (y - begin[:, 1]) * slope
        inside[at : at + block] = (crosses & right).sum(axis=1) % 2 == 1
    return inside
