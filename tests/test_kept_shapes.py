"""Plain shapes and shape elements of a drawing: whether any point or word of them has changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np
import pytest
from drawings import SKEW, UNIT, refusal, strokes_of
from kept_results import same_as_kept

from calib.advise import plain_shapes, svg_shapes
from calib.advise.outlines import Floats
from calib.advise.plain_shapes import Corners, Oval, least_stretch, strokes_of_shapes
from calib.advise.svg_shapes import Viewport, as_path, composed, length_px, shape_of, view_box
from calib.errors import BadFile

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
