"""Jobs: operations, time, loads, the stopwatch, small features and the promise of a whole job."""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy import stats

from calib.advise.cut_times import CutTimes
from calib.advise.drawing import read_drawing
from calib.advise.features import KERF_MM, LISTED, least_widths_mm, small_features
from calib.advise.job import Job, JobClass, make_job, plain_job
from calib.advise.job_promise import _pushes_interval, job_promise
from calib.advise.job_time import START_UP_S, beam_on_times_s, bed_loads, job_time_s
from calib.advise.path_data import strokes_of_paths
from calib.advise.stopwatch import calibrate_time
from calib.advise.surface import rows_of, rows_time_s
from calib.errors import InvalidRecord, MachineLimit
from calib.physics import move_time_s
from calib.records import COUPON_CUT_MM, Machine, Setting

PANEL = Path(__file__).parent / "reference" / "drawings" / "panel.svg"
BENCH = Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
)
CUT = Setting(power_pct=60.0, speed_mm_s=20.0)


def strokes_of(*paths):
    return strokes_of_paths(paths, np.tile([1.0, 0.0, 0.0, 1.0, 0.0, 0.0], (len(paths), 1)))[0]


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


def test_each_class_gets_its_operation():
    job = panel()
    assert [(c.name, c.operation) for c in job.classes] == [
        ("cut", "cut"),
        ("lettering", "line_mark"),
        ("badge", "area_mark"),
    ]
    assert job.parts == 1
    assert job.notes == ("Parts counted: 1, the closed cuts that aren't holes in another.",)
    assert [c.name for c in panel(badge=None).classes] == ["cut", "lettering"]
    assert job.cut_length_mm == pytest.approx(sum(c.strokes.length_mm for c in job.cuts))


def test_classes_without_or_with_a_wrong_operation_are_refused():
    with open(PANEL, "rb") as file:
        drawing = read_drawing(file, classes_by="group")
    with pytest.raises(InvalidRecord, match="class 'lettering' has no operation"):
        make_job(drawing, {"cut": "cut", "badge": None})
    with pytest.raises(InvalidRecord, match="no class 'nosuch'"):
        make_job(drawing, {"cut": "cut", "lettering": None, "badge": None, "nosuch": "cut"})
    with pytest.raises(InvalidRecord, match="'cut' is 'engrave'"):
        make_job(drawing, {"cut": "engrave", "lettering": None, "badge": None})
    with pytest.raises(InvalidRecord, match="no class to burn"):
        make_job(drawing, {"cut": None, "lettering": None, "badge": None})
    with pytest.raises(InvalidRecord, match=r"Job.parts is 0"):
        make_job(drawing, {"cut": "cut", "lettering": None, "badge": None}, parts=0)
    with pytest.raises(InvalidRecord, match=r"Job.sheets is nan"):
        Job(classes=plain_job(100.0).classes, sheets=math.nan)


@pytest.mark.parametrize(("length", "outlines"), [(0.0, 1), (math.nan, 1), (5.0, 0)])
def test_plain_jobs_need_a_length_and_an_outline(length, outlines):
    with pytest.raises(InvalidRecord, match=f"a job of {length!r} mm in {outlines!r}"):
        plain_job(length, outlines)


# ------------------------------------------------------------------------------------- time


@pytest.mark.parametrize("outlines", [45, 90, 150])
def test_27_m_at_5_mm_s_fill_an_hour_and_a_half(outlines):
    """Common practice, no source: at most 27 m in 90 minutes; up to 10 % more is believed."""
    job = plain_job(27_000.0, outlines)
    assert job.cut_length_mm == pytest.approx(27_000.0)
    minutes = job_time_s(job, BENCH, {"cut": Setting(power_pct=60.0, speed_mm_s=5.0)}).total_s / 60
    assert 90.0 <= minutes <= 99.0


