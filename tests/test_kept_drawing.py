"""Drawings read into strokes: whether any point, length, colour or word of them has changed."""

from __future__ import annotations

import gc
import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np
import pytest
import shapely
from kept_results import same_as_kept

from calib.advise import drawing as drawing_room
from calib.advise import nesting, outlines, path_data, plain_shapes, svg_shapes, svg_style, svg_tree
from calib.advise.drawing import read_drawing
from calib.advise.nesting import part_count, points_inside
from calib.advise.outlines import (
    NO_STROKES,
    Arcs,
    Floats,
    Pieces,
    Strokes,
    arc_cubics,
    joined_strokes,
)
from calib.advise.path_data import strokes_of_paths
from calib.advise.plain_shapes import Corners, Oval, least_stretch, strokes_of_shapes
from calib.advise.svg_shapes import Viewport, as_path, composed, length_px, shape_of, view_box
from calib.advise.svg_style import Look, Stylesheet
from calib.advise.svg_tree import read_page
from calib.errors import BadFile

DRAWINGS = Path(__file__).parent / "reference" / "drawings"
UNIT = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
SKEW = (0.9, 0.2, -0.3, 1.1, 4.0, -7.0)
HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'


def refusal(call: Callable[[], object]) -> str:
    """What is said when something is refused."""
    try:
        call()
    except BadFile as refused:
        return str(refused)
    raise AssertionError("nothing was refused")


def document(body: str, head: str = HEAD) -> bytes:
    return f"{head}{body}</svg>".encode()


def strokes_of(*paths: str, matrix: Sequence[float] = UNIT, flatness: float = 0.01) -> Strokes:
    return strokes_of_paths(paths, np.tile(matrix, (len(paths), 1)), flatness)[0]


def pieces_of(*paths: str) -> Pieces:
    return path_data._pieces(path_data._segments(path_data._tokens(paths)))


# ------------------------------------------------------------------------------ path data

PATHS = {
    "lines": "M1 2L4 6l3-1H12h-2V9v1.5L1e1.5 2 1e1",
    "more numbers after one letter": "m1 2 3 4 5-6L7 8 9 10H1 2 3h1 1V5 6v1 1",
    "closed and begun again": "M5 5h4v3zm1 1h2v1zh3v2ZM20 20l3 3zL9 9",
    "closed and only moved": "M1 1l2 0 0 2zM30 30zm2 3m4 5l1 1m1 1",
    "closed behind closed": "m3 3h1v1zm5 0h1v1zzm0 7h1v1Z l1 2z",
    "cubics": "M1 1C2 5 6 7 9 2c1 3 4 4 7-2 1 1 2 5 6 6",
    "smooth cubics": "M1 1S4 6 8 3s3 5 7-1S30 4 31 9c1 2 3 4 5-1s2 2 4 4L50 5s1 2 3 4",
    "quadratics": "M1 1Q4 8 9 2q3 5 6-1 2 2 5 3",
    "smooth quadratics": "M1 1T5 4t3 2Q20 9 24 3t5 1T40 2t3 3L50 9T55 8t2-3c1 1 2 2 3 0T70 2",
    "arcs": "M10 10A5 3 20 0 1 16 12a4 4 0 1 0 3-5 4 6-30 0 0 2 9A2 7 45 1 1 30 11",
    "arcs of half and no turn":
        "M5 5a3 3 0 0 1 6 0a3 3 0 0 0 6 0A0 4 0 0 1 30 5a4 0 0 1 0 2 2a4 4 0 0 1 0 0l2 1",
    "arcs too small for their ends": "M5 5a1 2 30 0 1 9 4a-3-2 10 1 0 4-9A1 1 0 1 1 40 40",
    "flags without gaps": "M1 1a3 4 0 0019 9A3 3 0 1 15 5a3 3 0 01.5 2 3 3 0 11-4 4a3 3 0 10 1 1",
    "signs, points and exponents": "M.5.25-1-.5L1e1-2E+1+3.5.5 1.25e-1-4.e0L,5,,6 7\t8\n9\r\f1",
}  # fmt: skip


@pytest.mark.parametrize("name", PATHS)
def test_paths_become_the_same_pieces_and_points(name: str) -> None:
    text = PATHS[name]
    found = pieces_of(text)
    moved = strokes_of(text, matrix=SKEW)
    coarse = strokes_of(text, flatness=0.8)
    same_as_kept(f"path_{name.replace(',', '').replace(' ', '_')}", [found, moved, coarse])


def test_paths_read_together_are_those_read_alone() -> None:
    texts = [*PATHS.values()][1:]
    places = np.array([composed((1.0, 0.1 * i, -0.2, 1.0, i, -i), SKEW) for i in range(len(texts))])
    together, path = strokes_of_paths(texts, places)
    alone = [strokes_of_paths([t], places[i : i + 1])[0] for i, t in enumerate(texts)]
    assert np.array_equal(path, np.repeat(np.arange(len(texts)), [len(s) for s in alone]))
    joined = joined_strokes(alone)
    assert np.allclose(together.points_mm, joined.points_mm, atol=1e-9)
    assert np.array_equal(together.first, joined.first)
    assert np.array_equal(together.closed, joined.closed)
    assert np.allclose(together.step_mm, joined.step_mm, atol=1e-9)


