"""Whole drawings against two other readers, split into classes, copied, nested, in any unit."""

import math
import random

import numpy as np
import pytest
import shapely
import svgelements
import svgpathtools
from drawings import DRAWINGS, document, drawing, length_of

from calib.jobs.drawing import read_drawing
from calib.jobs.outlines import points_inside


@pytest.mark.parametrize("name", ["shapes", "inches", "panel"])
def test_whole_documents_agree_with_another_reader(name):
    """svgelements reads the whole document; its millimetre is 5e-7 large."""
    parsed = svgelements.SVG.parse(str(DRAWINGS / f"{name}.svg"), ppi=96.0, reify=True)
    shapes = [e for e in parsed.elements() if isinstance(e, svgelements.Shape)]
    mm = 25.4 / 96.0
    length = sum(svgelements.Path(e).length(error=1e-6) for e in shapes) * mm
    boxes = np.array([e.bbox(with_stroke=False) for e in shapes]) * mm
    ours = drawing(name)
    assert length_of(ours) == pytest.approx(length, rel=1e-5)
    expected = (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))
    assert ours.box_mm == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("name", ["shapes", "panel"])
def test_whole_documents_agree_with_a_second_reader(name):
    """svgpathtools applies transforms but knows no units: these files are 1 unit = 1 mm."""
    paths = svgpathtools.Document(str(DRAWINGS / f"{name}.svg")).paths()
    length = sum(path.length(error=1e-6) for path in paths)
    assert length_of(drawing(name)) == pytest.approx(length, rel=1e-5)


def test_classes_by_group_take_the_titles_below_a_group_that_holds_all():
    panel = drawing("panel", classes_by="group")
    assert list(panel.classes) == ["cut", "lettering", "badge"]
    cut = panel.classes["cut"]
    assert cut.closed.sum() == len(cut) == 8
    assert list(drawing("panel").classes)[2] == "fill #665c50"


def test_copies_rules_and_what_is_left_out():
    reused = drawing("reused")
    mm, lines = 25.4 / 96.0, reused.classes
    # four ticks of 14, two of them doubled; two short lines
    assert lines["#ff0000"].length_mm == pytest.approx((14 * 2 + 28 * 2 + 9 + 1) * mm)
    assert lines["#00ff00"].length_mm == pytest.approx(20 * math.pi * mm, rel=1e-5)
    assert lines["#ff0000"].starts_mm[3] == pytest.approx([40 * mm, 60 * mm])
    said = " ".join(reused.notes)
    for words in (
        "96 units were taken for an inch",
        "hidden shapes, 3 x",
        "text",
        "pictures made of dots, 1 x",
    ):
        assert words in said


def test_lines_drawn_twice_and_open_lines_that_meet_are_said():
    body = '<path d="M0 0h10"/><path d="M10 0v10"/><path d="M0 20h5"/><path d="M5 20h-5"/>'
    notes = " ".join(read_drawing(document(body)).notes)
    assert "burnt twice: 1." in notes
    # the second line, and both of the pair that is drawn there and back
    assert "begin where another ends: 3." in notes
    assert drawing("shapes").notes == ()


@pytest.mark.parametrize(
    ("length", "mm"),
    [("1in", 25.4), ("2.5cm", 25.0), ("72pt", 25.4), ("6pc", 25.4), ("96px", 25.4), ("40q", 10.0)],
)
def test_units_are_exact(length, mm):
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{length}" height="{length}">'
    body = '<line x1="0" y1="0" x2="100%" y2="0" stroke="red"/>'
    assert length_of(read_drawing(document(body, head))) == pytest.approx(mm, rel=1e-12)


def test_nesting_agrees_with_shapely():
    rng = random.Random(4)
    corners = np.array([(rng.uniform(0, 9), rng.uniform(0, 9)) for _ in range(9)])
    points = np.array([(rng.uniform(-1, 10), rng.uniform(-1, 10)) for _ in range(300)])
    # make_valid of the crossing ring has the even-odd inside
    area = shapely.make_valid(shapely.Polygon(corners))
    expected = shapely.contains_xy(area, points[:, 0], points[:, 1])
    assert points_inside(points, corners).tolist() == expected.tolist()