def test_27_m_of_drawn_rings_fill_an_hour_and_a_half():
    """The same from a drawing: six stacks of rings, 2 mm from one another, on 600 x 400 mm."""
    rings, length = [], 0.0
    for r in range(15, 95, 2):
        for place in range(6):
            if length + 2.0 * math.pi * r > 27_000.0:
                continue
            cx, cy = 100 + 200 * (place % 3), 100 + 200 * (place // 3)
            rings.append(f'<circle cx="{cx}" cy="{cy}" r="{r}" stroke="#146c43" fill="none"/>')
            length += 2.0 * math.pi * r
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="600mm" height="400mm"'
    text = f'{head} viewBox="0 0 600 400">{"".join(rings)}</svg>'
    job = make_job(read_drawing(text.encode()), {"#146c43": "cut"})
    assert job.cut_length_mm == pytest.approx(length, rel=1e-5)
    assert length > 26_600.0  # what is missing doesn't fit another ring
    settings = {"#146c43": Setting(power_pct=60.0, speed_mm_s=5.0)}
    minutes = job_time_s(job, BENCH, settings).total_s / 60.0
    assert 90.0 <= minutes * 27_000.0 / length <= 99.0


def test_one_line_by_hand():
    """To the start 50 mm, along 100 mm, home: each from rest to rest."""
    time = time_of(job_of("cut", "M30 40h100"))
    there, along, home = (
        float(move_time_s(d, v, 3000.0))
        for d, v in ((50.0, 400.0), (100.0, 20.0), (math.hypot(130.0, 40.0), 400.0))
    )
    assert time.cutting_s == pytest.approx(along)
    assert time.travel_s == pytest.approx(there + home)
    assert time.total_s == pytest.approx(there + along + home)
    assert time.classes[0].mean_speed_mm_s == pytest.approx(100.0 / along)


def test_passes_of_a_closed_outline_repeat_it_and_an_open_one_travels_back():
    closed, open_one = job_of("cut", "M0 0h60v60h-60z"), job_of("cut", "M0 0h60")
    once, thrice = time_of(closed), time_of(closed, passes=3)
    assert thrice.cutting_s == pytest.approx(3.0 * once.cutting_s)
    assert thrice.travel_s == pytest.approx(once.travel_s)
    once, thrice = time_of(open_one), time_of(open_one, passes=3)
    back = float(move_time_s(60.0, 400.0, 3000.0))
    assert thrice.travel_s == pytest.approx(once.travel_s + 2.0 * back)
    assert thrice.classes[0].length_mm == pytest.approx(180.0)


def test_a_thousand_short_strokes_take_a_fifth_longer_than_length_over_speed():
    paths = [f"M{3 * (i % 40)} {4 * (i // 40)}h1.5" for i in range(1000)]
    job = job_of("line_mark", *paths)
    time = time_of(job, speed_mm_s=60.0)
    assert time.marking_s > 1.2 * 1500.0 / 60.0
    assert time.total_s > time.marking_s + 5.0
    assert time.classes[0].slow_mm == pytest.approx(1500.0)


def test_marks_come_before_cuts_and_parts_add_up():
    time = job_time_s(panel(), BENCH, PANEL_SETTINGS)
    assert [c.operation for c in time.classes] == ["area_mark", "line_mark", "cut"]
    assert time.start_up_s == START_UP_S
    assert time.total_s == pytest.approx(
        time.cutting_s + time.marking_s + time.travel_s + time.start_up_s
    )
    assert time.interval_s is None
    assert "not calibrated" in " ".join(time.notes)


def test_settings_that_cannot_be_are_refused():
    with pytest.raises(InvalidRecord, match=r"class 'lettering' \(line_mark\) has no setting"):
        job_time_s(panel(), BENCH, {k: v for k, v in PANEL_SETTINGS.items() if k != "lettering"})
    with pytest.raises(MachineLimit, match="500 mm/s, above the machine's 400"):
        time_of(job_of("cut", "M0 0h5"), speed_mm_s=500.0)
    with pytest.raises(InvalidRecord, match="line_pitch_mm None"):
        time_of(job_of("area_mark", "M0 0h5v5z"))


def test_unknown_acceleration_counts_no_ramps_and_says_so():
    unknown = replace(BENCH, acceleration_mm_s2=None)
    time = time_of(job_of("cut", "M0 0h60v60h-60z"), machine=unknown)
    assert time.total_s == pytest.approx(240.0 / 20.0)
    assert "acceleration isn't known" in " ".join(time.notes)


@pytest.mark.parametrize(
    ("size", "loads"),
    [
        ((600.0, 400.0), 1),
        ((400.0, 600.0), 1),
        ((601.0, 400.0), 2),
        ((1200.0, 800.0), 4),
        ((1100.0, 100.0), 2),
        ((0.0, 0.0), 1),
    ],
)
def test_loads_of_the_bed(size, loads):
    assert bed_loads(size, (600.0, 400.0)) == loads


def test_a_drawing_larger_than_the_bed_takes_loads_and_start_ups():
    job = job_of("cut", "M0 0h300v300h-300z", "M900 0h50v50h-50z", "M0 350h950")
    time = job_time_s(job, BENCH, {"a": CUT}, start_up_s=60.0)
    assert time.loads == 2
    assert time.start_up_s == 120.0
    notes = " ".join(time.notes)
    assert "at least 2 loads" in notes
    assert "larger than the bed: 1." in notes


def test_many_speeds_are_read_off_a_curve():
    job = panel()
    speeds = np.geomspace(2.0, 300.0, 90)
    curve = beam_on_times_s(job.cuts[0], BENCH, speeds)
    exact = [time_of(panel(lettering=None, badge=None), speed_mm_s=v).cutting_s for v in speeds]
    assert curve == pytest.approx(exact, rel=3e-3)
    few = beam_on_times_s(job.cuts[0], BENCH, speeds[:20].reshape(4, 5))
    assert few.ravel() == pytest.approx(exact[:20], rel=1e-9)


# ---------------------------------------------------------------------------------- surfaces


def test_rows_fill_the_area_with_holes_left_out():
    ring = "M10 5h20v12h-20z M14 8v6h12v-6z"
    rows = rows_of(strokes_of(ring), 0.1)
    assert len(rows.lit_mm) == 120
    assert rows.sweep_mm == pytest.approx(20.0)
    assert rows.lit_mm.sum() * 0.1 == pytest.approx(20.0 * 12.0 - 12.0 * 6.0)


def test_rows_cover_the_area_that_shapely_finds():
    strokes = strokes_of("M5 0c30 0 9 40-5 22c-9-12-2-20 5-22z M60 3a9 5 30 1 1 .1 0z")
    area = sum(shapely.Polygon(strokes.stroke(i)).area for i in range(2))
    rows = rows_of(strokes, 0.05)
    assert rows.lit_mm.sum() * 0.05 == pytest.approx(area, rel=2e-3)


def test_rows_time_by_hand():
    """4 rows of 30 mm at 100 mm/s, a = 1000: 0.3 s lit each; 0.11 s run-up at each end."""
    machine = replace(BENCH, acceleration_mm_s2=1000.0)
    setting = Setting(power_pct=20.0, speed_mm_s=100.0, line_pitch_mm=0.5)
    rows = rows_of(strokes_of("M0 0h30v2h-30z"), 0.5)
    step = 2.0 * math.sqrt(0.5 / 1000.0)
    beam_on, dark = rows_time_s(rows, machine, setting)
    assert beam_on == pytest.approx(4 * 0.3)
    assert dark == pytest.approx(4 * (2 * 0.11 + step))
    one_way = replace(machine, area_both_ways=False)
    back = float(move_time_s(30.0 + 2 * 6.0, 400.0, 1000.0))
    assert rows_time_s(rows, one_way, setting)[1] == pytest.approx(dark + 4 * back)


def test_a_surface_of_open_lines_is_empty_and_a_hopeless_pitch_is_refused():
    assert len(rows_of(strokes_of("M0 0h5v5"), 0.1).lit_mm) == 0
    assert time_of(job_of("area_mark", "M0 0h5v5"), line_pitch_mm=0.1).marking_s == 0.0
    with pytest.raises(MachineLimit, match="a line pitch of 1e-06 mm"):
        rows_of(strokes_of("M0 0h5v500h-5z"), 1e-6)


# ---------------------------------------------------------------------------------- stopwatch


def test_no_timed_job_gives_what_is_believed_before():
    ratio = calibrate_time([])
    assert ratio.ratio == 1.0
    assert ratio.interval[0] < 0.7
    assert ratio.interval[1] > 1.4


def test_two_jobs_start_and_more_narrow_it():
    two = calibrate_time([(600.0, 690.0), (1800.0, 2016.0)])
    assert two.ratio == pytest.approx(math.sqrt(1.15 * 1.12), rel=0.01)
    many = calibrate_time([(600.0, 690.0), (1800.0, 2016.0)] * 5)
    assert many.interval[1] - many.interval[0] < 0.6 * (two.interval[1] - two.interval[0])
    assert two.next_job[0] < two.interval[0] < two.ratio < two.interval[1] < two.next_job[1]


def test_intervals_cover_what_they_say():
    """400 simulated workshops, 2 and 5 jobs each; 90 % ± 5 % (three standard errors 4.5 %)."""
    rng = np.random.default_rng(5)
    for jobs in (2, 5):
        inside = next_inside = 0
        for _ in range(400):
            # the prior's own world: sd of ln ratio 0.25, scatter from its χ² with 6 degrees
            s = 0.05 * math.sqrt(6.0 / rng.chisquare(6.0))
            truth = rng.normal(0.0, 0.25 * s / 0.05)
            logs = rng.normal(truth, s, jobs + 1)
            ratio = calibrate_time([(100.0, 100.0 * math.exp(x)) for x in logs[:-1]])
            inside += ratio.interval[0] < math.exp(truth) < ratio.interval[1]
            next_inside += ratio.next_job[0] < math.exp(logs[-1]) < ratio.next_job[1]
        assert inside / 400 == pytest.approx(0.9, abs=0.05)
        assert next_inside / 400 == pytest.approx(0.9, abs=0.05)


def test_the_stopwatch_enters_the_time_but_not_the_start_up():
    ratio = calibrate_time([(600.0, 690.0), (1800.0, 2016.0)])
    plain = job_time_s(plain_job(5000.0), BENCH, {"cut": CUT})
    timed = job_time_s(plain_job(5000.0), BENCH, {"cut": CUT}, ratio=ratio)
    assert timed.total_s == pytest.approx(plain.machine_s * ratio.ratio + START_UP_S)
    low, high = timed.interval_s
    assert low < timed.total_s < high
    assert low - START_UP_S == pytest.approx(plain.machine_s * ratio.next_job[0])
    assert "not calibrated" not in " ".join(timed.notes)


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        ((600.0, 10.0), "calculated at 600 s was measured at 10 s"),
        ((0.0, 10.0), "calculated time of a job is 0.0"),
        ((10.0, math.nan), "measured time of a job is nan"),
    ],
)
def test_slips_of_the_stopwatch_are_refused(pair, words):
    with pytest.raises(InvalidRecord, match=words):
        calibrate_time([pair])