def test_smooth_pieces_mirror_the_control_point_before() -> None:
    # Written out by hand after the SVG recommendation, path data, "S" and "T".
    smooth = pieces_of("M0 0C1 2 3 4 5 3S9 1 10 0").controls[2]
    assert smooth.tolist() == [[5, 3], [7, 2], [9, 1], [10, 0]]
    alone = pieces_of("M0 0L5 3S9 1 10 0").controls[2]
    assert alone.tolist() == [[5, 3], [5, 3], [9, 1], [10, 0]]
    third, fourth = pieces_of("M0 0Q3 6 6 0T12 0T18 0").controls[2:]
    # Controls (9, -6) and (15, 6); a quadratic is a cubic with two thirds of the way to its own.
    assert np.allclose(third, [[6, 0], [8, -4], [10, -4], [12, 0]])
    assert np.allclose(fourth, [[12, 0], [14, 4], [16, 4], [18, 0]])


def test_arcs_are_looked_at_more_closely_when_their_flags_touch() -> None:
    apart = {
        "M0 0A1 2 30 0 1 5 6": True, "M0 0a1 2 30 1 0 5 6 3 4 9 0 0 7 8": True,
        "M0 0h1L2 3A1 2 30 1 1 5 6M3 3a1 2 3 0 1 5 9": True, "M0 0A1 2 30 0 1 5.06-0.5": True,
        "M0 0A1 2 30 01 5 6": False, "M0 0A1 2 30 1 15 6": False, "M0 0A1 2 30 2 0 5 6": False,
        "M0 0A1 2 30 0 2 5 6": False, "M0 0A1 2 30 0 1 5 6 1 2 3 0 3 4 5": False,
        "M0 0A1 2 30 0 1 5 6 1 2 3 3 0 4 5": False,
    }  # fmt: skip
    for text, stand_apart in apart.items():
        values = path_data._read_numbers(path_data._marked(b"X" + text.replace("-", " -").encode()))
        assert path_data._flags_stand_apart(text.encode(), values) == stand_apart, text


def test_a_number_may_follow_an_exponent_without_a_gap() -> None:
    # The grammar of numbers in the SVG recommendation: an exponent holds no point.
    assert strokes_of("M1e1.5L2E-1.5e1").points_mm.tolist() == [[10.0, 0.5], [0.2, 5.0]]


def test_paths_that_cannot_be_read_are_refused_in_the_same_words() -> None:
    long = "9" * 59
    bad = [
        "M0 0L5 5&&&&&&&&&&&&&&&&& 3", "M0 0Lé 5", f"M0 0L{long}9 5", "M0 0L1e100 5",
        "M0 0L1e, +0123 5", "M0 0L. 5", "M0 0L- 5", "M0 0L5", "M0 0C1 2 3 4", "M", "M0", "M0 0H",
        "M0 0z1", "0 0L1 1", "L1 1", "z", "h5", "M0 0A1 1 0 2 0 5 5", "M0 0A1 1 0 0 2 5 5",
        "M0 0A1 1 0 0 1 5", "M0 0a1 1 0 .5 1 5 5",
    ]  # fmt: skip
    same_as_kept("path_refusals", [[text, refusal(lambda: strokes_of(text))] for text in bad])  # noqa: B023
    # Fifty-nine digits and an exponent of two figures are numbers yet, only far too far away.
    for text in (f"M0 0L{long} 5", "M0 0L1e99 5"):
        with pytest.raises(BadFile, match="reaches beyond 100 m"):
            strokes_of(text)


def test_bounds_of_path_data_are_the_most_that_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[Any] = [
        str(n) for n in (path_data.MAX_SEGMENTS, path_data.MAX_NUMBERS, path_data.MAX_ARCS)
    ]
    texts = {
        "MAX_NUMBERS": ["M1-1L2-2-3-4e-1", "M.1.2.3.4L.5.6", "M1 2 3 4 5 6 L 7 8", "M1 2E+1"],
        "MAX_SEGMENTS": ["M1 2 3 4 5 6", "M1 2zzz", "M0 0L1 1zM3 3L4 4"],
        "MAX_ARCS": ["M1 2a1 1 0 0 1 5 5 1 1 0 0 1 5 5", "M1 2a1 1 0 0 1 5 5"],
    }
    for limit, some in texts.items():
        for text in some:
            for bound in range(12):
                with monkeypatch.context() as patch:
                    patch.setattr(path_data, limit, bound)
                    try:
                        strokes_of(text)
                    except BadFile as refused:
                        kept.append([text, bound, str(refused)])
                    else:
                        kept.append([text, bound])
                        break
    same_as_kept("path_bounds", kept)


# ------------------------------------------------------------------------------ outlines


def test_strokes_tell_their_lengths_ends_and_boxes() -> None:
    strokes = strokes_of(
        "M1 2h3v4", "M9 9l-2 5", "M0 0h4v4h-4z", "M5 5a2 2 0 0 1 4 0", flatness=0.3
    )
    taken = strokes.take([2, 0, 2])
    assert strokes.take(range(len(strokes))).points_mm.tolist() == strokes.points_mm.tolist()
    kept = [strokes, taken, joined_strokes([taken, NO_STROKES, strokes])]
    same_as_kept("strokes_told", [
        [s, len(s), s.lengths_mm, s.length_mm, s.starts_mm, s.ends_mm, s.boxes_mm(),
         s.stroke(len(s) - 1)] for s in kept
    ])  # fmt: skip
    assert joined_strokes([taken]) is taken
    nothing = strokes.take([])
    assert [len(nothing), nothing.lengths_mm.shape, nothing.boxes_mm().shape] == [0, (0,), (0, 4)]
    assert len(strokes_of("M1 1")) == 0


