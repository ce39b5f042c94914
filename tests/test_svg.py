"""The drawing, read by others: a DTD, two readers of geometry, two renderers.

Sources: W3C SVG 1.1 DTD (tests/reference/svg11); lxml, svgelements, svgpathtools, svg.path,
CairoSVG and resvg are none of ours.
"""

from __future__ import annotations

import dataclasses
import io
import re
from pathlib import Path as FilePath
from xml.etree import ElementTree

import pytest
import svg.path
import svgpathtools
from boards import (
    BIRCH,
    CO2,
    OPERATIONS,
    TUBE_100,
    make,
    setting_lists,
)
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from svgelements import SVG, Shape

from calib.boards.board import board_of
from calib.boards.colours import colour_at, setting_colours
from calib.boards.focus import plan_focus
from calib.boards.layout import lay_out
from calib.boards.naming import file_keys, setting_words
from calib.boards.svg import grid_svg, grid_svg_per_setting
from calib.errors import BoardDoesNotFit, InvalidRecord, MachineLimit, RefusedMaterial
from calib.hazards import CAUTIONS
from calib.records import Setting, Sheet

DTD = etree.DTD(file=str(FilePath(__file__).parent / "reference" / "svg11" / "svg11.dtd"))
NS = "{http://www.w3.org/2000/svg}"
MM = 25.4 / 96.0


def assert_valid(text: str) -> etree._Element:
    root = etree.fromstring(text.encode(), etree.XMLParser(no_network=True, load_dtd=False))
    assert DTD.validate(root), DTD.error_log.filter_from_errors()
    assert root.tag == NS + "svg"
    ElementTree.fromstring(text)
    width, height = (root.get(side) for side in ("width", "height"))
    assert width.endswith("mm")
    assert height.endswith("mm")
    assert root.get("viewBox") == f"0 0 {width[:-2]} {height[:-2]}"
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[A-Za-z_][A-Za-z0-9_.-]*", id_) for id_ in ids)
    for path in root.iter(NS + "path"):
        # Moves and lines with three decimals, never an exponent, nan, or minus nought.
        number = r"-?\d+\.\d{3}"
        piece = rf"M{number} {number}( L{number} {number})+( Z)?"
        assert re.fullmatch(rf"{piece}( {piece})*", path.get("d"))
        assert "-0.000" not in path.get("d")
    assert {e.tag for e in root.iter()} == {NS + t for t in ("svg", "title", "desc", "g", "path")}
    return root


def boxes_mm(text: str) -> dict[str, tuple[float, ...]]:
    shapes = SVG.parse(io.StringIO(text), ppi=96.0, reify=True).elements()
    return {s.id: tuple(float(v) * MM for v in s.bbox()) for s in shapes if isinstance(s, Shape)}


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_board_is_valid_and_inside_its_frame(data: st.DataObject):
    machine, sheet = data.draw(any_machine()), data.draw(any_sheet())
    operation = data.draw(st.sampled_from(OPERATIONS))
    burns = data.draw(setting_lists(machine, operation))
    try:
        grid = lay_out(machine, sheet, operation, burns)
    except (BoardDoesNotFit, MachineLimit):
        return
    text = grid_svg(grid)
    assert_valid(text)
    width, height = grid.board_mm
    for left, top, right, bottom in boxes_mm(text).values():
        assert left > -1e-3
        assert top > -1e-3
        assert right < width + 1e-3
        assert bottom < height + 1e-3


def test_strict_readers_of_path_data_agree_on_the_length():
    for operation in OPERATIONS:
        grid = make(operation, 6)
        root = assert_valid(grid_svg(grid))
        ours = sum(stroke.length_mm for stroke in board_of(grid).strokes)
        data = [path.get("d") for path in root.iter(NS + "path")]
        theirs = sum(svgpathtools.parse_path(d).length() for d in data)
        assert theirs == pytest.approx(ours, rel=1e-6)
        again = sum(
            segment.length()
            for d in data
            for segment in svg.path.parse_path(d)
            if not isinstance(segment, svg.path.Move)
        )
        assert again == pytest.approx(ours, rel=1e-6)


