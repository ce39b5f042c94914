"""Small features of a job: whether any of them has changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from boards import CO2
from drawn_jobs import AT, job_of
from kept_results import same_as_kept

from calib.jobs.features import small_features
from calib.jobs.job import Job
from calib.records import Machine

# ------------------------------------------------------------------------------ small features


@dataclass(frozen=True)
class Charring:
    """Chances of char by a plain formula."""

    machine: Machine = CO2
    defects_per_m: float = 0.0

    def chance_through(self, *_: Any, **__: Any) -> Any:
        raise AssertionError("not asked")

    def chance_char_at_most(
        self, grade: int, power_pct: Any, speed_mm_s: Any, passes: Any = 1
    ) -> Any:
        return 1.0 / (
            1.0 + np.exp(5.0 - speed_mm_s / 6.0 - grade + 0.5 * passes + power_pct / 90.0)
        )


def small_job() -> Job:
    return job_of(
        ("outline", "cut", [
            "M 10 10 h 60 v 40 h -60 z",  # a part
            "M 20 20 h 20 v 0.5 h -20 z", "M 20 30 l 9 5 0.1 -0.2 z", "M50 20 a 0.3 0.3 0 0 1 0.6 0"
            " a 0.3 0.3 0 0 1 -0.6 0 z",  # narrow ones
            "M 80 10 h 20 v 30 h -20 z", "M 100.7 12 h 15 v 20 h -15 z",  # a strip between two
            "M 130 10 h 10 v 20 h -4.7 v -19 h -0.6 v 19 h -4.7 z",  # a slot in one
            "M 130 50 l 20 1.5 l -20 1.5 z", "M 130 60 l 20 4 l -20 4 z",  # points
            "M 10 70 h 30", "M 10 70.3 h 30", "M 12 71.2 l 20 2", "M 50 70 h 10 M 60.3 66 v 9",
        ]),
        ("inner", "cut", ["M 15 15 h 2 v 2 h -2 z", "M 15 15.55 h 1", "M 30 69.5 h 8"]),
        ("drawn", "line_mark", ["M 0 0 h 0.1 v 0.1 h -0.1 z"]),
    )  # fmt: skip


def test_small_features_are_found_as_they_were() -> None:
    job = small_job()
    settings = {"outline": AT, "inner": replace(AT, speed_mm_s=60.0, passes=2)}
    region: Any = Charring()
    follows = replace(CO2, power_follows_speed=True)
    kept = {
        "as set": small_features(job, CO2, settings),
        "measured": small_features(job, CO2, settings, kerf_mm=0.15),
        "wide": small_features(job, CO2, {"inner": settings["inner"]}, kerf_mm=0.31),
        "char": small_features(job, follows, settings, kerf_mm=0.1, region=region),
        "steady": small_features(job, replace(follows, acceleration_mm_s2=None), settings),
        "no setting": small_features(job, follows, {}),
        "marks only": small_features(Job(classes=job.classes[2:]), CO2, {"drawn": AT}),
        "one stroke": small_features(job_of(("a", "cut", ["M0 0h0.3"])), CO2, {}),
    }
    assert kept["as set"].counts["narrow strip"] > 3
    same_as_kept("small_features", kept)
