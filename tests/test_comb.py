"""The comb board: its drawing read and cut by others, its program by the strict reader.

svgpathtools and shapely are none of ours; with shapely a beam of known width cuts the drawing, and
what is left is measured.
"""

from __future__ import annotations

import math
import re

import pytest
import shapely
import svgpathtools
from boards import BIRCH, CO2, MACHINES, MDF, SHEETS
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from rs274_checker import check
from test_svg import assert_valid

from calib.boards.comb import CombBoard, plan_comb
from calib.boards.frame import frame_of
from calib.boards.rs274 import grid_program
from calib.boards.svg import grid_svg
from calib.errors import BoardDoesNotFit, InvalidRecord, RefusedMaterial
from calib.hazards import CAUTIONS
from calib.joints.comb_reading import FitReading
from calib.joints.joint import fit_joint
from calib.records import Setting, Sheet

CUT = Setting(power_pct=60.0, speed_mm_s=12.0)
NS = "{http://www.w3.org/2000/svg}"


def outlines(text: str) -> dict[str, shapely.Polygon]:
    """Closed cut paths by their id, as another package reads them."""
    root = etree.fromstring(text.encode())
    found = {}
    for path in root.iter(NS + "path"):
        if path.get("id").startswith("cell-"):
            pieces = svgpathtools.parse_path(path.get("d"))
            assert pieces.isclosed()
            assert all(isinstance(piece, svgpathtools.Line) for piece in pieces)
            ring = shapely.Polygon([(p.start.real, p.start.imag) for p in pieces])
            assert ring.is_valid
            found[path.get("id").removeprefix("cell-")] = ring
    return found


def gaps(shape: shapely.Geometry, y: float, ends: tuple[float, float]) -> list[float]:
    """Lengths of what is open along a level line between two places, from left to right."""
    line = shapely.LineString([(ends[0], y), (ends[1], y)])
    return lengths(line.difference(shape))


def lengths(found: shapely.Geometry) -> list[float]:
    parts = [part for part in shapely.get_parts(found) if part.length > 1e-9]
    return [part.length for part in sorted(parts, key=lambda part: part.bounds[0])]


def widths_in(text: str, board: CombBoard, kerf_mm: float = 0.0) -> dict[str, float]:
    """Widths of slots and tongues halfway down, after a beam has taken a kerf away."""
    measured: dict[str, float] = {}
    for name, drawn in outlines(text).items():
        steps = [step for step in board.steps if step.part == name]
        left = drawn if not kerf_mm else drawn.difference(drawn.exterior.buffer(kerf_mm / 2))
        assert isinstance(left, shapely.Polygon)  # in one piece
        y = steps[0].y_mm + steps[0].depth_mm / 2.0
        ends = (left.bounds[0], left.bounds[2])
        if steps[0].kind == "tongue":
            line = shapely.LineString([(ends[0], y), (ends[1], y)])
            found = lengths(line.intersection(left))
        else:
            found = gaps(left, y, ends)
        measured |= dict(zip([step.label for step in steps], found, strict=True))
    return measured


def test_a_beam_of_known_width_is_found_again():
    board = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0)
    measured = widths_in(grid_svg(board), board, kerf_mm=0.24)
    for step in board.steps:
        sign = -1 if step.kind == "tongue" else 1
        assert measured[step.label] == pytest.approx(step.width_mm + sign * 0.24, abs=2e-3)
    read = [FitReading(label=n, across_mm=(round(w, 3),)) for n, w in measured.items()]
    joint = fit_joint(board, read, (3.0, 3.0))
    assert joint.kerf.value_mm == pytest.approx(0.24, abs=1e-3)
    assert joint.kerf.low_mm < 0.24 < joint.kerf.high_mm


def test_a_gauge_passes_between_the_tongues():
    board = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0)
    parts = outlines(grid_svg(board))
    gauge = board.gauge
    arms = [gauge.x_mm - parts["gauge"].bounds[0],
            parts["gauge"].bounds[2] - gauge.x_mm - gauge.width_mm]  # fmt: skip
    y = board.tongues[0].y_mm + 2.0
    between = gaps(parts["tongues"], y, (board.tongues[0].x_mm, board.tongues[-1].x_mm))
    assert len(between) == len(board.tongues) - 1
    assert max(arms) < min(between)
    assert board.tongues[0].depth_mm > BIRCH.thickness_mm


def test_parts_lie_apart_and_inside_the_margin():
    board = plan_comb(CO2, MDF, CUT, stock_mm=6.1)
    parts = list(outlines(grid_svg(board)).values())
    assert len(parts) == 3
    for number, part in enumerate(parts):
        low_x, low_y, high_x, high_y = part.bounds
        assert min(low_x, low_y) >= 5.0 - 1e-3
        assert high_x <= board.board_mm[0] - 5.0 + 1e-3
        assert high_y <= board.board_mm[1] - 5.0 + 1e-3
        for other in parts[number + 1 :]:
            assert part.distance(other) >= 6.15 - 1e-3


def test_codes_lie_on_their_parts_and_clear_of_the_cuts():
    board = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0, slots=15, tongues=15)
    parts = outlines(grid_svg(board))
    owner = {step.label: step.part for step in board.steps} | {name: name for name in parts}
    labelled = set()
    for stroke in board.strokes:
        if stroke.kind == "label" and stroke.cell:
            line = shapely.LineString(stroke.points)
            part = parts[owner[stroke.cell]]
            assert part.contains(line)
            assert part.exterior.distance(line) > 1.0
            labelled.add(stroke.cell)
    assert labelled == {step.label for step in board.steps} | set(parts)