def test_curves_are_followed_less_closely_when_there_are_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    curves = pieces_of("M0 0c0 30 60 30 60 0s9-9 9 9l5 5q3 3 8 0h1")
    finest = outlines._step_counts(curves, 0.01)
    kept: list[Any] = [
        str(outlines.MANY_POINTS),
        str(outlines.MAX_POINTS),
        outlines._COARSER,
        finest,
    ]
    total = int(finest.sum())
    for many in (total, total - 1, 60, 30):
        monkeypatch.setattr(outlines, "MANY_POINTS", many)
        kept.append([many, outlines._step_counts(curves, 0.01)])
    last = int(kept[-1][1].sum())
    monkeypatch.setattr(outlines, "MAX_POINTS", last)
    assert outlines._step_counts(curves, 0.01).sum() == last
    monkeypatch.setattr(outlines, "MAX_POINTS", last - 1)
    kept.append(refusal(lambda: outlines._step_counts(curves, 0.01)))
    # Straight lines take one step, curves never more than 500.
    monkeypatch.undo()
    kept.append(
        outlines._step_counts(pieces_of("M0 0h90000c0 9e4 9e4 9e4 0 0c0 1e-9 1 0 2 0"), 1e-3)
    )
    same_as_kept("step_counts", kept)


def test_points_leave_a_curve_by_no_more_than_the_flatness() -> None:
    # The bound of linear interpolation, h² max|B″| / 8 (any text on numerical analysis).
    for flatness in (0.5, 0.05, 0.005):
        strokes = strokes_of("M0 0c0 30 60 30 60 0", flatness=flatness)
        t = np.linspace(0.0, 1.0, 4001)
        curve = np.stack([3 * (1 - t) * t * t * 60 + 60 * t**3, 3 * (1 - t) * t * 30], axis=1)
        line = shapely.linestrings(strokes.points_mm)
        off = shapely.distance(line, shapely.points(curve)).max()
        assert 0.2 * flatness < off <= flatness


def test_what_is_shorter_than_a_step_is_left_out() -> None:
    texts = ["M0 0h5v5l-5-4.9985", "M0 0h5v5l-5-4.9995", "M0 0h5v5l-5-4.999", "M0 0h1l-1 0.0005",
             "M0 0h2e-6h5", "M0 0h5e-7h5", "M0 0h1e-6h5", "M3 3l0 0zM0 0h1z", "M0 0h1z",
             "M0 0h1e-3v1e-3z", "M0 0h1v1h-1V0z", "M3 3zM0 0h1v1z", "M0 0h1v1h-1z"]  # fmt: skip
    same_as_kept("short_steps", [[text, strokes_of(text)] for text in texts])


def test_reach_is_a_hundred_metres() -> None:
    kept = [outlines.MAX_COORDINATE_MM, outlines.FLATNESS_MM, outlines.SAME_PLACE_MM]
    outlines.check_reach(np.array([1e5, -1e5]))
    for far in (1.0001e5, -1.0001e5, math.nan, math.inf):
        kept.append(refusal(lambda: outlines.check_reach(np.array([0.0, far]))))  # noqa: B023
    same_as_kept("reach", [*kept, str(outlines.too_many_points(4_000_000))])


def test_arcs_lie_on_their_ellipses() -> None:
    some = np.random.default_rng(5)
    n = 24
    arcs = Arcs(
        begin=some.uniform(-9, 9, (n, 2)), end=some.uniform(-9, 9, (n, 2)),
        rx=some.uniform(3, 9, n), ry=some.uniform(-9, -3, n), tilt_deg=some.uniform(-180, 180, n),
        large=np.arange(n) % 2 == 1, sweep=np.arange(n) % 4 > 1,
    )  # fmt: skip
    counts, controls = arc_cubics(arcs)
    which = np.repeat(np.arange(n), counts)
    tilt = np.radians(arcs.tilt_deg)[which]
    # In the ellipse's own frame all ends of pieces of an arc lie on one unit circle, perhaps
    # stretched; the middle of a piece too, to 4e-6.
    middle = (controls @ np.ones(2) * 0)[:, :2] + controls.transpose(0, 2, 1) @ (
        np.array([1, 3, 3, 1]) / 8
    )
    frame = []
    for p in (controls[:, 0], middle, controls[:, 3]):
        x = (p[:, 0] * np.cos(tilt) + p[:, 1] * np.sin(tilt)) / np.abs(arcs.rx[which])
        y = (-p[:, 0] * np.sin(tilt) + p[:, 1] * np.cos(tilt)) / np.abs(arcs.ry[which])
        frame.append(np.stack([x, y], axis=1))
    for arc in range(n):
        own = np.vstack([f[which == arc] for f in frame])
        # Circle through points by least squares: |p|² = 2 c·p + k.
        a = np.column_stack([2.0 * own, np.ones(len(own))])
        cx, cy, k = np.linalg.lstsq(a, (own**2).sum(axis=1), rcond=None)[0]
        radius = math.sqrt(k + cx * cx + cy * cy)
        assert np.hypot(own[:, 0] - cx, own[:, 1] - cy) == pytest.approx(radius, abs=2e-5)
        assert radius >= 1.0 - 1e-5
        assert counts[arc] * 45.0 >= 180.0 - 1e-6 or not arcs.large[arc]
    same_as_kept("arc_pieces", [counts, controls])


# ------------------------------------------------------------------------------ plain shapes

SHAPES = [
    Oval(1.0, 2.0, 5.0, 5.0), Corners((1.0, 2.0, 4.0, 2.0, 4.0, 7.0, 1.0, 7.0), closed=True),
    Oval(3.0, -2.0, 8.0, 0.5), Corners((0.0, 1.0, 5.0, 5.0), closed=False),
    Oval(0.0, 0.0, 0.02, 0.01), Corners((2.0, 2.0, 3.0, 2.0, 3.0, 3.5, 2.0, 3.5), closed=True),
    Oval(9.0, 9.0, 40.0, 40.0), Corners((7.0, 1.0, -5.0, 0.5), closed=False),
]  # fmt: skip
TURNS = [
    UNIT,
    SKEW,
    (0.0, 2.0, 2.0, 0.0, 1.0, 1.0),
    (0.0, 1.5, -1.5, 0.0, 3.0, 4.0),
    (1.0, 0.4, 0.4, 1.0, 0.0, 0.0),
]