def test_there_is_one_group_per_setting_with_its_words_gentle_first():
    grid = make("cut", 18)
    root = assert_valid(grid_svg(grid))
    groups = root.findall(NS + "g")
    cells = sorted({c.setting for c in grid.cells}, key=list(file_keys(grid)).index)
    titles = [group.findtext(NS + "title") for group in groups]
    assert titles == [
        f"codes: {setting_words(grid.label_setting)}",
        *(setting_words(setting) for setting in cells),
    ]
    for group, setting in zip(groups[1:], cells, strict=True):
        drawn = {path.get("id") for path in group}
        drawn.discard(None)
        assert drawn == {f"cell-{c.label}" for c in grid.cells if c.setting == setting}
        assert group.get("stroke") == setting_colours(grid)[setting]
        assert group.get("fill") == "none"
    assert len({group.get("stroke") for group in groups}) == len(groups)


def lightness(colour: str) -> float:
    """CIE L* of an sRGB colour (IEC 61966-2-1, CIE 15)."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return 116.0 * (y ** (1 / 3) if y > 216 / 24389 else (24389 / 27 * y + 16) / 116) - 16.0


def test_colours_darken_evenly_with_the_line_energy():
    steps = [lightness(colour_at(place / 16)) for place in range(17)]
    falls = [a - b for a, b in zip(steps, steps[1:], strict=False)]
    mean = sum(falls) / len(falls)
    assert all(0.8 * mean < fall < 1.25 * mean for fall in falls)
    grid = make("cut", 40, TUBE_100)
    colours = list(setting_colours(grid).values())
    assert len(set(colours)) == len(colours) == 39
    light = [lightness(colour) for colour in colours]
    assert light == sorted(light, reverse=True)


def test_even_two_hundred_settings_have_their_own_colours():
    burns = [Setting(power_pct=50.0, speed_mm_s=5.0 + 0.1 * place) for place in range(216)]
    machine = dataclasses.replace(CO2, bed_mm=(1000.0, 1000.0))
    colours = setting_colours(lay_out(machine, BIRCH, "cut", burns))
    assert len(set(colours.values())) == 217


def test_one_drawing_per_setting_holds_everything_once_in_its_place():
    grid = make("cut", 12)
    parts = grid_svg_per_setting(grid)
    assert list(parts) == sorted(parts)
    whole, together = boxes_mm(grid_svg(grid)), {}
    for key, text in parts.items():
        assert re.fullmatch(r"[0-9]{2}-[A-Za-z0-9._-]+", key)
        root = assert_valid(text)
        assert root.get("viewBox") == f"0 0 {grid.board_mm[0]:.3f} {grid.board_mm[1]:.3f}"
        drawn = boxes_mm(text)
        assert not set(drawn) & set(together)
        together |= drawn
    assert together == whole
    assert grid_svg(grid, part=grid.cells[2].setting) in parts.values()


def test_a_part_that_is_not_on_the_board_is_refused():
    with pytest.raises(InvalidRecord, match=r"part is 33 %, 7 mm/s"):
        grid_svg(make(), part=Setting(power_pct=33.0, speed_mm_s=7.0))


def test_cautions_and_notes_travel_in_the_drawing():
    machine = dataclasses.replace(CO2, slat_gap_mm=20.0)
    root = assert_valid(grid_svg(make(machine=machine)))
    desc = root.findtext(NS + "desc")
    assert all(caution in desc for caution in CAUTIONS)
    assert "glue" in desc  # the advice for plywood
    assert "fall through the bed's openings" in desc
    advice = next(line for line in desc.split("\n") if "glue" in line)
    noted = dataclasses.replace(make(), notes=(advice,))
    assert grid_svg(noted).count("glue layers") == 1


def test_a_sheet_that_may_not_be_burnt_has_no_drawing():
    grid = make()
    pvc = dataclasses.replace(grid, sheet=Sheet(name="x", material="PVC", thickness_mm=3.0))
    with pytest.raises(RefusedMaterial, match="PVC"):
        grid_svg(pvc)
    with pytest.raises(RefusedMaterial, match="PVC"):
        grid_svg_per_setting(pvc)


def test_names_with_signs_of_xml_are_escaped():
    sheet = Sheet(name='<b> & "q" 木', material="MDF", thickness_mm=3.0)
    root = assert_valid(grid_svg(make(sheet=sheet)))
    assert '<b> & "q" 木' in root.findtext(NS + "title")


def test_a_focus_board_has_a_group_per_height():
    board = plan_focus(CO2, BIRCH)
    root = assert_valid(grid_svg(board))
    titles = [group.findtext(NS + "title") for group in root.findall(NS + "g")]
    assert len(titles) == 8
    assert titles[1].startswith("height -3.0 mm: ")
    assert titles[4].startswith("height 0 mm: ")
