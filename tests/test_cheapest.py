"""The cheapest setting: best of all steps at what it costs, and by the rules of the other aims."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench_jobs import KNOWN
from test_cut_fit import MACHINE
from test_recommend import SHEET, burnt_fast, evening, every_step

import calib
from calib.jobs.costs import expected_cost
from calib.jobs.job import plain_job
from calib.jobs.job_time import CutTimes
from calib.jobs.stopwatch import calibrate_time

JOB = plain_job(12_000.0, 40)


@pytest.fixture(scope="module")
def region() -> calib.Region:
    return calib.fit_region(MACHINE, SHEET, evidence=evening())


@pytest.fixture(scope="module")
def cheapest(region) -> calib.Recommendation:
    return calib.recommend(region, aim="cheapest", costs=KNOWN, job=JOB)


def cost_at(region, setting, costs=KNOWN):
    cost = expected_cost(region, JOB, costs, setting.power_pct, setting.speed_mm_s, setting.passes)
    return float(cost.total)


def test_no_step_that_keeps_the_chance_is_cheaper(region, cheapest):
    assert cheapest.expected_cost == pytest.approx(cost_at(region, cheapest.setting), rel=1e-3)
    power, speed = every_step(region)
    some = slice(None, None, 211)
    power, speed = power[some], speed[some]
    times = CutTimes(job=JOB, machine=MACHINE, start_up_s=90.0)
    total = expected_cost(region, JOB, KNOWN, power, speed, times=times.on_curve(3.0, 60.0)).total
    kept = np.asarray(region.chance_through(power, speed)) >= 0.99
    assert kept.any()
    assert cheapest.expected_cost <= total[kept].min() * 1.001


def test_the_rules_of_the_other_aims_hold(region, cheapest):
    at = cheapest.setting
    assert cheapest.aim == cheapest.advice.aim == "cheapest"
    assert cheapest.chance == region.chance_through(at.power_pct, at.speed_mm_s) >= 0.99
    assert region.tested(at.power_pct, at.speed_mm_s)
    assert at.speed_mm_s / MACHINE.speed_step_mm_s == pytest.approx(
        round(at.speed_mm_s / MACHINE.speed_step_mm_s)
    )
    fastest = calib.recommend(region)
    assert at.speed_mm_s <= fastest.speed_mm_s
    assert cheapest.expected_cost <= cost_at(region, fastest.setting) * 1.001
    assert fastest.expected_cost is None


def test_a_dear_machine_asks_for_a_faster_cut(region, cheapest):
    dear = replace(KNOWN, machine_hour=900.0)
    rec = calib.recommend(region, aim="cheapest", costs=dear, job=JOB, reliability=0.5)
    assert rec.speed_mm_s > cheapest.speed_mm_s


def test_without_costs_or_a_job_both_are_said_to_be_assumed(region):
    rec = calib.recommend(region, aim="cheapest")
    notes = " ".join(rec.notes)
    assert "that of 10 m of cut in 33 round outlines" in notes
    assert "Guessed, not given: machine hour, labour hour" in notes
    assert "_" not in notes


def test_the_stopwatch_counts(region):
    ratio = calibrate_time([(600.0, 1200.0)] * 4)
    times = CutTimes(job=JOB, machine=MACHINE, start_up_s=90.0, ratio=ratio)
    slower = calib.recommend(region, aim="cheapest", costs=KNOWN, job=times)
    at = slower.setting
    seconds = CutTimes(job=JOB, machine=MACHINE, start_up_s=90.0).seconds(
        np.array([at.speed_mm_s]), np.array([1.0])
    )
    more = 20.0 / 3600.0 * (ratio.ratio - 1.0) * float(seconds[0] - 90.0)
    assert slower.expected_cost == pytest.approx(cost_at(region, at) + more, rel=2e-3)


def test_char_that_nobody_read_is_said():
    unread = calib.fit_region(MACHINE, SHEET, evidence=evening(char=False))
    notes = " ".join(calib.recommend(unread, aim="cheapest", costs=KNOWN, job=JOB).notes)
    assert "No char was read" in notes


def test_refusals(region):
    with pytest.raises(calib.NotEnoughEvidence, match="has been burnt yet"):
        calib.recommend(calib.fit_region(MACHINE, SHEET), aim="cheapest", costs=KNOWN)
    with pytest.raises(calib.NotEnoughEvidence, match=r"A chance of 99 % was asked for"):
        calib.recommend(burnt_fast(), aim="cheapest", costs=KNOWN)
    with pytest.raises(calib.InvalidRecord, match=r"costs is \{'machine_hour': 3\}"):
        calib.recommend(region, aim="cheapest", costs={"machine_hour": 3})
    marks = calib.fit_region(MACHINE, SHEET, operation="line_mark")
    with pytest.raises(calib.InvalidRecord, match="the operation 'line_mark'"):
        calib.recommend(marks, aim="cheapest", costs=KNOWN)
