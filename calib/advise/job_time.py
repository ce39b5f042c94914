"""The time a job takes on a machine: cutting, marking, travel, passes, start-up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.advise.job import Job, JobClass
from calib.advise.motion import step_times_s, stroke_times_s, travel_times_s
from calib.advise.outlines import Floats, Strokes
from calib.advise.stopwatch import TimeRatio
from calib.advise.surface import rows_of, rows_time_s
from calib.errors import InvalidRecord, MachineLimit
from calib.physics import move_time_s
from calib.records import Machine, Operation, Setting
from calib.records.costs import START_UP_S

# Marks come before cuts, so that nothing has moved when it is marked.
_ORDER: dict[Operation, int] = {"area_mark": 0, "line_mark": 1, "cut": 2}
# Path burnt at less than this share of the set speed counts as slow.
SLOW_SHARE = 0.9
# Beyond so many speeds the time is read off a curve through this many (error below 0.3 %).
_EXACT_SPEEDS = 48
# Room that a sheet may stick out over the bed by rounding [mm].
_BED_ROUNDING_MM = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassTime:
    """Time that one class of a job takes, all passes."""

    # name, operation, setting: Which class, burnt how
    name: str
    operation: Operation
    setting: Setting
    length_mm: float  # Path with the beam on, all passes [mm]
    beam_on_s: float  # Time with the beam on, ramps included [s]
    # Travel to and between its strokes; for a surface run-ups, gaps and steps too [s]
    dark_s: float
    slow_mm: float = 0.0  # Path burnt at less than 90 % of the set speed, all passes [mm]

    @property
    def mean_speed_mm_s(self) -> float:
        """Mean speed while the beam is on [mm/s]."""
        return self.length_mm / self.beam_on_s if self.beam_on_s > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class JobTime:
    """Time that a job takes."""

    classes: tuple[ClassTime, ...]  # The classes, in the order in which they are burnt
    homeward_s: float  # Travel back to where the head began [s]
    loads: int  # How often the bed is loaded
    start_up_s: float  # Start-up of all loads [s]
    # What the stopwatch says of this machine; None when not calibrated
    ratio: TimeRatio | None = None
    notes: tuple[str, ...] = ()  # What the user must know

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

    Raises InvalidRecord when a class has no setting, or a surface no line pitch; MachineLimit when
    a setting is faster than the machine.

    Notes
    -----
    Marks come first, then cuts, each class in the drawing's order, with straight travel at top
    speed between strokes. All passes of a stroke follow one another; an open one is travelled
    back. Speeds along the strokes as in ``motion.step_times_s``.
    """
    ordered = sorted(job.classes, key=lambda c: _ORDER[c.operation])
    at = (0.0, 0.0)
    times = []
    for job_class in ordered:
        setting = _setting_for(job_class, machine, settings)
        times.append(_class_time(job_class, machine, setting, at))
        if len(job_class.strokes):
            at = tuple(job_class.strokes.ends_mm[-1].tolist())
    homeward = move_time_s(
        math.hypot(*at), machine.max_speed_mm_s, machine.working_acceleration_mm_s2
    )
    loads = bed_loads(job.size_mm, machine.bed_mm)
    return JobTime(
        classes=tuple(times),
        homeward_s=float(homeward),
        loads=loads,
        start_up_s=loads * start_up_s,
        ratio=ratio,
        notes=_time_notes(job, machine, loads, ratio),
    )


def _setting_for(job_class: JobClass, machine: Machine, settings: Mapping[str, Setting]) -> Setting:
    setting = settings.get(job_class.name)
    if setting is None:
        raise InvalidRecord(
            f"class {job_class.name!r} ({job_class.operation}) has no setting: give power, speed"
            " and passes for it, or leave it out of the job."
        )
    if setting.speed_mm_s > machine.max_speed_mm_s:
        raise MachineLimit(
            f"class {job_class.name!r} is set to {setting.speed_mm_s:g} mm/s, above the"
            f" machine's {machine.max_speed_mm_s:g} mm/s: give a lower speed."
        )
    if job_class.operation == "area_mark" and setting.line_pitch_mm is None:
        raise InvalidRecord(
            f"class {job_class.name!r} is a surface and its setting has no line pitch: give the"
            " distance of its lines in mm."
        )
    return setting


