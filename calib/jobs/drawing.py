"""The maker's own drawing: an SVG document read into classes of strokes, in millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from calib.errors import BadFile, InvalidRecord
from calib.jobs.job import Job, JobClass
from calib.jobs.outlines import Strokes, dashed, part_count
from calib.jobs.paths import strokes_of_paths
from calib.jobs.svg import read_page
from calib.records import ClassesBy, Operation
from calib.texts.say import say

# Shapes that stand in no group, when the classes are the groups.
NO_GROUP = say("jobs.no_group")
# More classes than this can't be given an operation each by hand.
MAX_CLASSES = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """A drawing as it was read."""

    # its lines by colour (#146c43, or fill #665c50 for shapes without a line) or by group, in the
    # order in which they first appear
    classes: Mapping[str, Strokes]
    # what is drawn reaches from x, y to x, y; origin top left, y down [mm]
    box_mm: tuple[float, float, float, float]
    notes: tuple[str, ...] = ()  # what the user must know: what was left out, what was assumed

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of what is drawn [mm]."""
        x0, y0, x1, y1 = self.box_mm
        return x1 - x0, y1 - y0


def read_drawing(source: bytes | BinaryIO, classes_by: ClassesBy = "colour") -> Drawing:
    """Read an SVG drawing from an unknown hand.

    Examples
    --------
    >>> svg = (b'<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm"'
    ...        b' viewBox="0 0 20 20"><path d="M5 5h10v10h-10z" stroke="red" fill="none"/></svg>')
    >>> round(read_drawing(svg).classes["#ff0000"].length_mm, 6)
    40.0
    """
    page = read_page(source)
    ways = [path.matrix for path in page.paths]
    matrices = np.array([(m.a, m.b, m.c, m.d, m.e, m.f) for m in ways], dtype=float).reshape(-1, 6)
    strokes, path_of = strokes_of_paths([path.data for path in page.paths], matrices)
    dashes = {i: path.dashes for i, path in enumerate(page.paths) if path.dashes}
    strokes, path_of = dashed(strokes, path_of, dashes, matrices)
    if len(strokes) == 0:
        left = ", ".join(+page.left_out)
        apart = say("jobs.apart_from", left=left) if left else ""
        raise BadFile(say("jobs.drawing_holds_no_line", apart=apart))
    by_group = classes_by == "group"
    names = [(path.group or NO_GROUP) if by_group else path.paint for path in page.paths]
    numbers = {name: number for number, name in enumerate(dict.fromkeys(names))}
    if len(numbers) > MAX_CLASSES:
        count, most = len(numbers), MAX_CLASSES
        raise BadFile(say("jobs.too_many_classes", count=count, by=classes_by, most=most))
    class_of = np.array([numbers[name] for name in names])[path_of]
    members = ((name, np.flatnonzero(class_of == number)) for name, number in numbers.items())
    classes = {name: strokes.take(which) for name, which in members if len(which)}
    low, high = strokes.points_mm.min(axis=0), strokes.points_mm.max(axis=0)
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    notes = []
    if not page.has_size:
        notes.append(say("jobs.drawing_doesnt_say_its_size", size=high - low))
    left_out = sorted((+page.left_out).items())
    notes += [say("jobs.left_out", what=what, count=count) for what, count in left_out]
    open_ones = ~strokes.closed
    ends = {tuple(p) for p in np.round(strokes.ends_mm[open_ones], 2).tolist()}
    starts = np.round(strokes.starts_mm[open_ones], 2).tolist()
    touching = sum(tuple(p) in ends for p in starts)
    if touching:
        notes.append(say("jobs.open_lines_that_begin_where_another", touching=touching))
    # Lines differ in box, length or middle; the same line drawn backwards doesn't.
    middle = np.add.reduceat(strokes.points_mm, strokes.first[:-1], axis=0)
    middle /= np.diff(strokes.first)[:, None]
    features = np.hstack([strokes.boxes_mm(), strokes.lengths_mm[:, None], middle])
    twice = len(strokes) - len(np.unique(np.round(features, 2), axis=0))
    if twice:
        notes.append(say("jobs.lines_drawn_twice", twice=twice))
    return Drawing(classes=classes, box_mm=box, notes=tuple(notes))


def make_job(
    drawing: Drawing,
    operations: Mapping[str, Operation | None],
    *,
    name: str = "job",
    parts: int | None = None,
    sheets: float = 1.0,
) -> Job:
    """Give each class of a drawing its operation."""
    which = [say("jobs.no_class", name=n) for n in operations if n not in drawing.classes]
    which += [say("jobs.no_operation", name=n) for n in drawing.classes if n not in operations]
    if which:
        names = ", ".join(drawing.classes)
        raise InvalidRecord(say("jobs.drawings_classes", which=which[0], names=names))
    classes = tuple(
        JobClass(name=one, operation=operation, strokes=strokes)
        for one, strokes in drawing.classes.items()
        if (operation := operations[one]) is not None
    )
    notes = drawing.notes
    if parts is None:
        parts = part_count([c.strokes for c in classes if c.operation == "cut"])
        notes += (say("jobs.parts_counted_closed_cuts_that_arent", parts=parts),)
    return Job(name=name, classes=classes, parts=parts, sheets=sheets, notes=notes)
