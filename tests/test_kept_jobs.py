"""Jobs, their times, costs and promises: whether anything of them has changed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from boards import BIRCH, CO2
from drawings import PANEL, strokes_of
from drawn_jobs import AT, KNOWN, job_of
from kept_results import refusal, same_as_kept
from scipy.stats import betabinom, poisson

import calib
from calib.advise import candidates, job_promise, job_time
from calib.advise.cheapest import advised_settings, priced_job
from calib.advise.costs import Costs, expected_cost, price_settings
from calib.advise.cut_times import CutTimes
from calib.advise.drawing import read_drawing
from calib.advise.job import Job, JobClass, make_job, plain_job
from calib.advise.job_time import ClassTime, JobTime, beam_on_times_s, bed_loads, job_time_s
from calib.advise.stopwatch import calibrate_time
from calib.errors import MachineLimit
from calib.fit.thinning import thinned_region
from calib.records import COUPON_CUT_MM, Burn, Machine, Setting


def mixed() -> Job:
    return job_of(
        ("outline", "cut", ["M 10 10 h 100 v 60 h -100 z", "M 20 20 l 30 5", "M 60 20 h 0.6"]),
        ("letters", "line_mark", ["M 30 30 L 35 50 L 40 30 L 45 50", "M 70 30 v 12 h 3 v -9"]),
        ("badge", "area_mark", ["M 60 40 h 20 v 10 h -20 z"]),
    )


SETTINGS = {
    "outline": replace(AT, passes=3),
    "letters": Setting(power_pct=20.0, speed_mm_s=150.0, passes=2),
    "badge": Setting(power_pct=20.0, speed_mm_s=200.0, line_pitch_mm=0.5),
}


@dataclass(frozen=True)
class Steady:
    """Chances by plain formulas: fails more the faster, chars more the slower."""

    machine: Machine = CO2
    defects_per_m: float = 0.7

    def chance_through(
        self, power_pct: Any, speed_mm_s: Any, passes: Any = 1, cut_length_mm: float | None = None
    ) -> Any:
        places = 1.0 if cut_length_mm is None else cut_length_mm / COUPON_CUT_MM
        speed = np.asarray(speed_mm_s, float) / np.asarray(passes) * 60.0 / np.asarray(power_pct)
        steep = 1.0 / (1.0 + np.exp((speed - 24.0) / 0.8))
        return 0.7 * steep**places + 0.3 * steep ** (1.7 * places)

    def chance_char_at_most(
        self, grade: int, power_pct: Any, speed_mm_s: Any, passes: Any = 1
    ) -> Any:
        return 1.0 / (1.0 + np.exp(8.0 - np.asarray(speed_mm_s, float) / 1.5 - 3.0 * grade))


class Hanging(Steady):
    """The same that tells hanging from not cut."""

    def chance_at_least_hanging(self, power_pct: Any, speed_mm_s: Any, passes: Any = 1) -> Any:
        return 1.0 - 0.002 * np.asarray(speed_mm_s, float)


def known() -> calib.Region:
    """Half of the coupons drop at 20 mm/s and 80 %; on few points."""
    cuts = [(80.0, 14.0, 2), (80.0, 18.5, 1), (80.0, 24.0, 0), (60.0, 11.0, 2), (60.0, 14.5, 1),
            (40.0, 6.0, 3), (40.0, 9.5, 1)]  # fmt: skip
    burns = []
    for power, speed, char in cuts:
        spare = math.log(power / 80.0) - math.log(0.2 + 0.04 * speed)
        given = {"through": "through", "char": char} if spare > 0 else {"through": "no"}
        burns.append(Burn(operation="cut", power_pct=power, speed_mm_s=speed, **given))  # type: ignore[arg-type]
    return thinned_region(calib.fit_region(CO2, BIRCH, evidence=burns), 300)


# ------------------------------------------------------------------------------ jobs


def told(job: Job) -> list[object]:
    """A job in numbers and words."""
    strokes = [[c.name, c.operation, c.strokes.points_mm, c.strokes.step_mm, c.strokes.first,
                c.strokes.closed] for c in job.classes]  # fmt: skip
    return [job.name, job.parts, job.sheets, job.notes, job.cut_length_mm, job.size_mm, strokes]


def test_plain_jobs_are_as_they_were() -> None:
    given = [(12_000.0, None), (100.0, None), (450.0, None), (449.0, None), (0.5, 1), (5000.0, 7)]
    jobs = [plain_job(length, outlines, name="rings") for length, outlines in given]
    for job, (length, _) in zip(jobs, given, strict=True):
        assert job.cut_length_mm == pytest.approx(length)
        (cuts,) = job.cuts
        # Chords of a polygon of 96 sides against the arc: sin(x) / x.
        across = cuts.strokes.boxes_mm()[0]
        assert across[2] - across[0] == pytest.approx(length / job.parts / math.pi, rel=1e-3)
    same_as_kept("plain_jobs", [told(job) for job in jobs])


def test_jobs_of_a_drawing_are_as_they_were() -> None:
    drawing = read_drawing(PANEL.read_bytes(), classes_by="group")
    operations: dict[str, Any] = {"cut": "cut", "lettering": "line_mark", "badge": None}
    jobs = [make_job(drawing, operations, name="panel", sheets=0.25)]
    jobs.append(make_job(drawing, operations | {"badge": "cut"}, parts=3))
    kept = [[job.name, job.parts, job.sheets, job.notes, job.size_mm, job.cut_length_mm,
             [c.name for c in job.classes]] for job in jobs]  # fmt: skip
    same_as_kept("drawn_jobs", kept)


def test_jobs_that_make_no_sense_are_refused_in_the_same_words() -> None:
    drawing = read_drawing(PANEL.read_bytes(), classes_by="group")
    classes = mixed().classes
    calls: list[Callable[[], object]] = [
        lambda: plain_job(0.0),
        lambda: plain_job(1e8, 1),
        lambda: plain_job(-1.0),
        lambda: plain_job(10.0, 0),
        lambda: plain_job(10.0, 100_001),
        lambda: Job(classes=()),
        lambda: Job(classes=classes, parts=0),
        lambda: Job(classes=classes, sheets=-0.1),
        lambda: Job(classes=classes, sheets=10000.5),
        lambda: Job(classes=classes, sheets=math.inf),
        lambda: make_job(drawing, {"cut": "cut"}),
        lambda: make_job(drawing, dict.fromkeys(("cut", "lettering", "badge", "x"), "cut")),  # type: ignore[arg-type]
        lambda: JobClass(name="a", operation="engrave", strokes=strokes_of("M 0 0 h 1")),  # type: ignore[arg-type]
    ]
    same_as_kept("job_refusals", [refusal(call) for call in calls])
    fine = Job(classes=classes, sheets=10000.0)
    assert (fine.parts, replace(fine, sheets=0.0).sheets) == (1, 0.0)


# ------------------------------------------------------------------------------ times


def sums(time: JobTime) -> list[object]:
    names = ("cutting_s", "marking_s", "travel_s", "machine_s", "total_s", "interval_s")
    return [
        time,
        *(getattr(time, name) for name in names),
        *(c.mean_speed_mm_s for c in time.classes),
    ]


def test_times_of_jobs_are_as_they_were() -> None:
    job, ratio = mixed(), calibrate_time([(600.0, 700.0), (900.0, 1000.0)])
    times = [
        job_time_s(job, CO2, SETTINGS),
        job_time_s(job, CO2, SETTINGS | {"outline": replace(AT, speed_mm_s=90.0)}, ratio=ratio),
        job_time_s(job, replace(CO2, acceleration_mm_s2=None), SETTINGS, start_up_s=45.0),
        job_time_s(job, replace(CO2, bed_mm=(60.0, 50.0)), SETTINGS, ratio=ratio),
    ]
    same_as_kept("job_times", [sums(time) for time in times])


def test_the_mean_speed_is_that_of_the_beam() -> None:
    given: dict[str, Any] = {"name": "a", "operation": "cut", "setting": AT, "dark_s": 3.0}
    assert ClassTime(length_mm=4.0, beam_on_s=0.5, **given).mean_speed_mm_s == 8.0
    assert ClassTime(length_mm=0.0, beam_on_s=0.0, **given).mean_speed_mm_s == 0.0


def test_what_a_job_needs_of_its_settings_is_said_in_the_same_words() -> None:
    job = mixed()
    top = CO2.max_speed_mm_s
    said = [
        refusal(lambda: job_time_s(job, CO2, {"outline": AT})),
        refusal(
            lambda: job_time_s(job, CO2, SETTINGS | {"letters": replace(AT, speed_mm_s=top + 0.1)})
        ),
        refusal(lambda: job_time_s(job, CO2, SETTINGS | {"badge": AT})),
    ]
    at_top = job_time_s(job, CO2, SETTINGS | {"letters": replace(AT, speed_mm_s=top)})
    same_as_kept("job_time_words", [said, at_top.total_s])


def test_beyond_forty_eight_speeds_times_are_read_off_a_curve() -> None:
    (cut,) = mixed().cuts
    kept = [beam_on_times_s(cut, CO2, np.linspace(5.0, 80.0, count)) for count in (3, 48, 49)]
    exact = [float(beam_on_times_s(cut, CO2, v)) for v in np.linspace(5.0, 80.0, 49)]
    assert kept[2] == pytest.approx(exact, rel=3e-3)
    assert kept[2] != pytest.approx(exact, rel=1e-7)
    fewer = np.linspace(5.0, 80.0, 48)
    assert kept[1] == pytest.approx([float(beam_on_times_s(cut, CO2, v)) for v in fewer], rel=1e-9)
    same_as_kept("beam_on_times", kept)


def test_beds_are_counted_as_they_were() -> None:
    sizes = [(w, h) for w in (0.0, 600.0, 600.0005, 600.002, 900.0, 1300.0) for h in
             (100.0, 400.0, 400.002, 590.0, 1200.5)]  # fmt: skip
    same_as_kept("bed_loads", [bed_loads(size, (600.0, 400.0)) for size in sizes])


def test_lines_over_the_bed_are_counted_as_they_were() -> None:
    lines = ["M 0 0 h 600.0005", "M 0 0 h 600.002", "M 0 0 v 500", "M 0 0 h 500 v 399 z",
             "M 0 0 h 500 v 400.0005 z", "M 0 0 h 500 v 400.002 z", "M 0 0 v 601"]  # fmt: skip
    counts = [job_time._strokes_over_the_bed(job_of(("a", "cut", [line])), CO2) for line in lines]
    assert counts == [0, 1, 0, 0, 0, 1, 1]
    notes = job_time._time_notes(job_of(("a", "cut", lines)), CO2, 2, None)
    one = job_time._time_notes(job_of(("a", "cut", lines)), CO2, 1, None)
    same_as_kept("bed_notes", [notes, one])


def test_the_stopwatch_is_read_as_it_was() -> None:
    pairs = [[], [(600.0, 690.0)], [(600.0, 690.0), (1800.0, 2016.0)], [(10.0, 2.0), (1.0, 8.0)],
             [(600.0, 610.0 + 20.0 * n) for n in range(7)]]  # fmt: skip
    found = [calibrate_time(some) for some in pairs]
    wrong = [(1.0, 0.0), (math.nan, 1.0), (math.inf, 1.0), (-1.0, 1.0), (10.0, 1.99), (1.0, 8.01)]
    said = [refusal(lambda pair=pair: calibrate_time([pair])) for pair in wrong]
    same_as_kept("stopwatch", [found, [ratio.describe() for ratio in found], said])
    # Before any job ln ratio is a t of 6 degrees about 0 with sd 0.25 at a scatter of 0.05.
    assert math.log(found[0].interval[1]) == pytest.approx(1.943 * 0.25, rel=1e-3)


# ------------------------------------------------------------------------------ promises


def test_promises_of_jobs_are_as_they_were() -> None:
    region, job = Steady(), plain_job(2400.0, 8)
    times = CutTimes(job=job, machine=CO2, ratio=calibrate_time([(600.0, 700.0)] * 3))
    kept = [
        job_promise.job_promise(region, job, AT),
        job_promise.job_promise(region, job, replace(AT, speed_mm_s=23.0), change_pct=5.0),
        job_promise.job_promise(replace(region, defects_per_m=0.0), job, AT, times=times),
    ]
    tops = [replace(region, machine=replace(CO2, max_speed_mm_s=top)) for top in (20.2, 20.1999)]
    kept += [job_promise.job_promise(place, job, AT) for place in tops]
    assert [len(found.changes) for found in kept] == [3, 3, 3, 3, 2]
    same_as_kept("job_promises", kept)
    with pytest.raises(MachineLimit, match=r"set to 20 mm/s, above the machine's 19\.9 mm/s"):
        job_promise.job_promise(replace(region, machine=replace(CO2, max_speed_mm_s=19.9)), job, AT)


@pytest.mark.parametrize("places", [0.3, 1.0, 12.4, 150.0])
def test_pushes_have_the_interval_of_a_beta_binomial(places: float) -> None:
    failing, variance = 0.2, 0.003
    common = variance / (failing * 0.8)
    a, b = failing * (1.0 / common - 1.0), 0.8 * (1.0 / common - 1.0)
    low, high = betabinom(max(round(places), 1), a, b).ppf([0.05, 0.95])
    assert job_promise._pushes_interval(places, failing, variance) == (low, high)


def test_intervals_of_counts_are_as_they_were() -> None:
    given = [(40.0, 0.0, 0.0), (40.0, 1.0, 0.0), (40.0, 0.5, 0.2), (40.0, 0.3, 0.0),
             (40.0, 0.3, 0.3), (0.2, 0.9, 0.01), (200_000.4, 0.01, 1e-5), (200_001.0, 0.01, 1e-5),
             (3e6, 0.4, 0.01)]  # fmt: skip
    pushes = {f"{some}": job_promise._pushes_interval(*some) for some in given}
    means = (0.0, -1.0, 0.05, 0.06, 3.0, 80.0)
    same_as_kept("job_intervals", [pushes, [job_promise._poisson_interval(m) for m in means]])
    for mean in (0.06, 3.0, 80.0):
        by_hand = tuple(poisson.ppf([0.05, 0.95], mean))
        assert job_promise._poisson_interval(mean) == by_hand


# ------------------------------------------------------------------------------ costs


def test_costs_are_guessed_as_they_were_and_wrong_ones_refused() -> None:
    guessed = Costs()
    assert KNOWN.guessed == ()
    wrong: list[dict[str, Any]] = [
        {"machine_hour": -0.1}, {"labour_hour": True}, {"sheet_price": math.nan},
        {"recut_part": 1e9 + 1}, {"recut_share": 1.001}, {"start_up_s": "90"},
        {"cleaning_s_per_m": (0.0, 1.0, 2.0, 3.0)}, {"cleaning_s_per_m": [0.0] * 5},
        {"cleaning_s_per_m": (0.0, 1.0, 2.0, 3.0, 1e9 + 1)},
        {"cleaning_s_per_m": (0.0, 1.0, 2.0, 3.0, -1.0)}, {"seconds_per_push": math.inf},
    ]  # fmt: skip
    said = [refusal(lambda given=given: Costs(**given)) for given in wrong]
    most = Costs(machine_hour=1e9, labour_hour=0, recut_share=1.0, cleaning_s_per_m=(1e9,) * 5)
    assert most.guessed == ("seconds_per_push", "recut_part", "sheet_price", "start_up_s")
    same_as_kept(
        "costs", [guessed, guessed.guessed, replace(guessed, labour_hour=1.0).guessed, said]
    )


def test_expected_costs_are_as_they_were() -> None:
    job = replace(plain_job(9000.0, 20), sheets=1.5)
    powers, speeds, passes = [[60.0], [75.0]], [9.0, 18.0, 24.0], [[1], [2]]
    kept = []
    for region in (Steady(), Hanging(), Hanging(defects_per_m=0.0)):
        cost = expected_cost(region, job, KNOWN, powers, speeds, passes)
        assert cost.total == pytest.approx(sum(cost.parts.values()))
        kept.append([cost, cost.cheapest, list(cost.parts)])
    times = CutTimes(job=job, machine=CO2, ratio=calibrate_time([(600.0, 700.0)] * 3))
    kept.append(expected_cost(known(), job, Costs(), [70.0, 80.0], [12.0, 16.0], times=times))
    same_as_kept("expected_costs", kept)


def test_lost_parts_are_at_most_all() -> None:
    job = plain_job(9000.0, 3)
    region = Hanging()
    cost = expected_cost(region, job, KNOWN, 60.0, [10.0, 200.0])
    places = 3000.0 / COUPON_CUT_MM
    assert cost.recuts == pytest.approx([2.0 * 3 * min(0.02 * places, 1.0), 2.0 * 3])


def test_settings_side_by_side_are_as_they_were() -> None:
    job, settings = plain_job(3000.0, 10), {"slow": AT, "fast": replace(AT, speed_mm_s=24.0)}
    kept = [price_settings(Steady(), job, KNOWN, settings, price=p) for p in (None, 20.0)]
    said = [refusal(lambda price=price: price_settings(Steady(), job, KNOWN, {}, price=price))
            for price in (0.0, -1.0, math.nan, True, 2e9)]  # fmt: skip
    for price in (0.5, 1e9):
        assert price_settings(Steady(), job, KNOWN, {}, price=price) == ()
    same_as_kept("priced_settings", [kept, said])


# ------------------------------------------------------------------------------ cheapest


def test_what_the_cheapest_is_asked_of_is_as_it_was() -> None:
    region = known()
    rows = candidates.rows(region)
    job = plain_job(3000.0, 10)
    given = CutTimes(job=job, machine=CO2, start_up_s=5.0)
    kept = []
    for asked in (
        (KNOWN, job, None),
        (None, None, None),
        (None, None, 2500.0),
        (KNOWN, given, 9.0),
    ):
        priced = priced_job(region, *asked, rows)
        at = priced.one(region, AT)
        some = priced.of(region, *(np.array([v, v]) for v in (60.0, 11.0, 1.0)))
        kept.append([priced.notes, priced.notes_at(region, AT), at, some.total, some.cleaning,
                     priced.job.parts, priced.times.start_up_s])  # fmt: skip
    none = priced_job(region, KNOWN, job, None, [])
    assert none.times._curve is None
    curve = priced_job(region, KNOWN, job, None, rows).times._curve
    same_as_kept("cheapest_priced", [kept, none.one(region, AT).total, curve])


def test_char_that_nobody_read_is_said_where_it_costs() -> None:
    region, job = known(), plain_job(3000.0, 10)
    unread = replace(region, burns=tuple(replace(burn, char=None) for burn in region.burns))
    kept = []
    for place in (region, unread):
        for cleaning in ((0.0,) * 5, (0.0, 0.0, 0.0, 0.0, 0.5)):
            costs = replace(KNOWN, cleaning_s_per_m=cleaning)
            kept.append(priced_job(place, costs, job, None, []).notes_at(place, AT))
    assert [len(notes) for notes in kept] == [0, 0, 0, 1]
    same_as_kept("cheapest_unread", kept)


def test_cheapest_fastest_and_cleanest_are_as_they_were() -> None:
    region = known()
    times = CutTimes(job=plain_job(3000.0, 10), machine=CO2)
    found = advised_settings(region, times, KNOWN, reliability=0.9)
    marks: Any = SimpleNamespace(operation="line_mark")
    said = [
        refusal(lambda: advised_settings(region, times, KNOWN, char_at_most=2)),
        refusal(lambda: priced_job(marks, None, None, None, [])),
        refusal(lambda: priced_job(region, 3.0, None, None, [])),  # type: ignore[arg-type]
    ]
    same_as_kept("cheapest_advised", [list(found), found, said])
