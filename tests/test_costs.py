"""Expected cost: a hand-computed example, sums, shapes, guesses and refusals."""

import math
from dataclasses import dataclass, replace

import bench_jobs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import InvalidRecord
from calib.jobs.costs import expected_cost
from calib.jobs.job import Job, JobClass, plain_job
from calib.jobs.job_time import CutTimes, job_time_s
from calib.jobs.paths import strokes_of_paths
from calib.jobs.stopwatch import calibrate_time
from calib.records import COUPON_CUT_MM, Costs, Machine, Setting

# So much acceleration that times are length over speed and the example can be done by hand.
BENCH = replace(bench_jobs.BENCH, acceleration_mm_s2=1e6)
ALL = Costs(
    machine_hour=18.0,
    labour_hour=36.0,
    seconds_per_push=20.0,
    recut_part=5.0,
    recut_share=0.5,
    cleaning_s_per_m=(0.0, 10.0, 20.0, 60.0, 200.0),
    sheet_price=7.0,
    start_up_s=100.0,
    currency="€",
)


@dataclass(frozen=True)
class Steady:
    """The same chances at every setting; places fail independently."""

    machine: Machine = BENCH
    defects_per_m: float = 0.0
    through: float = 0.9
    char: tuple = (0.1, 0.6, 0.9, 1.0)

    def chance_through(self, power_pct, speed_mm_s, passes=1, cut_length_mm=None):
        places = 1.0 if cut_length_mm is None else cut_length_mm / COUPON_CUT_MM
        return self.through**places + 0.0 * np.asarray(speed_mm_s)

    def char_at_most(self, grade, speed):
        return self.char[grade] + 0.0 * speed

    def mean_over_char(self, of_grade, power_pct, speed_mm_s, passes=1):
        speed = np.asarray(speed_mm_s, dtype=float)
        at_most = [0.0 * speed, *(self.char_at_most(g, speed) for g in range(4)), 1.0 + 0.0 * speed]
        return np.tensordot(of_grade, np.diff(at_most, axis=0), axes=1)


@dataclass(frozen=True)
class Edge(Steady):
    """Fails more the faster, chars more the slower."""

    def chance_through(self, power_pct, speed_mm_s, passes=1, cut_length_mm=None):
        places = 1.0 if cut_length_mm is None else cut_length_mm / COUPON_CUT_MM
        speed = np.asarray(speed_mm_s, dtype=float) / np.asarray(passes)
        return (1.0 / (1.0 + np.exp((speed - 20.0) / 0.8))) ** places

    def char_at_most(self, grade, speed):
        return 1.0 / (1.0 + np.exp(8.0 - speed / 1.5 - 3.0 * grade))


# Two parts of 10 coupons each, cut at 10 mm/s.
LENGTH = 20 * COUPON_CUT_MM
TWO_PARTS = plain_job(LENGTH, 2)


def travel_s():
    one = {"cut": Setting(power_pct=60.0, speed_mm_s=10.0)}
    return job_time_s(TWO_PARTS, BENCH, one, start_up_s=0.0).travel_s


def test_a_cost_by_hand():
    cost = expected_cost(Steady(), TWO_PARTS, ALL, 60.0, 10.0)
    seconds = 100.0 + travel_s() + LENGTH / 10.0
    assert float(cost.time_s) == pytest.approx(seconds)
    assert float(cost.machine) == pytest.approx(18.0 * seconds / 3600.0)
    # 20 places, each failing with 0.1: 2 pushes of 20 s at 36 an hour
    assert float(cost.expected_pushes) == pytest.approx(2.0)
    assert float(cost.pushes) == pytest.approx(2.0 * 20.0 * 36.0 / 3600.0)
    # a part of 10 places holds with 0.9^10 = 0.3487; half of those that fail are lost
    assert float(cost.recuts) == pytest.approx(2 * (1 - 0.9**10) * 0.5 * 5.0)
    # grades 0.1 0.5 0.3 0.1 0.0: 5 + 6 + 6 = 17 s a metre
    assert float(cost.cleaning) == pytest.approx(17.0 * LENGTH / 1000.0 * 36.0 / 3600.0)
    assert float(cost.sheets) == 7.0
    parts = 18.0 * seconds / 3600.0 + 0.4 + 5.0 * (1 - 0.9**10) + 0.17 * LENGTH / 1000.0 + 7.0
    assert float(cost.total) == pytest.approx(parts)
    assert cost.notes == ()


def test_defects_cost_pushes_and_parts_whatever_the_setting():
    knots = replace(Steady(), defects_per_m=2.0, through=1.0)
    cost = expected_cost(knots, TWO_PARTS, ALL, 60.0, 10.0)
    defects = 2.0 * LENGTH / 1000.0
    assert float(cost.expected_pushes) == pytest.approx(defects)
    assert float(cost.recuts) == pytest.approx(2 * (1 - math.exp(-defects / 2)) * 0.5 * 5.0)


amount = st.floats(0.0, 1000.0)