# ------------------------------------------------------------------------------ small features


def test_the_panel_has_one_narrow_hole_and_one_narrow_bridge():
    found = small_features(panel(), BENCH, PANEL_SETTINGS, kerf_mm=0.2)
    by_kind = {f.kind: f for f in found.features}
    assert found.counts["narrow outline"] == found.counts["narrow strip"] == 1
    assert by_kind["narrow outline"].size_mm == pytest.approx(0.5, rel=0.01)
    assert by_kind["narrow outline"].place_mm == (30.0, 22.0)
    strip = by_kind["narrow strip"]
    assert strip.size_mm == pytest.approx(0.6, abs=0.01)
    assert 60.0 < strip.place_mm[0] < 100.0
    assert strip.place_mm[1] == pytest.approx(56.3, abs=0.01)
    assert "0.40 mm is left" in strip.words
    assert found.notes == ()


@pytest.mark.parametrize(
    ("path", "strips"),
    [
        ("M0 0h30v30h-30z", 0),
        ("M0 0l30 10l-30 10z", 0),  # a corner of 37 degrees
        ("M0 0h30v.5h-29v9h-1z", 1),  # a finger half a millimetre wide
        ("M0 0h10v10h-10z M10.5 0h10v10h-10z", 1),
        ("M0 0h10v10h-10z M12 0h10v10h-10z", 0),
        ("M0 0a5 5 0 0 1 10 0a5 5 0 0 1-10 0z M10.4 0a5 5 0 0 1 10 0a5 5 0 0 1-10 0z", 1),
        ("M0 0h10 M10 0v10", 0),  # lines that meet
        ("M0 5h10 M5 0v10", 0),  # lines that cross
    ],
)
def test_strips_between_cuts(path, strips):
    found = small_features(job_of("cut", path), BENCH, {}, kerf_mm=0.2)
    assert found.counts["narrow strip"] == strips


