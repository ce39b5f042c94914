"""Jobs: each class gets its operation, and wrong ones are refused."""

import math

import pytest
from bench_jobs import panel
from drawings import PANEL

from calib.errors import InvalidRecord
from calib.jobs.drawing import make_job, read_drawing
from calib.jobs.job import Job, plain_job


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
    with pytest.raises(InvalidRecord, match=r"parts are 0"):
        make_job(drawing, {"cut": "cut", "lettering": None, "badge": None}, parts=0)
    with pytest.raises(InvalidRecord, match=r"sheets are nan"):
        Job(classes=plain_job(100.0).classes, sheets=math.nan)


@pytest.mark.parametrize(("length", "outlines"), [(0.0, 1), (math.nan, 1), (5.0, 0)])
def test_plain_jobs_need_a_length_and_an_outline(length, outlines):
    with pytest.raises(InvalidRecord, match=f"a job of {length!r} mm in {outlines!r}"):
        plain_job(length, outlines)
