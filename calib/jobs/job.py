"""A job: a drawing whose classes have an operation each."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from calib.errors import InvalidRecord
from calib.jobs.motion import Course, course_of
from calib.jobs.outlines import Strokes
from calib.records import OPERATIONS, Operation
from calib.texts.say import say

# A job without a drawing: outlines of this length [mm] on a board of this size [mm].
_PLAIN_OUTLINE_MM = 300.0
_PLAIN_BOARD_MM = (300.0, 200.0)
_PLAIN_STEPS = 96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobClass:
    """Strokes of a job that get one setting."""

    name: str  # the drawing's class
    operation: Operation  # cut, line_mark or area_mark
    strokes: Strokes
    course: Course = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.operation not in OPERATIONS:
            raise InvalidRecord(
                say("jobs.operation_of_class", of=self, known=", ".join(OPERATIONS))
            )
        object.__setattr__(self, "course", course_of(self.strokes))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Job:
    """What is to be burnt in one go."""

    name: str = "job"  # what the workshop calls it
    classes: tuple[JobClass, ...]
    parts: int = 1  # how many parts it yields: counts for re-cuts
    sheets: float = 1.0  # how many sheets it uses up; may be a share
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.classes:
            raise InvalidRecord(say("jobs.job_has_no_class_to_burn"))
        if self.parts < 1:
            raise InvalidRecord(say("jobs.job_parts", parts=self.parts))
        if not (math.isfinite(self.sheets) and 0.0 <= self.sheets <= 10000.0):
            raise InvalidRecord(say("jobs.job_sheets", sheets=self.sheets))

    @property
    def cuts(self) -> tuple[JobClass, ...]:
        """The classes that are cut."""
        return tuple(c for c in self.classes if c.operation == "cut")

    @property
    def cut_length_mm(self) -> float:
        """Length of all cuts, burnt once [mm]."""
        return sum(c.strokes.length_mm for c in self.cuts)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of what is burnt [mm]."""
        points = [c.strokes.points_mm for c in self.classes if len(c.strokes)]
        low = np.min([p.min(axis=0) for p in points], axis=0)
        high = np.max([p.max(axis=0) for p in points], axis=0)
        return float(high[0] - low[0]), float(high[1] - low[1])


def plain_job(cut_length_mm: float, outlines: int | None = None, *, name: str = "job") -> Job:
    """A job of which only the length is known: equal round outlines, spread over a small board."""
    if not 0.0 < cut_length_mm < 1e8 or (outlines is not None and not 1 <= outlines <= 100_000):
        raise InvalidRecord(say("jobs.job_of_in_outlines", length=cut_length_mm, outlines=outlines))
    count = max(round(cut_length_mm / _PLAIN_OUTLINE_MM), 1) if outlines is None else outlines
    length = cut_length_mm / count
    radius = length / (2.0 * math.pi)
    turn = np.linspace(0.0, 2.0 * math.pi, _PLAIN_STEPS + 1)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1) * radius
    across = math.ceil(math.sqrt(count))
    places = np.stack([np.arange(count) % across, np.arange(count) // across], axis=1) + 0.5
    room = np.maximum(np.array(_PLAIN_BOARD_MM) - 2.0 * radius, 0.0)
    centres = radius + places / across * room
    step = np.append(np.full(_PLAIN_STEPS, length / _PLAIN_STEPS), 0.0)
    strokes = Strokes(
        points_mm=(centres[:, None, :] + circle).reshape(-1, 2),
        step_mm=np.tile(step, count),
        first=np.arange(count + 1) * (_PLAIN_STEPS + 1),
        closed=np.ones(count, dtype=bool),
    )
    cut = JobClass(name="cut", operation="cut", strokes=strokes)
    return Job(name=name, classes=(cut,), parts=count)