@settings(max_examples=40, deadline=None)
@given(amount, amount, amount, amount, st.floats(0.0, 1.0), amount, st.floats(0.0, 3.0))
def test_parts_sum_to_the_total_and_scale_with_their_price(
    machine, labour, push, recut, share, sheet, defects
):
    costs = replace(
        ALL,
        machine_hour=machine,
        labour_hour=labour,
        seconds_per_push=push,
        recut_part=recut,
        recut_share=share,
        sheet_price=sheet,
    )
    region = Edge(defects_per_m=defects)
    speeds = np.array([5.0, 15.0, 20.0, 25.0])
    cost = expected_cost(region, TWO_PARTS, costs, 60.0, speeds)
    assert sum(cost.parts.values()) == pytest.approx(cost.total)
    assert all((part >= 0.0).all() for part in cost.parts.values())
    doubled = expected_cost(
        region, TWO_PARTS, replace(costs, machine_hour=2.0 * machine), 60.0, speeds
    )
    assert doubled.machine == pytest.approx(2.0 * cost.machine)
    assert doubled.pushes == pytest.approx(cost.pushes)


def test_the_cheapest_speed_lies_between_dirty_and_hanging():
    speeds = np.linspace(5.0, 30.0, 101)
    cost = expected_cost(Edge(), TWO_PARTS, ALL, 60.0, speeds)
    best = speeds[cost.total.argmin()]
    assert 10.0 < best < 20.0
    assert cost.cleaning[0] > cost.cleaning[cost.total.argmin()]
    assert cost.pushes[-1] > cost.pushes[cost.total.argmin()]
    # Dearer cleaning asks for a faster cut, dearer lost parts for a slower one.
    dirty = replace(ALL, cleaning_s_per_m=tuple(10.0 * s for s in ALL.cleaning_s_per_m))
    dear = replace(ALL, recut_part=50.0)
    faster, slower = (
        speeds[expected_cost(Edge(), TWO_PARTS, costs, 60.0, speeds).total.argmin()]
        for costs in (dirty, dear)
    )
    assert slower < best < faster


def test_every_default_is_said_to_be_a_guess():
    names = {
        "machine_hour",
        "labour_hour",
        "seconds_per_push",
        "recut_part",
        "recut_share",
        "cleaning_s_per_m",
        "sheet_price",
        "start_up_s",
    }
    assert set(Costs().guessed) == names
    assert set(Costs(machine_hour=15.0, currency="€").guessed) == names - {"machine_hour"}
    assert set(replace(Costs(), labour_hour=30.0).guessed) == names - {"labour_hour"}
    assert ALL.guessed == ()
    notes = expected_cost(Steady(), TWO_PARTS, Costs(), 60.0, 10.0).notes
    assert "Guessed, not given: machine hour, labour hour" in notes[0]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("machine_hour", -1.0),
        ("labour_hour", math.nan),
        ("seconds_per_push", math.inf),
        ("recut_part", "3"),
        ("recut_share", 1.5),
        ("sheet_price", True),
        ("cleaning_s_per_m", (1.0, 2.0)),
        ("cleaning_s_per_m", (0.0, 0.0, 0.0, 0.0, -1.0)),
        ("cleaning_s_per_m", 5.0),
    ],
)
def test_costs_that_cannot_be_are_refused(field, value):
    shown = str(value).replace("(", r"\(").replace(")", r"\)")
    with pytest.raises(InvalidRecord, match=rf"Costs.{field} is '?{shown}"):
        Costs(**{field: value})


def test_marks_without_a_setting_are_left_out_and_said():
    unit = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    mark = JobClass(
        name="text", operation="line_mark", strokes=strokes_of_paths(["M0 0h400"], unit)[0]
    )
    job = Job(classes=(*TWO_PARTS.classes, mark), parts=2)
    plain = expected_cost(Steady(), job, ALL, 60.0, 10.0)
    assert float(plain.time_s) == pytest.approx(100.0 + travel_s() + LENGTH / 10.0)
    assert "Not counted, because they have no setting: text." in plain.notes
    marks = {"text": Setting(power_pct=20.0, speed_mm_s=100.0)}
    times = CutTimes(job=job, machine=BENCH, marks=marks, start_up_s=100.0)
    full = expected_cost(Steady(), job, ALL, 60.0, 10.0, times=times)
    assert float(full.time_s - plain.time_s) == pytest.approx(4.0, abs=1.5)
    assert full.notes == ()
    only = Job(classes=(mark,))
    with pytest.raises(InvalidRecord, match="'job' has nothing to cut"):
        expected_cost(Steady(), only, ALL, 60.0, 10.0)


def test_times_on_a_curve_and_by_the_stopwatch():
    """A curve is right to 0.3 %; the ratio stretches all but the start-up."""
    moving = replace(BENCH, acceleration_mm_s2=3000.0)
    exact = CutTimes(job=TWO_PARTS, machine=moving, start_up_s=100.0)
    speeds, passes = np.geomspace(4.0, 90.0, 33), np.repeat([1, 2, 3], 11)
    curve = exact.on_curve(4.0, 90.0).seconds(speeds, passes)
    assert curve == pytest.approx(exact.seconds(speeds, passes), rel=3e-3)
    single = {"cut": Setting(power_pct=1.0, speed_mm_s=float(speeds[20]), passes=2)}
    whole = job_time_s(TWO_PARTS, moving, single, start_up_s=100.0).total_s
    assert exact.seconds(speeds[20:21], passes[20:21]) == pytest.approx(whole)
    ratio = calibrate_time([(100.0, 130.0), (300.0, 390.0)])
    slower = replace(exact, ratio=ratio).seconds(speeds, passes)
    assert slower - 100.0 == pytest.approx(ratio.ratio * (exact.seconds(speeds, passes) - 100.0))
