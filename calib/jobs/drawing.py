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
class StrokeClass:
    """Strokes of a drawing that belong together: of one colour, or in one group."""

    # the colour (#146c43, or fill #665c50 for shapes without a line), or the group's name
    name: str
    strokes: Strokes  # the lines, in the order of the drawing

    @property
    def length_mm(self) -> float:
        """Length of all its lines [mm]."""
        return self.strokes.length_mm

    @property
    def closed_count(self) -> int:
        """How many of its lines are closed contours."""
        return int(self.strokes.closed.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """A drawing as it was read."""

    # its classes of strokes, in the order in which they first appear
    classes: tuple[StrokeClass, ...]
    # what is drawn reaches from x, y to x, y; origin top left, y down [mm]
    box_mm: tuple[float, float, float, float]
    notes: tuple[str, ...] = ()  # what the user must know: what was left out, what was assumed

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of what is drawn [mm]."""
        x0, y0, x1, y1 = self.box_mm
        return x1 - x0, y1 - y0

    @property
    def length_mm(self) -> float:
        """Length of all lines [mm]."""
        return sum(c.length_mm for c in self.classes)

    def __getitem__(self, name: str) -> StrokeClass:
        for stroke_class in self.classes:
            if stroke_class.name == name:
                return stroke_class
        raise KeyError(name)


def read_drawing(source: bytes | BinaryIO, classes_by: ClassesBy = "colour") -> Drawing:
    """Read an SVG drawing from an unknown hand.

    Examples
    --------
    >>> svg = (b'<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm"'
    ...        b' viewBox="0 0 20 20"><path d="M5 5h10v10h-10z" stroke="red" fill="none"/></svg>')
    >>> round(read_drawing(svg)["#ff0000"].length_mm, 6)
    40.0
    """
    page = read_page(source)
    matrices = np.array([path.matrix for path in page.paths], dtype=float).reshape(-1, 6)
    strokes, path_of = strokes_of_paths([path.data for path in page.paths], matrices)
    dashes = {i: path.dashes for i, path in enumerate(page.paths) if path.dashes}
    strokes, path_of = dashed(strokes, path_of, dashes, matrices)
    if len(strokes) == 0:
        left = ", ".join(what for what, count in page.left_out.items() if count)
        raise BadFile(
            say(
                "jobs.drawing_holds_no_line_that_could",
                left=say("jobs.apart_from", left=left) if left else "",
            )
        )
    by_group = classes_by == "group"
    names = [(path.group or NO_GROUP) if by_group else path.paint for path in page.paths]
    numbers = {name: number for number, name in enumerate(dict.fromkeys(names))}
    if len(numbers) > MAX_CLASSES:
        raise BadFile(
            say(
                "jobs.drawing_has_more_than_that_can",
                count=len(numbers),
                classes_by=classes_by,
                max_classes=MAX_CLASSES,
            )
        )
    class_of = np.array([numbers[name] for name in names])[path_of]
    members = ((name, np.flatnonzero(class_of == number)) for name, number in numbers.items())
    classes = tuple(
        StrokeClass(name=name, strokes=strokes.take(which)) for name, which in members if len(which)
    )
    low, high = strokes.points_mm.min(axis=0), strokes.points_mm.max(axis=0)
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    notes = []
    if not page.has_size:
        width, height = box[2] - box[0], box[3] - box[1]
        notes.append(say("jobs.drawing_doesnt_say_its_size", width=width, height=height))
    notes += [
        say("jobs.left_out", what=what, count=count)
        for what, count in sorted(page.left_out.items())
        if count
    ]
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
    names = [c.name for c in drawing.classes]
    lacking = [n for n in names if n not in operations]
    unknown = [n for n in operations if n not in names]
    if lacking or unknown:
        which = (
            say("jobs.no_class", unknown=unknown)
            if unknown
            else say("jobs.class_has_no_operation", lacking=lacking)
        )
        raise InvalidRecord(say("jobs.drawings_classes", which=which, names=", ".join(names)))
    chosen = ((c, operations[c.name]) for c in drawing.classes)
    classes = tuple(
        JobClass(name=c.name, operation=operation, strokes=c.strokes)
        for c, operation in chosen
        if operation is not None
    )
    notes = drawing.notes
    if parts is None:
        parts = part_count([c.strokes for c in classes if c.operation == "cut"])
        notes += (say("jobs.parts_counted_closed_cuts_that_arent", parts=parts),)
    return Job(name=name, classes=classes, parts=parts, sheets=sheets, notes=notes)