def test_plain_shapes_become_the_same_points() -> None:
    kept = []
    for turn in TURNS:
        strokes = strokes_of_shapes(SHAPES, np.tile(turn, (len(SHAPES), 1)))
        kept.append([strokes, strokes.lengths_mm, strokes.boxes_mm()])
        paths = [as_path(shape) for shape in SHAPES]
        written = strokes_of(*paths, matrix=turn)
        assert strokes.lengths_mm == pytest.approx(written.lengths_mm, rel=2e-5, abs=1e-4)
        assert np.allclose(strokes.boxes_mm(), written.boxes_mm(), atol=0.02)
    kept.append(strokes_of_shapes(SHAPES[:1], np.array([SKEW]), 2.0))
    kept.append(strokes_of_shapes(SHAPES[1:2] + SHAPES[3:4], np.array([SKEW, UNIT])))
    kept.append([[shape.size for shape in SHAPES], [as_path(shape) for shape in SHAPES]])
    same_as_kept("plain_shapes", kept)


def test_ovals_get_as_many_steps_as_they_need(monkeypatch: pytest.MonkeyPatch) -> None:
    axes = np.zeros((7, 2, 2))
    radii = np.array([1e-3, 0.1, 1.0, 7.0, 50.0, 900.0, 90_000.0])
    axes[:, 0, 0], axes[:, 1, 1] = radii, radii / 2.0

    def counts() -> Any:
        return plain_shapes._oval_steps(axes, 0.01)

    kept: list[Any] = [plain_shapes._STEPS, plain_shapes._COARSER, plain_shapes._MOST_STEPS]
    kept.append(counts())
    total = int(kept[-1].sum())
    for many in (total, total - 1, 4000, 3000):
        monkeypatch.setattr(plain_shapes, "MANY_POINTS", many)
        kept.append([many, counts()])
    last = int(kept[-1][1].sum())
    monkeypatch.setattr(plain_shapes, "MAX_POINTS", last)
    assert counts().sum() == last
    monkeypatch.setattr(plain_shapes, "MAX_POINTS", last - 1)
    kept.append(refusal(counts))
    same_as_kept("oval_steps", kept)
    # A circle's chord leaves it by r (1 - cos(π / n)).
    assert (radii * (1.0 - np.cos(np.pi / kept[3])))[:5].max() < 0.01


def test_plain_shapes_too_far_away_are_refused() -> None:
    place = np.array([UNIT])
    edge = Oval(-99_990.0, 0.0, 10.0, 10.0)
    assert strokes_of_shapes([edge], place).boxes_mm()[0, 0] == pytest.approx(-1e5)
    strokes_of_shapes([Oval(0.0, 99_990.0, 10.0, 10.0)], place)
    for oval in (Oval(-99_990.0, 0.0, 10.1, 10.0), Oval(0.0, 99_990.0, 10.0, 10.1)):
        with pytest.raises(BadFile, match="reaches beyond 100 m"):
            strokes_of_shapes([oval], place)
    # A skewed one reaches as far across as both of its axes together.
    with pytest.raises(BadFile, match="reaches beyond 100 m"):
        strokes_of_shapes([Oval(99_985.0, 0.0, 10.0, 10.0)], np.array([(1.0, 0, 1.0, 1.0, 0, 0)]))
    with pytest.raises(BadFile, match="reaches beyond 100 m"):
        strokes_of_shapes([Corners((0.0, 0.0, 1e5, 1.1), closed=False)], place * 1.01)


def test_least_stretch_is_a_lower_bound_of_the_singular_value() -> None:
    least_stretch.cache_clear()
    kept = []
    for seed in range(8):
        a, b, c, d, e, f = np.random.default_rng(seed).normal(size=6).tolist()
        told = least_stretch((a, b, c, d, e, f))
        low = float(np.linalg.svd(np.array([[a, c], [b, d]]), compute_uv=False)[1])
        assert 0.7 * low < told <= low + 1e-12
        kept.append(told)
    assert least_stretch((0.0,) * 6) == 0.0
    same_as_kept("least_stretches", kept)


# ------------------------------------------------------------------------------ shapes of SVG


def test_lengths_are_read_as_they_were() -> None:
    texts = ["5", " 5.5 ", "-3", "+.5e1", "1e-2", "25.4mm", "2.54CM", "101.6q", "1in", "72pt",
             "6pc", "96px", "50%", "-10 %", " 1.mm ", "0" * 59 + "1mm",
             "12e2px", " " * 196 + "1mm"]  # fmt: skip
    kept: list[Any] = [[text, length_px(text, 30.0)] for text in texts]
    bad = ["", "nan", "inf", "1_0", "5furlong", "mm", "1e100mm", "1 2", "0" * 121 + "mm", "5em",
           " " * 198 + "1mm", "x" * 50, "1e999"]  # fmt: skip
    kept += [[text, refusal(lambda: length_px(text, 30.0))] for text in bad]  # noqa: B023
    same_as_kept("lengths", [*kept, svg_shapes.MM_PER_PX, Viewport(3.0, 4.0).diagonal])
    assert length_px("25.4mm", 0.0) == length_px("72pt", 0.0) == length_px("6pc", 0.0) == 96.0


