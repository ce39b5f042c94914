"""Whole drawings and their parts: whether any class, count or word of them has changed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from drawings import DRAWINGS, document, refusal, strokes_of
from kept_results import same_as_kept

from calib.advise import drawing as drawing_room
from calib.advise import nesting
from calib.advise.drawing import read_drawing
from calib.advise.nesting import part_count, points_inside
from calib.advise.outlines import joined_strokes

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
