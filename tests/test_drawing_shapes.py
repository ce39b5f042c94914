"""Shapes of a drawing against their known perimeters and the paths that they stand for."""

import math
import random

import numpy as np
import pytest
import shapely
from drawings import DRAWINGS, document, drawing, first_of

from calib.jobs.drawing import read_drawing
from calib.jobs.outlines import FLATNESS_MM


def ellipse_perimeter(a, b):
    """Complete elliptic integral, by the arithmetic-geometric mean (any table of integrals)."""
    x, y, c, weight, total = a, b, math.sqrt(abs(a * a - b * b)), 0.5, 0.0
    for _ in range(40):
        total += weight * c * c
        x, y, c, weight = (x + y) / 2.0, math.sqrt(x * y), (x - y) / 2.0, weight * 2.0
    return 2.0 * math.pi / x * (a * a - total)


# Length of y² = x from the top to where the slope is s, twice: the parabola's arc in closed form.
# q10-20 20 0: chord 20, height 10, so L = √(20² + 16·10²)/2 + 20²/(8·10)·asinh(4·10/20).
PARABOLA = math.sqrt(400.0 + 1600.0) / 2.0 + 5.0 * math.asinh(2.0)
KNOWN = {
    "#100000": 100.0,  # 30 x 20
    "#200000": 2 * (22 + 12) + 8 * math.pi,  # the same with corners of radius 4
    "#300000": 20 * math.pi,
    "#400000": ellipse_perimeter(15.0, 8.0),
    "#500000": 50.0,  # 30-40-50
    "#600000": 5 + 12 + 13,  # 3-4-5, 12, 5-12-13
    "#700000": 12.0,  # 3-4-5 triangle
    "#800000": 5 * math.pi,
    "#900000": 10 * math.pi,  # two quarter circles as cubics, 2.7e-4 off at most
    "#a00000": 2 * PARABOLA,
    "#b00000": 60.0,  # 10 x 5, doubled and turned
    "#c00000": 16.0 + 5.0 + 5.0,  # triangle 5-5-6, two lines
}


@pytest.mark.parametrize("colour", KNOWN)
def test_shapes_with_known_perimeters(colour):
    tolerance = 3e-4 if colour == "#900000" else 1e-5
    assert drawing("shapes").classes[colour].length_mm == pytest.approx(
        KNOWN[colour], rel=tolerance
    )


def test_a_document_type_without_entities_is_read():
    assert b"<!DOCTYPE svg PUBLIC" in (DRAWINGS / "shapes.svg").read_bytes()
    assert len(drawing("shapes").classes) == len(KNOWN)


PLAIN = (
    "<circle cx='20' cy='30' r='9'/><line x1='1' y1='2' x2='3' y2='9'/><path d='M5 5h7'/>"
    "<ellipse cx='60' cy='20' rx='12' ry='4'/><rect x='3' y='50' width='8' height='5'/>"
)
AS_PATHS = (
    "<path d='M29 30a9 9 0 0 1-18 0 9 9 0 0 1 18 0z'/><path d='M1 2L3 9'/><path d='M5 5h7'/>"
    "<path d='M72 20a12 4 0 0 1-24 0 12 4 0 0 1 24 0z'/><path d='M3 50h8v5h-8z'/>"
)


@pytest.mark.parametrize(
    "transform",
    ["translate(3.5,-2)", "translate(4)", "rotate(30)", "matrix(1.5 .4 -.2 .8 9 9)", "scale(-1,2)"],
)
def test_plain_shapes_are_the_paths_they_stand_for(transform):
    """Same order, starts, directions, lengths and outlines as the recommendation's paths."""
    group = f"<g stroke='red' transform='{transform}'>"
    plain, paths = (
        first_of(read_drawing(document(f"{group}{body}</g>"))) for body in (PLAIN, AS_PATHS)
    )
    assert plain.starts_mm == pytest.approx(paths.starts_mm, abs=1e-6)
    assert plain.closed.tolist() == paths.closed.tolist()
    assert plain.lengths_mm == pytest.approx(paths.lengths_mm, rel=2e-5)
    for nth in range(len(paths)):
        one, two = (shapely.LineString(s.stroke(nth)) for s in (plain, paths))
        assert shapely.hausdorff_distance(one, two) < 2 * FLATNESS_MM
        quarter = one.interpolate(0.25, normalized=True)
        assert quarter.distance(two.interpolate(0.25, normalized=True)) < 0.1


def test_flattened_and_vanishing_plain_shapes_are_read_as_paths_are():
    body = "<g transform='scale(1,0)'><circle r='5' cx='9'/></g><circle r='1e-7'/><rect width='0'/>"
    line = "<line x1='3' y1='1' x2='3' y2='1'/>"
    strokes = first_of(read_drawing(document(body + line)))
    assert len(strokes) == 1
    assert strokes.length_mm == pytest.approx(20.0, rel=1e-3)


def test_ten_thousand_circles_keep_their_circumference():
    rng = random.Random(6)
    radii = [rng.uniform(0.02, 40.0) for _ in range(10_000)]
    body = "".join(f"<circle cx='50' cy='50' r='{r!r}'/>" for r in radii)
    lengths = first_of(read_drawing(document(body))).lengths_mm
    assert lengths == pytest.approx(2 * math.pi * np.array(radii), rel=1e-5)