VIEWS: list[dict[str, str]] = [
    {}, {"viewBox": "1 2 30 40"}, {"viewBox": "0 0 0.5 0.25", "width": "1cm"},
    {"viewBox": "1,2,30,40", "width": "60", "height": "50"},
    {"width": "10mm", "height": "2in"}, {"width": " 10MM ", "height": "20"},
    {"width": "50%", "height": "25%", "x": "3", "y": "10%"},
    {"viewBox": "5 6 10 20", "width": "40", "height": "40", "x": "1", "y": "2"},
    *({"viewBox": "5 6 10 20", "width": "40", "height": "30", "preserveAspectRatio": how}
      for how in ("none", "xMinYMin", "xMaxYMax slice", "xMidYMin meet", "xMinYMid slice",
                  "xMaxYMid  slice", " xMidYMax ", "none slice")),
]  # fmt: skip


def test_view_boxes_are_read_as_they_were() -> None:
    kept = []
    for given in VIEWS:
        element = Element("svg", given)
        outer = Viewport(200.0, 100.0)
        kept += [view_box(element, None), view_box(element, outer)]
        kept += [view_box(element, outer, size) for size in (("20", ""), ("", "5mm"), ("8", "9"))]
    same_as_kept("view_boxes", kept)
    bad = ["", "1 2 3", "0 0 1 2 3", "0 0 0 5", "0 0 5 0", "0 0 -5 5", "0 0 a 5", "0 0 1e999 5",
           "0 0 5 5" + " " * 50 + "x" * 50]  # fmt: skip
    told = [refusal(lambda: view_box(Element("svg", viewBox=text), None)) for text in bad]  # noqa: B023
    same_as_kept("view_box_refusals", told)


def test_shape_elements_draw_the_same() -> None:
    view = Viewport(200.0, 100.0)
    given: list[tuple[str, dict[str, str]]] = [
        ("path", {}), ("path", {"d": " "}), ("path", {"d": "none"}), ("path", {"d": "M0 0h1"}),
        ("rect", {"width": "30", "height": "20"}), ("rect", {"width": "30"}),
        ("rect", {"height": "30"}), ("rect", {"width": "-1", "height": "3"}),
        ("rect", {"width": "3", "height": "-1"}), ("rect", {"width": "0.5", "height": "0.5"}),
        ("rect", {"x": "5%", "y": "10%", "width": "50%", "height": "50%"}),
        ("rect", {"x": "1", "y": "2", "width": "30", "height": "20", "rx": "4"}),
        ("rect", {"x": "1", "y": "2", "width": "30", "height": "20", "ry": "3"}),
        ("rect", {"x": "1", "y": "2", "width": "30", "height": "20", "rx": "4", "ry": "-3"}),
        ("rect", {"width": "30", "height": "20", "rx": "100", "ry": "90"}),
        ("rect", {"width": "30", "height": "20", "rx": "auto", "ry": "auto"}),
        ("rect", {"width": "30", "height": "20", "rx": "1%", "ry": "2%"}),
        ("circle", {}), ("circle", {"r": "10%", "cx": "10%", "cy": "10%"}), ("circle", {"r": "-1"}),
        ("circle", {"r": "0.5", "cx": "3"}),
        ("ellipse", {"rx": "3", "ry": "2%", "cx": "1", "cy": "2"}), ("ellipse", {"rx": "3"}),
        ("ellipse", {"rx": "0.5", "ry": "0.5"}), ("ellipse", {"ry": "3"}),
        ("line", {}), ("line", {"x1": "1%", "y1": "2%", "x2": "3", "y2": "4"}),
        ("polyline", {}), ("polyline", {"points": " "}), ("polyline", {"points": "1,2 3,4"}),
        ("polygon", {"points": "1 2 3 4 5e0 -6"}), ("polygon", {}),
    ]  # fmt: skip
    kept: list[Any] = []
    for name, attributes in given:
        shape = shape_of(Element(name, attributes), name, view)
        written = shape if isinstance(shape, str) else as_path(shape)
        kept.append([name, attributes, type(shape).__name__, shape, written])
    points = Element("polyline", points="1 2 a" * 20)
    kept.append(refusal(lambda: shape_of(points, "polyline", view)))
    same_as_kept("svg_shapes", kept)


def test_the_way_through_two_matrices_is_their_product() -> None:
    def whole(m: Sequence[float]) -> Floats:
        return np.array([[m[0], m[2], m[4]], [m[1], m[3], m[5]], [0.0, 0.0, 1.0]])

    other = (2.0, -1.0, 0.5, 3.0, 7.0, 11.0)
    assert np.allclose(whole(composed(SKEW, other)), whole(SKEW) @ whole(other))
    assert composed(SKEW, UNIT) == composed(UNIT, SKEW) == SKEW


# ------------------------------------------------------------------------------ looks


def clear_styles() -> None:
    svg_style._declarations.cache_clear()
    svg_style._colour.cache_clear()


def test_colours_are_read_as_they_were() -> None:
    clear_styles()
    words = ["none", "Transparent", "red", "RED", "#f00", "#12ab9F", "rgb(1,2,3)", "url(#a)",
             "currentColor", "", "nonsense", "rgb(10%,20%,30%)", "#ff000080", "x" * 61,
             " " * 57 + "red", " " * 58 + "red", "hsl(120,100%,50%)"]  # fmt: skip
    same_as_kept("colours", [[word, svg_style._colour(word)] for word in words])


