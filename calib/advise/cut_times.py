"""How long a job takes against the setting of its cuts; everything else of it stays the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from calib.advise.job import Job
from calib.advise.job_time import beam_on_times_s, job_time_s
from calib.advise.outlines import Floats
from calib.advise.stopwatch import TimeRatio
from calib.errors import InvalidRecord
from calib.records import Machine, Setting
from calib.records.costs import START_UP_S

# Speeds of a curve (error below 0.3 %); fewer for drawings of so many points.
_CURVE_SPEEDS, _FEW_SPEEDS, _MANY_POINTS = 48, 12, 200_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutTimes:
    """Time of a job against the setting of its cuts."""

    job: Job  # The job; classes of marks without a setting are left out, and said
    machine: Machine  # Whose acceleration, top speed and bed hold
    # Settings of the classes that aren't cut, by name
    marks: Mapping[str, Setting] = field(default_factory=dict)
    # Laying down, focusing and framing, for each load of the bed [s]
    start_up_s: float = START_UP_S
    # What the stopwatch says of this machine; None when not calibrated
    ratio: TimeRatio | None = None
    _curve: tuple[Floats, Floats] | None = None
    _fixed_s: dict[int, float] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        if not self.job.cuts:
            raise InvalidRecord(
                f"the job {self.job.name!r} has nothing to cut, so it doesn't hang on a cut"
                " setting: give a class the operation cut."
            )

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
        return (f"Not counted, because they have no setting: {', '.join(left)}.",) if left else ()

    def settings(self, cut: Setting) -> dict[str, Setting]:
        """Settings of all classes that count, the cuts at ``cut``."""
        return {
            c.name: cut if c.operation == "cut" else self.marks[c.name]
            for c in self.counted.classes
        }

    def seconds(self, speed_mm_s: Floats, passes: Floats) -> Floats:
        """Time of the whole job, start-up included.

        Raises MachineLimit when a speed is above the machine's.
        """
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
            cut = Setting(power_pct=1.0, speed_mm_s=speed_mm_s, passes=passes)
            time = job_time_s(
                self.counted,
                self.machine,
                self.settings(cut),
                start_up_s=self.start_up_s,
                ratio=self.ratio,
            )
            scale = self.ratio.ratio if self.ratio else 1.0
            self._fixed_s[passes] = time.total_s - scale * time.cutting_s
        return self._fixed_s[passes]

    def _along_s(self, speed_mm_s: Floats) -> Floats:
        """Time along the cuts in one pass [s]."""
        if self._curve is None:
            every = [beam_on_times_s(c, self.machine, speed_mm_s) for c in self.job.cuts]
            return np.asarray(sum(every))
        known, times = self._curve
        # v T is nearly straight in ln v, where T itself is not.
        paths = np.interp(np.log(speed_mm_s), np.log(known), known * times)
        return np.asarray(paths / speed_mm_s)
