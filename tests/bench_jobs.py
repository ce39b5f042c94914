"""Jobs for a bench laser: of strokes, and of a panel; costs, and a region that is a formula."""

from dataclasses import dataclass

import numpy as np
from drawings import PANEL, strokes_of

from calib.jobs.drawing import make_job, read_drawing
from calib.jobs.job import Job, JobClass
from calib.jobs.job_time import job_time_s
from calib.records import COUPON_CUT_MM, Costs, Machine, Setting

BENCH = Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
)
CUT = Setting(power_pct=60.0, speed_mm_s=20.0)
# None of them is guessed.
KNOWN = Costs(
    machine_hour=20.0,
    labour_hour=30.0,
    seconds_per_push=25.0,
    recut_part=2.0,
    recut_share=0.2,
    cleaning_s_per_m=(0.0, 5.0, 15.0, 40.0, 120.0),
    sheet_price=9.0,
    start_up_s=90.0,
    currency="€",
)


def job_of(operation, *paths, **options):
    return Job(
        classes=(JobClass(name="a", operation=operation, strokes=strokes_of(*paths)),), **options
    )


def time_of(job, machine=BENCH, **setting):
    full = {"power_pct": 50.0, "speed_mm_s": 20.0, **setting}
    settings = {c.name: Setting(**full) for c in job.classes}
    return job_time_s(job, machine, settings, start_up_s=0.0)


def panel(**operations):
    with open(PANEL, "rb") as file:
        drawing = read_drawing(file, classes_by="group")
    given = {"cut": "cut", "lettering": "line_mark", "badge": "area_mark"}
    return make_job(drawing, given | operations)


PANEL_SETTINGS = {
    "cut": CUT,
    "lettering": Setting(power_pct=20.0, speed_mm_s=100.0),
    "badge": Setting(power_pct=20.0, speed_mm_s=200.0, line_pitch_mm=0.1),
}


@dataclass(frozen=True)
class Stub:
    """A region of three equally likely truths: each coupon fails with one of three chances."""

    machine: Machine = BENCH
    defects_per_m: float = 0.5
    failing: tuple = (0.0, 0.01, 0.05)

    def chances(self, speed):
        return [1.0 - min(q * speed / 20.0, 1.0) for q in self.failing]

    def chance_through(self, power_pct, speed_mm_s, passes=1, cut_length_mm=None):
        power = 1.0 if cut_length_mm is None else cut_length_mm / COUPON_CUT_MM
        return sum(p**power for p in self.chances(speed_mm_s)) / len(self.failing)

    def failing_draws(self, power_pct, speed_mm_s, passes=1):
        return 1.0 - np.array(self.chances(speed_mm_s)), np.full(len(self.failing), 1.0 / 3.0)

    def chance_char_at_most(self, grade, power_pct, speed_mm_s, passes=1):
        return np.minimum(1.0, (grade + 1) * np.asarray(speed_mm_s) / 200.0)
