"""The time a job takes on a machine: cutting, marking, travel, passes, start-up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from calib.errors import InvalidRecord, MachineLimit
from calib.jobs.job import Job, JobClass
from calib.jobs.motion import rows_of, rows_time_s, step_times_s, stroke_times_s, travel_times_s
from calib.jobs.outlines import Floats
from calib.jobs.stopwatch import TimeRatio
from calib.physics import move_time_s
from calib.records import KINDS, Machine, Operation, Setting
from calib.records.costs import START_UP_S
from calib.texts.say import say

# Path burnt at less than this share of the set speed counts as slow.
SLOW_SHARE = 0.9
# Room that a sheet may stick out over the bed by rounding [mm].
_BED_ROUNDING_MM = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassTime:
    """Time that one class of a job takes, all passes."""

    name: str  # which class, burnt how
    operation: Operation
    setting: Setting
    length_mm: float  # path with the beam on, all passes [mm]
    beam_on_s: float  # time with the beam on, ramps included [s]
    # travel to and between its strokes; for a surface run-ups, gaps and steps too [s]
    dark_s: float
    slow_mm: float = 0.0  # path burnt at less than 90 % of the set speed, all passes [mm]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobTime:
    """Time that a job takes."""

    classes: tuple[ClassTime, ...]  # the classes, in the order in which they are burnt
    homeward_s: float  # travel back to where the head began [s]
    loads: int  # how often the bed is loaded
    start_up_s: float
    # what the stopwatch says of this machine; None when not calibrated
    ratio: TimeRatio | None = None
    notes: tuple[str, ...] = ()

    @property
    def cutting_s(self) -> float:
        """Time with the beam on in cuts [s]."""
        return sum(c.beam_on_s for c in self.classes if c.operation == "cut")

    @property
    def marking_s(self) -> float:
        """Time with the beam on in marks [s]."""
        return sum(c.beam_on_s for c in self.classes if c.operation != "cut")

    @property
    def travel_s(self) -> float:
        """Time of moves with the beam off [s]."""
        return sum(c.dark_s for c in self.classes) + self.homeward_s

    @property
    def machine_s(self) -> float:
        """Time that the machine runs, as calculated [s]."""
        return self.cutting_s + self.marking_s + self.travel_s

    @property
    def total_s(self) -> float:
        """Best guess of the whole time, start-up included, by the stopwatch if there is one [s]."""
        return self.machine_s * (self.ratio.ratio if self.ratio else 1.0) + self.start_up_s

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """Between which times the next such job lies, 9 times in 10; None without stopwatch [s]."""
        if self.ratio is None:
            return None
        low, high = self.ratio.next_job
        return self.machine_s * low + self.start_up_s, self.machine_s * high + self.start_up_s


def job_time_s(
    job: Job,
    machine: Machine,
    settings: Mapping[str, Setting],
    *,
    start_up_s: float = START_UP_S,
    ratio: TimeRatio | None = None,
) -> JobTime:
    """Time that a job takes: cutting, marking, travel, passes, start-up.

    Notes
    -----
    Marks come first, so that nothing has moved when it is marked, then cuts, each class in the
    drawing's order, with straight travel at top speed between strokes. All passes of a stroke
    follow one another; an open one is travelled back. Speeds along the strokes as in
    ``motion.step_times_s``.
    """
    at = (0.0, 0.0)
    times = []
    for job_class in sorted(job.classes, key=lambda c: KINDS[c.operation].turn):
        times.append(_class_time(job_class, machine, settings.get(job_class.name), at))
        if len(job_class.strokes):
            at = tuple(job_class.strokes.ends_mm[-1].tolist())
    homeward = move_time_s(
        math.hypot(*at), machine.max_speed_mm_s, machine.working_acceleration_mm_s2
    )
    loads = bed_loads(job.size_mm, machine.bed_mm)
    notes = list(job.notes)
    if machine.acceleration_mm_s2 is None:
        notes.append(say("jobs.machines_acceleration_isnt_known", machine=machine))
    if loads > 1:
        notes.append(say("jobs.drawing_is_and_bed", job=job, machine=machine, loads=loads))
        long_bed, short_bed = max(machine.bed_mm), min(machine.bed_mm)
        boxes = np.vstack([c.strokes.boxes_mm() for c in job.classes])
        size = boxes[:, 2:] - boxes[:, :2] - _BED_ROUNDING_MM
        too_long = int(((size.max(axis=1) > long_bed) | (size.min(axis=1) > short_bed)).sum())
        if too_long:
            notes.append(say("jobs.lines_that_are_larger_than_bed", too_long=too_long))
    if ratio is None:
        notes.append(say("jobs.time_is_calculated"))
    return JobTime(
        classes=tuple(times),
        homeward_s=float(homeward),
        loads=loads,
        start_up_s=loads * start_up_s,
        ratio=ratio,
        notes=tuple(notes),
    )


def _class_time(
    job_class: JobClass, machine: Machine, setting: Setting | None, at: tuple[float, float]
) -> ClassTime:
    if setting is None:
        raise InvalidRecord(say("jobs.class_has_no_setting", job_class=job_class))
    if setting.speed_mm_s > machine.max_speed_mm_s:
        raise MachineLimit(
            say("jobs.class_is_set", job_class=job_class, setting=setting, machine=machine)
        )
    strokes, acceleration = job_class.strokes, machine.working_acceleration_mm_s2
    if KINDS[job_class.operation].shape == "area":
        if setting.line_pitch_mm is None:
            raise InvalidRecord(say("jobs.class_is_surface_and_its_setting", job_class=job_class))
        rows = rows_of(strokes, setting.line_pitch_mm)
        beam_on, dark = rows_time_s(rows, machine, setting)
        length, slow = float(rows.lit_mm.sum()), 0.0
    else:
        step = job_class.course.step_mm
        times = step_times_s(job_class.course, setting.speed_mm_s, acceleration)
        beam_on, length = float(times.sum()), strokes.length_mm
        slow = float(step[step < SLOW_SHARE * setting.speed_mm_s * times].sum())
        travel = travel_times_s(strokes, machine.max_speed_mm_s, acceleration, at)
        gaps = np.hypot(*(strokes.ends_mm - strokes.starts_mm).T)
        back = move_time_s(
            np.where(strokes.closed, 0.0, gaps), machine.max_speed_mm_s, acceleration
        )
        dark = float(travel.sum()) / setting.passes
        dark += float(back.sum()) * (setting.passes - 1) / setting.passes
    return ClassTime(
        name=job_class.name,
        operation=job_class.operation,
        setting=setting,
        length_mm=length * setting.passes,
        beam_on_s=beam_on * setting.passes,
        dark_s=dark * setting.passes,
        slow_mm=slow * setting.passes,
    )


def bed_loads(size_mm: tuple[float, float], bed_mm: tuple[float, float]) -> int:
    """The fewest beds side by side that cover a drawing of this size, turned or not.

    Examples
    --------
    >>> bed_loads((900.0, 380.0), (600.0, 400.0)), bed_loads((390.0, 590.0), (600.0, 400.0))
    (2, 1)
    """

    def beds(length: float, bed: float) -> int:
        return max(math.ceil((length - _BED_ROUNDING_MM) / bed), 1)

    (width, height), (bed_width, bed_height) = size_mm, bed_mm
    upright = beds(width, bed_width) * beds(height, bed_height)
    return min(upright, beds(width, bed_height) * beds(height, bed_width))


# Speeds of a curve (error below 0.3 %); fewer for drawings of so many points.
_CURVE_SPEEDS, _FEW_SPEEDS, _MANY_POINTS = 48, 12, 200_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutTimes:
    """Time of a job against the setting of its cuts."""

    job: Job  # the job; classes of marks without a setting are left out, and said
    machine: Machine  # whose acceleration, top speed and bed hold
    # settings of the classes that aren't cut, by name
    marks: Mapping[str, Setting] = field(default_factory=dict)
    # laying down, focusing and lining up, for each load of the bed [s]
    start_up_s: float = START_UP_S
    # what the stopwatch says of this machine; None when not calibrated
    ratio: TimeRatio | None = None
    _curve: tuple[Floats, Floats] | None = None
    _fixed_s: dict[int, float] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        if not self.job.cuts:
            raise InvalidRecord(say("jobs.job_has_nothing_to_cut", job=self.job))

    @property
    def counted(self) -> Job:
        """The job with the classes that have a setting."""
        kept = tuple(c for c in self.job.classes if c.operation == "cut" or c.name in self.marks)
        return replace(self.job, classes=kept)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was left out."""
        kept = self.counted.classes
        left = [c.name for c in self.job.classes if c not in kept]
        return (say("jobs.not_counted_because_they_have_no", left=", ".join(left)),) if left else ()

    def at(self, cut: Setting) -> JobTime:
        """Time of the job with its cuts at a setting."""
        settings = {**self.marks, **{c.name: cut for c in self.job.cuts}}
        return job_time_s(
            self.counted, self.machine, settings, start_up_s=self.start_up_s, ratio=self.ratio
        )

    def seconds(self, speed_mm_s: Floats, passes: Floats) -> Floats:
        """Time of the whole job, start-up included."""
        scale = self.ratio.ratio if self.ratio else 1.0
        along = scale * self._along_s(speed_mm_s)
        seconds = np.zeros(speed_mm_s.shape)
        for n in np.unique(passes):
            fixed = self._fixed(int(n), float(speed_mm_s.max()))
            seconds = np.where(passes == n, fixed + n * along, seconds)
        return seconds

    def on_curve(self, low_mm_s: float, high_mm_s: float) -> CutTimes:
        """The same, made to be asked often."""
        points = sum(len(c.strokes.points_mm) for c in self.job.cuts)
        count = _CURVE_SPEEDS if points < _MANY_POINTS else _FEW_SPEEDS
        known = np.geomspace(low_mm_s, high_mm_s, count) if high_mm_s > low_mm_s else [high_mm_s]
        speeds = np.asarray(known, dtype=float)
        return replace(self, _curve=(speeds, self._along_s(speeds)))

    def _fixed(self, passes: int, speed_mm_s: float) -> float:
        """All but the time along the cuts: travel, marks, start-up; it depends on no speed [s]."""
        if passes not in self._fixed_s:
            time = self.at(Setting(power_pct=1.0, speed_mm_s=speed_mm_s, passes=passes))
            scale = self.ratio.ratio if self.ratio else 1.0
            self._fixed_s[passes] = time.total_s - scale * time.cutting_s
        return self._fixed_s[passes]

    def _along_s(self, speed_mm_s: Floats) -> Floats:
        """Time along the cuts in one pass [s]."""
        if self._curve is None:
            a = self.machine.working_acceleration_mm_s2
            exact = [
                sum(float(stroke_times_s(c.course, v, a).sum()) for c in self.job.cuts)
                for v in speed_mm_s.ravel().tolist()
            ]
            return np.array(exact).reshape(speed_mm_s.shape)
        known, times = self._curve
        # v T is nearly straight in ln v, where T itself is not.
        paths = np.interp(np.log(speed_mm_s), np.log(known), known * times)
        return np.asarray(paths / speed_mm_s)