def _class_time(
    job_class: JobClass, machine: Machine, setting: Setting, at: tuple[float, float]
) -> ClassTime:
    strokes, acceleration = job_class.strokes, machine.working_acceleration_mm_s2
    if job_class.operation == "area_mark" and setting.line_pitch_mm is not None:
        rows = rows_of(strokes, setting.line_pitch_mm)
        beam_on, dark = rows_time_s(rows, machine, setting)
        length, slow = float(rows.lit_mm.sum()), 0.0
    else:
        step = job_class.course.step_mm
        times = step_times_s(job_class.course, setting.speed_mm_s, acceleration)
        beam_on, length = float(times.sum()), strokes.length_mm
        slow = float(step[step < SLOW_SHARE * setting.speed_mm_s * times].sum())
        travel = travel_times_s(strokes, machine.max_speed_mm_s, acceleration, at)
        dark = float(travel.sum()) / setting.passes
        dark += _way_back_s(strokes, machine) * (setting.passes - 1) / setting.passes
    return ClassTime(
        name=job_class.name,
        operation=job_class.operation,
        setting=setting,
        length_mm=length * setting.passes,
        beam_on_s=beam_on * setting.passes,
        dark_s=dark * setting.passes,
        slow_mm=slow * setting.passes,
    )


def _way_back_s(strokes: Strokes, machine: Machine) -> float:
    gaps = np.hypot(*(strokes.ends_mm - strokes.starts_mm).T)
    gaps = np.where(strokes.closed, 0.0, gaps)
    return float(
        move_time_s(gaps, machine.max_speed_mm_s, machine.working_acceleration_mm_s2).sum()
    )


def beam_on_times_s(job_class: JobClass, machine: Machine, speeds_mm_s: npt.ArrayLike) -> Floats:
    """Time with the beam on in one pass, at many speeds."""
    speeds = np.asarray(speeds_mm_s, dtype=float)
    known = np.unique(speeds)
    if len(known) > _EXACT_SPEEDS:
        known = np.geomspace(known[0], known[-1], _EXACT_SPEEDS)
    course, acceleration = job_class.course, machine.working_acceleration_mm_s2
    times = np.array([stroke_times_s(course, float(v), acceleration).sum() for v in known])
    # v T is nearly straight in ln v, where T itself is not.
    return np.asarray(np.interp(np.log(speeds), np.log(known), known * times) / speeds)


def bed_loads(size_mm: tuple[float, float], bed_mm: tuple[float, float]) -> int:
    """How often the bed must be loaded for a drawing of this size.

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


def _time_notes(job: Job, machine: Machine, loads: int, ratio: TimeRatio | None) -> tuple[str, ...]:
    notes = list(job.notes)
    if machine.acceleration_mm_s2 is None:
        notes.append(
            f"The machine's acceleration isn't known: ramps and corners are counted with"
            f" {machine.working_acceleration_mm_s2:g} mm/s², so a job of many short lines may take"
            " more or less time than this."
        )
    if loads > 1:
        notes.append(
            f"The drawing is {job.size_mm[0]:.0f} x {job.size_mm[1]:.0f} mm and the bed"
            f" {machine.bed_mm[0]:g} x {machine.bed_mm[1]:g} mm: at least {loads} loads."
        )
        too_long = _strokes_over_the_bed(job, machine)
        if too_long:
            notes.append(f"Lines that are larger than the bed: {too_long}. Split them.")
    if ratio is None:
        notes.append(
            "The time is calculated, not calibrated: take the stopwatch to two jobs to put it"
            " right for this machine."
        )
    return tuple(notes)


def _strokes_over_the_bed(job: Job, machine: Machine) -> int:
    long_bed, short_bed = max(machine.bed_mm), min(machine.bed_mm)
    boxes = np.vstack([c.strokes.boxes_mm() for c in job.classes])
    size = boxes[:, 2:] - boxes[:, :2] - _BED_ROUNDING_MM
    return int(((size.max(axis=1) > long_bed) | (size.min(axis=1) > short_bed)).sum())
