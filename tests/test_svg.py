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
    CO2,
    OPERATIONS,
    make,
)
from lxml import etree
from svgelements import SVG, Shape

from calib.boards.board import board_of
from calib.boards.layers import colours_of
from calib.boards.naming import setting_words
from calib.boards.svg import grid_svg, grid_svg_in_parts, grid_svg_per_setting
from calib.errors import InvalidRecord, RefusedMaterial
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


def test_filled_areas_cover_what_their_lines_do_and_say_the_pitch_to_type() -> None:
    grid = make("area_mark")
    lines, areas = (boxes_mm(grid_svg(grid, filled=filled)) for filled in (False, True))
    text = grid_svg(grid, filled=True)
    root = assert_valid(text)
    for cell in grid.cells:
        name, half = f"cell-{cell.label}", 0.5 * (cell.line_pitch_mm or 0.0)
        left, top, right, bottom = lines[name]
        assert areas[name] == pytest.approx((left, top - half, right, bottom + half), abs=2e-3)
        (path,) = (one for one in root.iter(NS + "path") if one.get("id") == name)
        group = path.getparent()
        assert group is not None
        assert path.get("fill") == group.get("stroke")
        assert f"lines {cell.line_pitch_mm:g} mm apart" in group.findtext(NS + "title")
    assert "rule its lines" in text
    # What isn't an area stays as it is.
    assert {name: areas[name] for name in areas if "cell" not in name} == {
        name: lines[name] for name in lines if "cell" not in name
    }


def boxes_mm(text: str) -> dict[str, tuple[float, ...]]:
    shapes = SVG.parse(io.StringIO(text), ppi=96.0, reify=True).elements()
    return {s.id: tuple(float(v) * MM for v in s.bbox()) for s in shapes if isinstance(s, Shape)}


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
    colours = colours_of(grid)
    groups = assert_valid(grid_svg(grid)).findall(NS + "g")
    titles = [group.findtext(NS + "title") for group in groups]
    first, *cells = colours
    assert titles == [f"codes: {setting_words(first)}", *map(setting_words, cells)]
    for group, setting in zip(groups[1:], cells, strict=True):
        drawn = {path.get("id") for path in group} - {None}
        assert drawn == {f"cell-{c.label}" for c in grid.cells if c.setting == setting}
        assert group.get("stroke") == colours[setting]
        assert group.get("fill") == "none"
        assert float(group.get("stroke-width")) <= 0.0254  # a thousandth of an inch
    assert len({group.get("stroke") for group in groups}) == len(groups) == 17


@pytest.mark.parametrize(("cells", "parts"), [(7, 0), (8, 2), (40, 5)])
def test_more_than_eight_settings_are_split_into_parts(cells: int, parts: int):
    grid = make("cut", cells)
    drawn = grid_svg_in_parts(grid)
    assert list(drawn) == [f"{n}of{parts}" for n in range(1, parts + 1)]
    together = {}
    for text in drawn.values():
        assert len(assert_valid(text).findall(NS + "g")) <= 8
        together |= boxes_mm(text)
    assert not drawn or together == boxes_mm(grid_svg(grid))


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