def moves_of(text: str):
    report = check(text)
    assert report.errors == []
    return report.moves


@pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)
def test_the_program_cuts_what_is_drawn_as_often_as_it_has_passes(machine):
    cut = Setting(power_pct=70.0, speed_mm_s=8.0, passes=2)
    board = plan_comb(machine, BIRCH, cut, stock_mm=3.0)
    frame = frame_of(machine, board.board_mm)
    moves = moves_of(grid_program(board))
    cuts = [m for m in moves if m.power > 0 and m.feed == pytest.approx(480.0)]
    assert all(m.power == pytest.approx(0.7 * machine.power_word_full) for m in cuts)
    rings = [
        [frame.point(point) for point in ring.exterior.coords]
        for ring in outlines(grid_svg(board)).values()
    ]
    drawn = shapely.MultiLineString(rings)
    burnt = shapely.MultiLineString([[m.start, m.end] for m in cuts])
    assert shapely.hausdorff_distance(burnt, drawn) < 2e-3
    assert sum(math.dist(m.start, m.end) for m in cuts) == pytest.approx(2 * drawn.length, rel=1e-6)
    # Each part gets all its passes before the next one begins.
    first = [m.start for before, m in zip(moves, moves[1:], strict=False)
             if m in cuts and before.rapid]  # fmt: skip
    assert first == [ring[0] for ring in rings for _ in range(2)]


def test_the_files_carry_the_cautions_and_the_setting():
    board = plan_comb(CO2, BIRCH, CUT, stock_mm=3.0)
    root = assert_valid(grid_svg(board))
    described = root.findtext(NS + "desc")
    assert all(words in described for words in CAUTIONS)
    titles = [group.findtext(NS + "title") for group in root.findall(NS + "g")]
    assert titles == ["codes: 11 %, 94.8 mm/s (5688 mm/min), 1 pass",
                      "60 %, 12 mm/s (720 mm/min), 1 pass"]  # fmt: skip
    assert CAUTIONS[2] in grid_program(board)


@pytest.mark.parametrize("offcut", [(60.0, 40.0), (20.0, 400.0), (170.0, 68.0)])
def test_too_small_an_offcut_is_refused(offcut):
    with pytest.raises(BoardDoesNotFit, match=f"doesn't fit {offcut[0]:g} x {offcut[1]:g} mm"):
        plan_comb(CO2, BIRCH, CUT, stock_mm=3.0, offcut_mm=offcut)


@pytest.mark.parametrize(
    ("field", "value"),
    [("stock_mm", 0.1), ("stock_mm", 51.0), ("stock_mm", math.nan), ("step_mm", 0.0),
     ("step_mm", 0.6), ("slots", 2), ("slots", 16), ("slots", 5.0), ("tongues", 1),
     ("kerf_mm", 0.0), ("kerf_mm", 2.0)],
)  # fmt: skip
def test_numbers_out_of_range_are_refused(field, value):
    wish = {"stock_mm": 3.0} | {field: value}
    with pytest.raises(InvalidRecord, match=re.escape(f"{field} is {value!r}: give a")):
        plan_comb(CO2, BIRCH, CUT, **wish)


def test_stock_thinner_than_its_slots_would_be_is_refused():
    with pytest.raises(InvalidRecord, match=r"stock_mm is 0.4: .* would begin at 0 mm"):
        plan_comb(CO2, BIRCH, CUT, stock_mm=0.4)


def test_a_refused_sheet_gets_no_files():
    sheet = Sheet(name="foam", material="PVC foam", thickness_mm=3.0)
    board = plan_comb(CO2, sheet, CUT, stock_mm=3.0)
    with pytest.raises(RefusedMaterial, match="PVC foam"):
        grid_svg(board)
    with pytest.raises(RefusedMaterial, match="PVC foam"):
        grid_program(board)


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_comb_is_valid_and_true_to_size(data: st.DataObject):
    machine, sheet = data.draw(st.sampled_from(MACHINES)), data.draw(st.sampled_from(SHEETS))
    wish = {
        "stock_mm": data.draw(st.floats(0.5, 25.0)),
        "step_mm": data.draw(st.sampled_from((0.02, 0.033, 0.05, 0.1))),
        "slots": data.draw(st.integers(3, 15)),
        "tongues": data.draw(st.sampled_from((0, 3, 8, 15))),
        "kerf_mm": data.draw(st.floats(0.05, 0.5)),
    }
    try:
        board = plan_comb(machine, sheet, CUT, **wish)
    except (BoardDoesNotFit, InvalidRecord):
        return
    text = grid_svg(board)
    assert_valid(text)
    for ring in outlines(text).values():
        low_x, low_y, high_x, high_y = ring.bounds
        assert min(low_x, low_y) >= -1e-3
        assert high_x <= board.board_mm[0] + 1e-3
        assert high_y <= board.board_mm[1] + 1e-3
    measured = widths_in(text, board)
    for step in board.steps:
        assert measured[step.label] == pytest.approx(step.width_mm, abs=1.1e-3)
    assert check(grid_program(board)).errors == []
