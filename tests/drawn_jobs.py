"""Jobs of drawn classes, a setting for them, and costs of which none is guessed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from drawings import strokes_of

from calib.jobs.job import Job, JobClass
from calib.records import Costs, Setting

AT = Setting(power_pct=60.0, speed_mm_s=20.0)
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


def job_of(*classes: tuple[str, str, Iterable[str]], **more: Any) -> Job:
    made = [JobClass(name=n, operation=o, strokes=strokes_of(*paths)) for n, o, paths in classes]  # type: ignore[arg-type]
    return Job(classes=tuple(made), **more)
