"""Path data read into strokes: whether any piece, point, length or word of it has changed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from drawings import SKEW, refusal, strokes_of
from kept_results import same_as_kept

from calib.advise import outlines, path_data
from calib.advise.outlines import NO_STROKES, Arcs, Pieces, arc_cubics, joined_strokes
from calib.advise.path_data import strokes_of_paths
from calib.advise.svg_shapes import composed
from calib.errors import BadFile


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
