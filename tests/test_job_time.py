"""The time of a job: strokes, marks, travel, passes, loads of the bed."""

import math

import pytest
from bench_jobs import BENCH, PANEL_SETTINGS, job_of, panel, time_of

from calib.errors import InvalidRecord, MachineLimit
from calib.jobs.drawing import make_job, read_drawing
from calib.jobs.job_time import bed_loads, job_time_s
from calib.physics import move_time_s
from calib.records import Setting


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


def test_passes_of_a_closed_outline_repeat_it_and_an_open_one_travels_back():
    closed, open_one = job_of("cut", "M0 0h60v60h-60z"), job_of("cut", "M0 0h60")
    once, thrice = time_of(closed), time_of(closed, passes=3)
    assert thrice.cutting_s == pytest.approx(3.0 * once.cutting_s)
    assert thrice.travel_s == pytest.approx(once.travel_s)
    once, thrice = time_of(open_one), time_of(open_one, passes=3)
    back = float(move_time_s(60.0, 400.0, 3000.0))
    assert thrice.travel_s == pytest.approx(once.travel_s + 2.0 * back)
    assert thrice.classes[0].length_mm == pytest.approx(180.0)


def test_settings_that_cannot_be_are_refused():
    with pytest.raises(InvalidRecord, match=r"class 'lettering' \(line_mark\) has no setting"):
        job_time_s(panel(), BENCH, {k: v for k, v in PANEL_SETTINGS.items() if k != "lettering"})
    with pytest.raises(MachineLimit, match="500 mm/s, above the machine's 400"):
        time_of(job_of("cut", "M0 0h5"), speed_mm_s=500.0)
    with pytest.raises(InvalidRecord, match="no line pitch"):
        time_of(job_of("area_mark", "M0 0h5v5z"))


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