def test_rules_hold_in_the_order_of_their_strength() -> None:
    clear_styles()
    sheet = """
        /* .a { stroke: blue } */ * { fill: none } path{stroke:#010101;stroke:}
        .a, .b { stroke : #0a0a0a !important ; colour: red } .b{fill:#0b0b0b}
        #one { STROKE: #0c0c0c; visibility: hidden } .gone { display : none } /* never closed
        .a { stroke: red }
    """
    rules = Stylesheet([sheet, ".c{stroke:#0e0e0e;visibility:visible}"])
    plain = Stylesheet([])
    above = Look(stroke="#555555", fill="#666666", visible=False, shown=True)
    given: list[dict[str, str]] = [
        {}, {"stroke": "red"}, {"class": "a"}, {"class": "a b"}, {"class": "b a"}, {"id": "one"},
        {"class": "a gone"}, {"class": "c", "id": "one"}, {"class": "c"},
        {"style": "stroke:#0d0d0d", "id": "one"}, {"stroke": " inherit "}, {"fill": "none"},
        {"style": "stroke: inherit; fill:#123456"}, {"display": "none"}, {"display": "inline"},
        {"visibility": "hidden"}, {"visibility": "visible"}, {"visibility": "collapse"},
        {"style": "display:none"}, {"class": " " * 10_000 + "a"}, {"class": " " * 9_999 + "a"},
    ]  # fmt: skip
    kept = []
    for attributes in given:
        looks = []
        for some in (rules, plain):
            for name in ("path", "g"):
                element = Element(name, attributes)
                looks.append(some.look(element, name, above))
                assert some.look(element, name, above) == looks[-1]
        kept.append([{k: v.strip() for k, v in attributes.items()}, looks])
    # Looks are known apart by everything that they hang on.
    twice = [rules.look(Element("path", {"class": c}), n, Look()) for c in "ab" for n in "pg"]
    same_as_kept("looks", [rules.rules, kept, twice, Look()])


def test_style_sheets_without_bound_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    clear_styles()
    kept: list[Any] = [svg_style._MAX_RULES, svg_style._LONGEST_NAMES]
    kept.append(refusal(lambda: Stylesheet(["@import 'a.css'"])))
    monkeypatch.setattr(svg_style, "_MAX_RULES", 3)
    sheet = ".a{} .b{} .c{} .d{}"
    kept.append(sorted(Stylesheet([sheet[:14]]).rules))
    assert sheet[:14].endswith(".c{}")
    kept.append(refusal(lambda: Stylesheet([sheet + ".e{}"])))
    monkeypatch.undo()
    monkeypatch.setattr(svg_style, "_LONGEST_NAMES", 5)
    kept.append(sorted(Stylesheet([".abcd{}"]).rules))
    kept.append(refusal(lambda: Stylesheet([".abcde{}"])))
    same_as_kept("style_bounds", kept)
    commented = {"a/*b*/c": "ac", "/**/a": "a", "a/*/b*/c": "ac", "a/*b": "a", "ab": "ab",
                 "/*x*//*y*/z*/": "z*/", "/*/": ""}  # fmt: skip
    assert {text: svg_style._without_comments(text) for text in commented} == commented


# ------------------------------------------------------------------------------ the tree

RICH = """
<style>.k{stroke:#00aa00} .h{display:none}</style>
<title>not drawn</title><metadata><x:y xmlns:x="urn:x"><path d="M0 0h9"/></x:y></metadata>
<defs><path d="M9 9h9"/></defs>
<symbol id="sign" viewBox="0 0 10 20"><path class="k" d="M1 1h5"/>
  <circle r="2" cx="5" cy="5"/></symbol>
<g id="first" transform="translate(5,6)"><title> The  first </title>
  <rect width="10" height="5" transform="rotate(30 5 5)"/><path class="k" fill="none" d="M0 0h5"/>
  <g transform="scale(2)"><line x2="3" y2="4" stroke="red"/></g>
</g>
<g xmlns:i="urn:i" i:label="second layer" stroke="blue" fill="none">
  <use href="#sign" x="10" y="20%" width="40" height="40"/>
  <use xmlns:l="http://www.w3.org/1999/xlink" l:href=" #leaf " transform="skewX(10)"/>
  <path id="leaf" d="M1 2l3 4" fill="#112233" visibility="visible"/>
  <svg x="5" y="6" width="50%" height="30" viewBox="0 0 10 10"><rect width="10%" height="2"/></svg>
  <switch><path d="M1 1h1"/><path d="M2 2h2"/></switch>
</g>
<g><a href="#x"><ellipse rx="4" ry="3"/></a>
  <a href="http://192.0.2.1/"><polygon points="1 1 4 4 1 4"/></a></g>
<g class="h"><path d="M3 3h3"/></g><path class="h" d="M3 3h3"/><path fill="none" d="M3 3h3"/>
<path visibility="hidden" d="M3 3h3"/><path d=""/>
<g visibility="hidden"><path visibility="visible" clip-path="url(#c)" d="M8 8v1"/>
  <g mask="url(#m)" clip-path="url(#n)"><path d="M0 0h1"/></g></g>
<text>a</text><image href="data:image/png;base64,AAAA"/><script>1</script><foreignObject/>
<circle r="0.009"/><circle r="0.0101"/><rect width="3" height="0.001"/>
<g transform="scale(1,0)"><circle r="3"/></g>
"""


def test_a_rich_document_becomes_the_same_paths() -> None:
    svg_tree._transform.cache_clear()
    least_stretch.cache_clear()
    clear_styles()
    page = read_page(document(RICH))
    same_as_kept("page_rich", [page.has_size, page.left_out, page.paths])
    assert gc.isenabled()
    streamed = read_page(io.BytesIO(document(RICH)))
    assert (streamed.paths, streamed.left_out) == (page.paths, page.left_out)