def test_least_width_of_a_turned_slot():
    c, s = math.cos(0.7), math.sin(0.7)
    slot = strokes_of_paths(["M0 0h9v2h-9z"], np.array([[c, s, -s, c, 0.0, 0.0]]))[0]
    assert least_widths_mm(slot)[0] == pytest.approx(2.0, rel=0.01)
    assert least_widths_mm(slot)[0] >= 2.0 - 1e-9


def test_small_holes_that_stay_slow_are_named_with_their_energy():
    job = job_of("cut", "M50 50a1.5 1.5 0 1 0 .001 0z", "M0 0h100v100h-100z")
    setting = Setting(power_pct=50.0, speed_mm_s=120.0)
    machine = replace(BENCH, acceleration_mm_s2=1000.0, power_follows_speed=True)
    found = small_features(job, machine, {"a": setting}, kerf_mm=0.2, region=Stub())
    slow = [f for f in found.features if f.kind == "slow outline"]
    assert slow[0].place_mm == (50.0, 50.0)
    # On a radius of 1.5 mm the head runs at √(1000 × 1.5) = 38.7 mm/s at most.
    assert slow[0].energy_ratio > 120.0 / 38.8
    assert "times the energy per length, so more char" in slow[0].words
    assert "Chance of tan or cleaner" in slow[0].words
    assert "lowers the power with the speed" in " ".join(found.notes)


