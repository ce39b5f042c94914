"""Path data against two other libraries: lengths, points, tight writing, closed contours."""

import math
import random

import numpy as np
import pytest
import shapely
import svg.path
import svgpathtools
from drawings import strokes_of
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.jobs.paths import strokes_of_paths

WANTS = {"h": 1, "v": 1, "l": 2, "t": 2, "s": 4, "q": 4, "c": 6, "z": 0}


def random_path(seed):
    rng = random.Random(seed)

    def number():
        return f"{rng.uniform(-50, 50):.3f}"

    def arc():
        radii = f"{rng.uniform(0.1, 40):.2f} {rng.uniform(0.1, 40):.2f} {rng.uniform(-90, 90):.1f}"
        return f"{radii} {rng.randint(0, 1)} {rng.randint(0, 1)} {number()} {number()}"

    words = []
    for _ in range(rng.randint(1, 4)):
        words.append(f"{rng.choice('Mm')}{number()} {number()}")
        for _ in range(rng.randint(1, 8)):
            letter = rng.choice("LlHhVvCcSsQqTtAaZz")
            kind = letter.lower()
            for nth in range(1 if kind == "z" else 2):  # the second repeats the command
                numbers = arc() if kind == "a" else ",".join(number() for _ in range(WANTS[kind]))
                words.append(f"{' ' if nth else letter}{numbers}")
    return "".join(words)


@pytest.mark.parametrize("seed", range(60))
def test_path_lengths_agree_with_two_libraries(seed):
    """All commands, absolute and relative, repeated, over several subpaths; 1e-5 of the length."""
    data = random_path(seed)
    ours = strokes_of(data).length_mm
    assert ours == pytest.approx(svg.path.parse_path(data).length(error=1e-6), rel=2e-5)
    if seed < 12:  # the slower of the two
        theirs = svgpathtools.parse_path(data).length(error=1e-6)
        assert ours == pytest.approx(theirs, rel=1e-4)


@pytest.mark.parametrize("seed", range(20))
def test_points_lie_on_the_curve(seed):
    data = random_path(seed)
    theirs = shapely.MultiLineString([
        [(p.real, p.imag) for p in (segment.point(t) for t in np.linspace(0, 1, 300))]
        for segment in svg.path.parse_path(data)
        if not isinstance(segment, svg.path.Move)
    ])
    ours = strokes_of(data)
    lines = shapely.MultiLineString([ours.stroke(i) for i in range(len(ours))])
    # 0.01 mm is ours; the other line has 300 chords a segment.
    assert shapely.hausdorff_distance(lines, theirs) < 0.05
    assert max(theirs.distance(shapely.Point(p)) for p in ours.points_mm) < 0.05


@pytest.mark.parametrize(
    ("tight", "wide"),
    [
        ("M0.6.5.7-.8", "M 0.6 0.5 L 0.7 -0.8"),
        ("M1e1-2E-1l+3-4", "M 10 -0.2 l 3 -4"),
        ("M0,0a5,5 0 0110,0", "M 0 0 a 5 5 0 0 1 10 0"),
        ("M0 0a5 5 0 01.5.5.7.7 0 0013 3", "M0 0 a 5 5 0 0 1 .5 .5 .7 .7 0 0 0 13 3"),
        ("M0 0a5 5 30 11-3-4z", "M0 0 a 5 5 30 1 1 -3 -4 Z"),
        ("m5 5 1 0 0 1z m1 1h3", "M5 5 L6 5 L6 6 L5 5 M 6 6 L 9 6"),
        ("M5 5h1v1zl2 0", "M5 5 H6 V6 Z M5 5 L7 5"),
        ("M0 0h10z m5 5h1z m5 5h1", "M0 0H10Z M5 5H6Z M10 10 H11"),
        ("M1 1m2 2h1m0 1h1", "M3 3H4M4 4H5"),
    ],
)
def test_tight_writing_means_the_same(tight, wide):
    one, two = strokes_of(tight), strokes_of(wide)
    assert one.points_mm == pytest.approx(two.points_mm, abs=1e-9)
    assert one.first.tolist() == two.first.tolist()


@pytest.mark.parametrize(
    ("data", "closed"),
    [
        ("M0 0h5v5h-5z", True),
        ("M0 0h5v5h-5v-5", True),
        ("M0 0h5v5h-5v-5z", True),
        ("M0 0h5v5h-5", False),
        ("M0 0h5z", True),
        ("M0 0h5", False),
    ],
)
def test_closed_contours(data, closed):
    assert strokes_of(data).closed.tolist() == [closed]


def test_dots_are_no_strokes():
    strokes = strokes_of("M1 1 M2 2 h0 M3 3 h1 M4 4z")
    assert len(strokes) == 1
    assert strokes.starts_mm.tolist() == [[3.0, 3.0]]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-90, 90), st.floats(-90, 90)), min_size=2, max_size=12, unique=True
    ),
    st.floats(0, 360),
    st.floats(0.1, 5),
)
def test_turning_and_scaling_scale_the_length(points, turn, scale):
    data = "M" + " ".join(f"{x:.4f},{y:.4f}" for x, y in points)
    plain = strokes_of(data).length_mm
    c, s = scale * math.cos(math.radians(turn)), scale * math.sin(math.radians(turn))
    moved = strokes_of_paths([data], np.array([[c, s, -s, c, 7.0, -3.0]]))[0].length_mm
    assert moved == pytest.approx(scale * plain, rel=1e-9, abs=1e-4)