def test_documents_of_other_heads_become_the_same_paths() -> None:
    heads = [
        "<svg>", '<svg xmlns="http://www.w3.org/2000/svg" stroke="red">',
        '<svg width="50mm" height="40mm">', '<svg width="5cm" height="4cm" viewBox="0 0 100 100">',
        '<svg width="50" height="40mm" viewBox="2 3 10 10" preserveAspectRatio="xMinYMax slice">',
        '<svg viewBox="0 0 300 200" style="fill:none;stroke:#010203">',
    ]  # fmt: skip
    body = '<path d="M1 1h5v5z"/><rect x="10%" width="20%" height="10%"/>'
    pages = [read_page(document(body, head)) for head in heads]
    same_as_kept("page_heads", [[p.has_size, p.left_out, p.paths] for p in pages])


def test_layers_are_named_as_they_were() -> None:
    path = '<path d="M0 0h1"/>'
    bodies = [
        f"<g id='a'>{path}</g><g id='b'>{path}</g>{path}",
        f"<g id='all'><g id='a'>{path}</g><g>{path}</g></g>",
        f"<g id='all'><g id='a'><g id='b'>{path}</g><g>{path}</g></g></g>",
        f"<g id='all'>{path}</g>",
        f"<g id='all'>{path}<g id='in'>{path}</g></g>",
        f"<g id='all'><g>{path}</g></g>{path}",
        f"<defs/><g id='all'><g>{path}</g></g><use href='#all'/>",
        f"<g id='x'><title> </title>{path}</g><g id='y'><title>{'long ' * 30}</title>{path}</g>",
        f"<g id='x' xmlns:p='urn:p' p:label='L  1'>{path}</g><g label='no'>{path}</g>",
        f"<svg><g id='deep'>{path}</g></svg><g><g id='two'>{path}</g>{path}</g>",
    ]  # fmt: skip
    same_as_kept("layers", [[path.group for path in read_page(document(b)).paths] for b in bodies])


def test_transforms_are_read_as_they_were() -> None:
    svg_tree._transform.cache_clear()
    good = ["", " ", "translate(5)", "translate(5,6)", "translate(-5.25 +6.5)",
            "translate( 5 , 6 )", "matrix(1 2 3 4 5 6)", "scale(2)", "scale(2 3)", "rotate(30)",
            "rotate(30 4 5)", "skewX(10)", "skewY(10)", "translate(1,2) scale(2), rotate(90)",
            "scale(1e1)", "translate(1234567890)", "scale(1.2.3)",
            "rotate(30-4-5)", "scale(1.e1)", "scale(.5E+1-2.)", "scale(1)" * 250]  # fmt: skip
    kept: list[Any] = [[text[:40], svg_tree._transform(text)] for text in good]
    bad = ["matrix(1 2 3 4 5)", "translate()", "translate(1 2 3)", "scale(1 2 3)", "rotate(1 2)",
           "skewX(1 2)", "skewY()", "turn(3)", "scale(1", "scale(a)", "scale(-)", "scale(1e)",
           "scale(1)" * 250 + " ", "perspective(1)", "rotate(30-4)",
           "rotate(1 2 3 4)", "skewY(1 2)"]  # fmt: skip
    kept += [[text[:40], refusal(lambda: svg_tree._transform(text))] for text in bad]  # noqa: B023
    same_as_kept("transforms", kept)


def test_documents_that_ask_for_too_much_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("MAX_BYTES", "MAX_ELEMENTS", "MAX_NESTING", "MAX_REUSED")
    kept: list[Any] = [[str(getattr(svg_tree, name)) for name in names], svg_tree._LEAST_MM]
    chain = "".join(f"<g id='c{i}'><use href='#c{i + 1}'/></g>" for i in range(4))
    body = f"<defs>{chain}<path id='c4' d='M0 0h1'/></defs><use href='#c0'/><g><g/></g>"
    data = document(body)
    for name in names:
        for bound in (*range(1, 21), len(data) - 1, len(data)):
            with monkeypatch.context() as patch:
                patch.setattr(svg_tree, name, bound)
                try:
                    found = len(read_page(data).paths)
                except BadFile as refused:
                    last = str(refused)
                else:
                    kept.append([name, bound, found, last])
                    break
    monkeypatch.setattr(svg_tree, "MAX_BYTES", len(data))
    assert len(read_page(io.BytesIO(data)).paths) == 1
    monkeypatch.setattr(svg_tree, "MAX_BYTES", len(data) - 1)
    kept.append(refusal(lambda: read_page(io.BytesIO(data + b" "))))
    monkeypatch.undo()
    packed = [b"\x1f\x8b\x08", io.BytesIO(b"\x1f\x8b\x08")]
    kept += [refusal(lambda: read_page(p)) for p in packed]  # noqa: B023
    bodies = [
        "<use href='#nowhere'/>", "<use/>", "<use href='a.svg#b'/>", "<image href='a.png'/>",
        "<g id='a'><use href='#a'/></g>", "<rect width='1x' height='1'/>", "<g>", "&x;",
        f"<use href='#{'n' * 50}'/>", f"<use href='{'n' * 70}'/>",
    ]  # fmt: skip
    kept += [refusal(lambda: read_page(document(b))) for b in bodies]  # noqa: B023
    kept += [refusal(lambda: read_page(b)) for b in (b"<html/>", b"", f"<{'x' * 50}/>".encode())]  # noqa: B023
    same_as_kept("page_refusals", kept)
    assert gc.isenabled()


def test_a_collector_that_is_off_stays_off() -> None:
    gc.disable()
    try:
        read_page(document("<path d='M0 0h1'/>"))
        assert not gc.isenabled()
    finally:
        gc.enable()


# ------------------------------------------------------------------------------ drawings