def test_only_the_worst_are_listed_and_a_guessed_kerf_is_said():
    paths = [f"M{3 * i} 0h.4v5h-.4z" for i in range(LISTED + 5)]
    found = small_features(job_of("cut", *paths), BENCH, {})
    assert found.counts["narrow outline"] == LISTED + 5
    assert sum(f.kind == "narrow outline" for f in found.features) == LISTED
    assert f"{KERF_MM:g} mm was taken, a guess" in found.notes[0]


# ------------------------------------------------------------------------------------ promise


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

    def chance_char_at_most(self, grade, power_pct, speed_mm_s, passes=1):
        return np.minimum(1.0, (grade + 1) * np.asarray(speed_mm_s) / 200.0)


def test_the_promise_of_a_job_by_hand():
    job = plain_job(100 * COUPON_CUT_MM, 20)
    promise = job_promise(Stub(), job, CUT)
    assert promise.places == pytest.approx(100.0)
    assert promise.chance_coupon == pytest.approx(0.98)
    assert promise.expected_pushes == pytest.approx(2.0)
    assert promise.chance_no_push == pytest.approx((1 + 0.99**100 + 0.95**100) / 3)
    defects = 0.5 * 100 * COUPON_CUT_MM / 1000.0
    assert promise.expected_defects == pytest.approx(defects)
    assert promise.chance_no_help == pytest.approx(promise.chance_no_push * math.exp(-defects))
    low, high = stats.poisson.ppf([0.05, 0.95], defects)
    assert promise.defects_interval == (low, high)
    assert "About 2.0 places of 100" in promise.notes[0]
    assert "counted apart" in promise.notes[1]


def test_one_per_cent_of_speed():
    promise = job_promise(Stub(), plain_job(100 * COUPON_CUT_MM, 20), CUT)
    slower, same, faster = promise.changes
    assert (slower.change_pct, same.change_pct, faster.change_pct) == (-1.0, 0.0, 1.0)
    assert slower.speed_mm_s == pytest.approx(19.8)
    assert slower.expected_pushes == pytest.approx(1.98)
    assert faster.expected_pushes == pytest.approx(2.02)
    assert slower.minutes > same.minutes > faster.minutes
    assert same.minutes == promise.minutes
    at_the_top = job_promise(
        Stub(), plain_job(1000.0), Setting(power_pct=60.0, speed_mm_s=BENCH.max_speed_mm_s)
    )
    assert [c.change_pct for c in at_the_top.changes] == [-1.0, 0.0]


@pytest.mark.parametrize("places", [20, 150, 900])
@pytest.mark.parametrize("centre", [0.002, 0.02, 0.2])
def test_the_interval_against_counts_drawn_from_a_doubtful_chance(places, centre):
    """Φ⁻¹(q) normal, as a fit gives it; whole numbers can't leave out 5 % on the dot."""
    rng = np.random.default_rng(11)
    q = stats.norm.cdf(stats.norm.ppf(centre) + rng.normal(0.0, 0.35, 40_000))
    low, high = _pushes_interval(places, float(q.mean()), float(q.var()))
    counts = rng.binomial(places, q)
    assert (counts < low).mean() <= 0.08
    assert (counts > high).mean() <= 0.08
    assert (counts <= low).mean() >= 0.03
    assert (counts >= high).mean() >= 0.03


def test_the_interval_of_what_is_certain():
    assert _pushes_interval(50.0, 0.0, 0.0) == (0, 0)
    assert _pushes_interval(50.0, 1.0, 0.0) == (50, 50)
    low, high = _pushes_interval(400.0, 0.1, 0.0)
    assert (low, high) == tuple(stats.binom.ppf([0.05, 0.95], 400, 0.1))
    low, high = _pushes_interval(1e6, 0.1, 0.01**2)
    assert (low / 1e6, high / 1e6) == pytest.approx((0.084, 0.117), abs=0.001)


def test_a_job_without_cuts_promises_nothing():
    with pytest.raises(InvalidRecord, match="'job' has nothing to cut"):
        job_promise(Stub(), job_of("line_mark", "M0 0h9"), CUT)


def test_marks_count_in_the_time_of_a_promise_when_they_have_a_setting():
    marks = {k: v for k, v in PANEL_SETTINGS.items() if k != "cut"}
    without, with_marks = (
        job_promise(Stub(), panel(), CUT, times=CutTimes(job=panel(), machine=BENCH, marks=m))
        for m in ({}, marks)
    )
    full = job_time_s(panel(), BENCH, PANEL_SETTINGS).total_s / 60.0
    assert with_marks.minutes == pytest.approx(full)
    assert without.minutes < with_marks.minutes
