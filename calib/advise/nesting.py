"""Which outlines lie inside which: parts and their holes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.advise.outlines import Flags, Floats, Strokes

# More outlines than this, or more comparisons of a point with an edge, aren't made.
_MAX_OUTLINES, _MAX_COMPARISONS = 2000, 3_000_000
# Comparisons made at once, to bound the memory.
_BLOCK = 1_000_000


def part_count(cuts: Sequence[Strokes]) -> int:
    """Parts that cuts yield: closed outlines that aren't holes, at least 1."""
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
    """Which points lie inside a closed outline, by the even-odd rule."""
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
