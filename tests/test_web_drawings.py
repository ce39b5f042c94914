"""Drawings for the page: cells lie where they lie, fingers hit them, everything is well formed."""

from __future__ import annotations

import dataclasses
import itertools
import re
import xml.etree.ElementTree as ElementTree

import pytest
from workshop_records import BIRCH, some_cells, some_grid

from calib.records import Burn, Grid, Reading, Setting
from calib.tasks.library import fit_region
from calib.tasks.regions import region_view
from calib.tasks.wishes import RegionWish
from calib.web.board_svg import TARGET_PX, as_they_lie, board_svg
from calib.web.region_svg import region_svg

SVG = "{http://www.w3.org/2000/svg}"


def drawn(text: str) -> ElementTree.Element:
    """Parse a drawing, which stands in a page without its namespace."""
    return ElementTree.fromstring(text.replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1))


def boxes(root: ElementTree.Element, kind: str) -> dict[str, tuple[float, float, float, float]]:
    """Boxes (x, y, width, height) by cell."""
    return {
        group.attrib["data-cell"]: tuple(  # type: ignore[misc]
            float(rect.attrib[name]) for name in ("x", "y", "width", "height")
        )
        for group in root.iter(f"{SVG}g")
        for rect in group.findall(f"{SVG}rect")
        if rect.get("class") == kind
    }


@pytest.fixture(params=[6, 18])
def grid(request: pytest.FixtureRequest) -> Grid:
    """Boards of few and of many cells."""
    return some_grid(cells=some_cells(request.param))


def test_cells_lie_where_they_lie(grid: Grid) -> None:
    found = boxes(drawn(board_svg(grid, ())), "place")
    assert found == {c.label: (c.x_mm, c.y_mm, c.width_mm, c.height_mm) for c in grid.cells}


def test_a_finger_hits_every_cell_and_only_one(grid: Grid) -> None:
    root = drawn(board_svg(grid, (), tappable=True))
    units = float(root.attrib["viewBox"].split()[2])
    scale = float(root.attrib["width"]) / units
    found = boxes(root, "hit")
    for x, y, width, height in found.values():
        assert min(width, height) * scale >= TARGET_PX - 0.5
        assert min(x, y) >= -2.0
    for (x, y, w, h), (u, v, a, b) in itertools.combinations(found.values(), 2):
        assert x + w <= u + 1e-9 or u + a <= x + 1e-9 or y + h <= v + 1e-9 or v + b <= y + 1e-9


def test_cells_are_gone_through_as_they_lie(grid: Grid) -> None:
    places = [(cell.y_mm, cell.x_mm) for cell in as_they_lie(grid)]
    assert places == sorted(places)


def test_what_was_read_is_said_and_shown(grid: Grid) -> None:
    first, second = grid.cells[:2]
    read = (
        Reading(cell=first.label, through="hanging", char=3, note='"<knot>"'),
        Reading(cell=second.label, through="no"),
    )
    groups = {
        g.attrib["data-cell"]: g
        for g in drawn(board_svg(grid, read, tappable=True)).iter(f"{SVG}g")
        if "data-cell" in g.attrib
    }
    assert groups[first.label].attrib["data-note"] == '"<knot>"'
    assert groups[first.label].attrib["data-through"] == "hanging"
    said = groups[first.label].attrib["aria-label"]
    assert said.startswith(f"{first.label}, 40 %")
    assert said.endswith("hangs, char 3, black")
    assert groups[grid.cells[2].label].attrib["aria-label"].endswith("not read yet")


def test_on_paper_a_board_has_its_own_size(grid: Grid) -> None:
    assert drawn(board_svg(grid, ())).attrib["width"] == "204mm"


def test_a_region_is_small_and_says_what_it_shows() -> None:
    machine = dataclasses.replace(some_grid().machine, power_curve=())
    burns = [
        Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through, char=1)
        for power, speed, through in (
            (80.0, 12.0, "through"), (80.0, 20.0, "hanging"), (80.0, 40.0, "no"),
            (40.0, 4.0, "through"), (40.0, 12.0, "no"),
        )
    ]  # fmt: skip
    region = fit_region(machine, BIRCH, "cut", burns)
    advised = Setting(power_pct=80.0, speed_mm_s=12.0)
    view = region_view(region, RegionWish(), advised=advised)
    text = region_svg(view, advised, "95 % · tan")
    root = drawn(text)
    assert len(text) < 40_000
    assert "Burns: 1 hanging, 2 no, 2 through" in root.attrib["aria-label"]
    titles = [title.text for title in root.iter(f"{SVG}title")]
    assert len(titles) == 5
    assert any(title.startswith("80 %, 20 mm/s") and "hanging" in title for title in titles)
    numbers = [float(n) for path in root.iter(f"{SVG}path")
               for n in re.findall(r"-?\d+\.\d", path.attrib.get("d", ""))]  # fmt: skip
    assert all(-1.0 <= number <= 401.0 for number in numbers)


@pytest.mark.parametrize("power", [30.0, 55.0, 62.0, 80.0])
def test_what_rides_with_the_cross_stays_in_the_picture(power: float) -> None:
    region = fit_region(some_grid().machine, BIRCH, "cut", [])
    said = "under 0.1 % · black · 5.4 min a metre"
    view = region_view(region, RegionWish())
    (ride,) = [
        text
        for text in drawn(region_svg(view, Setting(power_pct=power, speed_mm_s=9.0), said)).iter()
        if text.get("class") == "ride"
    ]
    # Letters of 14 units are about 7.5 wide on average (measured in a browser).
    x, wide = float(ride.attrib["x"]), 7.5 * len(said)
    left = x - wide if ride.attrib["text-anchor"] == "end" else x
    assert left >= 0.0
    assert left + wide <= 380.0


def test_a_narrow_cell_and_a_part_of_a_piece_hold_their_code_alone() -> None:
    grid = some_grid()
    cell = grid.cells[0]
    narrow = dataclasses.replace(cell, width_mm=9.0, height_mm=6.0)
    part = dataclasses.replace(cell, part="hole of 3 mm")
    for one, settings in ((cell, True), (narrow, False), (part, False)):
        alone = dataclasses.replace(grid, cells=(one,))
        assert ('class="set"' in board_svg(alone, (), settings=True)) is settings