MESSY = """
<g id="a"><path stroke="red" fill="none" d="M1 1h5"/><path stroke="red" d="M6 1v5"/>
<rect stroke="#00f" width="10" height="5"/><path stroke="red" d="M6 1h-5"/></g>
<circle r="4" cx="20" cy="20"/><path stroke="#00f" d="M0 0h10v5h-10z"/>
<path stroke="red" d="M6 6.004l9 9M15.001 15h4M30.02 30h1M31.03 30h1"/><text>a</text><text/>
<g id="b"><circle r="4" cx="20" cy="20.5"/><line stroke="lime" x1="3" x2="90" y2="80"/></g>
"""


def told(found: drawing_room.Drawing) -> list[object]:
    return [
        [[c.name, c.strokes, c.describe(), c.closed_count, c.length_mm] for c in found.classes],
        found.box_mm, found.size_mm, found.length_mm, found.notes,
    ]  # fmt: skip


def test_drawings_are_read_as_they_were() -> None:
    found = read_drawing(document(MESSY))
    same_as_kept("drawing_by_colour", told(found))
    same_as_kept("drawing_by_group", told(read_drawing(document(MESSY), "group")))
    assert found["#ff0000"] is next(c for c in found.classes if c.name == "#ff0000")
    with pytest.raises(KeyError, match="purple"):
        found["purple"]
    bodies = ["<circle r='5'/>", "<path d='M0 0h5'/>", "<path d='M1 1z'/><circle r='3'/>",
              "<rect width='5' height='5'/><path d='M0 0h5v5h-5z'/><line x2='5'/>"]  # fmt: skip
    kept = [told(read_drawing(document(body, "<svg>"))) for body in bodies]
    same_as_kept("drawings_small", kept)


@pytest.mark.parametrize("name", ["inches", "panel", "reused", "shapes"])
def test_whole_drawings_are_read_as_they_were(name: str) -> None:
    found = read_drawing((DRAWINGS / f"{name}.svg").read_bytes())
    kept = [[c.describe(), c.strokes.boxes_mm(), c.length_mm] for c in found.classes]
    same_as_kept(f"drawing_{name}", [kept, found.box_mm, found.notes])


def test_drawings_are_refused_in_the_same_words(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[Any] = [drawing_room.MAX_CLASSES, drawing_room.NO_GROUP]
    for body in ("", "<text>a</text><image/>", "<path d='M1 1'/>"):
        kept.append(refusal(lambda: read_drawing(document(body))))  # noqa: B023
    with pytest.raises(ValueError, match="classes_by is 'layer': give colour or group"):
        read_drawing(document(MESSY), "layer")  # type: ignore[arg-type]
    for bound in (4, 3):
        monkeypatch.setattr(drawing_room, "MAX_CLASSES", bound)
        if bound == 4:
            kept.append(len(read_drawing(document(MESSY)).classes))
        else:
            kept.append(refusal(lambda: read_drawing(document(MESSY))))
    total = sum(len(c.strokes.points_mm) for c in read_drawing(document("<circle r='5'/><path "
                "d='M0 0h5'/>")).classes)  # fmt: skip
    for bound in (total, total - 1):
        monkeypatch.setattr(drawing_room, "MAX_POINTS", bound)
        if bound == total:
            read_drawing(document("<circle r='5'/><path d='M0 0h5'/>"))
        else:
            kept.append(
                refusal(lambda: read_drawing(document("<circle r='5'/><path d='M0 0h5'/>")))
            )
    same_as_kept("drawing_refusals", kept)


# ------------------------------------------------------------------------------ nesting

NESTED = [
    "M0 0h50v50h-50z", "M5 5h10v10h-10z", "M7 7h3v3h-3z", "M20 5h10v10h-10z", "M60 0h10v10h-10z",
    "M62 2l6 0 0 6z", "M0 0h50v50h-50z", "M1 1h3", "M10 40l5-5 5 5-5 5z", "M13 40h4v1h-4z",
    "M40 40h20v5h-20z",
]  # fmt: skip


def test_points_inside_an_outline_agree_with_another_library(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    some = np.random.default_rng(3)
    outline = some.uniform(0.0, 10.0, (9, 2))
    turn = np.argsort(np.arctan2(*(outline - 5.0).T))
    outline = np.vstack([outline[turn], [[2.0, 3.0], [6.0, 3.0]]])[: len(turn)]
    points = some.uniform(-1.0, 11.0, (300, 2))
    area = shapely.polygons(outline)
    expected = shapely.contains_xy(area, points[:, 0], points[:, 1])
    assert np.array_equal(points_inside(points, outline), expected)
    monkeypatch.setattr(nesting, "_BLOCK", 20)
    assert np.array_equal(points_inside(points, outline), expected)
    monkeypatch.setattr(nesting, "_BLOCK", 5)
    assert np.array_equal(points_inside(points, outline), expected)


def test_parts_are_counted_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    strokes = [strokes_of(path) for path in NESTED]
    bounds = nesting._MAX_OUTLINES, nesting._MAX_COMPARISONS, nesting._BLOCK
    kept: list[Any] = [str(bound) for bound in bounds]
    kept += [part_count(strokes[:n]) for n in range(len(strokes) + 1)]
    kept += [part_count([joined_strokes(strokes)]), part_count([strokes[7]])]
    for name in ("_MAX_OUTLINES", "_MAX_COMPARISONS"):
        for bound in range(1, 80):
            with monkeypatch.context() as patch:
                patch.setattr(nesting, name, bound)
                count = part_count(strokes[:4])
            if count == 2:
                kept.append([name, bound])
                break
    same_as_kept("part_counts", kept)
    assert part_count(strokes[:3]) == 2  # a frame, and the part in its hole
