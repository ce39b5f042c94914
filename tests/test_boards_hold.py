"""The bar for boards: whatever is planned can be burnt, and its files say one and the same.

Every machine, operation and number of cells, on sheets in turn, as the planner plans them; and
random machines, sheets and offcuts. The files are read by others: lxml with the W3C SVG 1.1 DTD,
svgelements, svgpathtools, CairoSVG, resvg, pypdf, and a checker written from NIST IR 6556.
"""

from __future__ import annotations

import dataclasses
import functools
import io
import math
from collections import defaultdict

import cairosvg
import pytest
import resvg_py
import svgpathtools
from boards import MACHINES, OPERATIONS, SHEETS
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from layout_checks import assert_sound as assert_layout_sound
from PIL import Image, ImageChops
from program_checks import as_standard, assert_as_planned
from program_checks import assert_sound as assert_program_sound
from rs274_checker import Report, check
from test_svg import NS, assert_valid, boxes_mm

from calib.boards.board_time import board_time, sheet_use
from calib.boards.rs274 import grid_program, outline_program
from calib.boards.svg import grid_svg
from calib.errors import BoardDoesNotFit
from calib.fit.fitting import region_from
from calib.fit.priors import expected_priors
from calib.fit.region import Region
from calib.records import Grid, Machine, Operation, Sheet
from calib.tasks.library import plan_on_region
from calib.tasks.wishes import BoardWish

CORNERS = ("lower_left", "upper_left", "lower_right", "upper_right")
COUNTS = (6, 12, 40)
# A sheet for each machine and operation, so that each sheet meets each operation.
PAIRS = [
    (machine, SHEETS[(m + 2 * o) % len(SHEETS)], operation)
    for m, machine in enumerate(MACHINES)
    for o, operation in enumerate(OPERATIONS)
]


def turned(machine: Machine, sheet: Sheet) -> Machine:
    """The machine with another corner and offset for each sheet."""
    turn = SHEETS.index(sheet)
    corner = CORNERS[turn % 4]
    shift = (1.0 if "left" in corner else -1.0, 1.0)
    y_up = turn % 2 == 0
    up = 1.0 if ("lower" in corner) == y_up else -1.0
    return dataclasses.replace(
        machine, origin=corner, y_up=y_up, offset_mm=(3.5 * shift[0], 2.25 * up)
    )


@functools.cache
def region(machine: Machine, sheet: Sheet, operation: Operation) -> Region:
    """What is expected of a pair; made once, and without char, for it takes most of the time."""
    priors = dataclasses.replace(expected_priors(machine, sheet, operation), char=None)
    return region_from(machine, sheet, operation, (), priors)


@functools.cache
def board(machine: Machine, sheet: Sheet, operation: Operation, count: int) -> Grid:
    placed = turned(machine, sheet)
    known = dataclasses.replace(region(machine, sheet, operation), machine=placed)
    if count != 12:
        return plan_on_region(known, wish(operation, count))[0]
    # Out of the forty, as choosing twelve takes longest: ten, and the middle one three times.
    forty = board(machine, sheet, operation, 40)
    some = [cell.setting for cell in forty.cells[2::4]]
    return plan_on_region(known, BoardWish(), (*some, some[5], some[5]))[0]


def wish(operation: Operation, count: int) -> BoardWish:
    """So many cells; forty surfaces at a wide pitch, for their checks grow with their lines."""
    wide = operation == "area_mark" and count == 40
    return BoardWish(burns=count, line_pitch_mm=0.5 if wide else None)


def drawn_mm(grid: Grid, text: str) -> dict[str, float]:
    """Length of each cell's path in the drawing, as svgpathtools measures it, times its passes."""
    passes = {f"cell-{cell.label}": cell.passes for cell in grid.cells}
    lengths = {}
    for path in assert_valid(text).iter(NS + "path"):
        points = svgpathtools.parse_path(path.get("d"))
        lengths[path.get("id")] = points.length() * passes.get(path.get("id"), 1)
    return lengths


def burnt_mm(report: Report) -> dict[tuple[float, float], float]:
    """Length that a program burns at each power and feed."""
    lengths: dict[tuple[float, float], float] = defaultdict(float)
    for move in report.moves:
        if move.power > 0:
            lengths[move.power, move.feed] += math.dist(move.start, move.end)
    return lengths


def assert_same_length(grid: Grid, text: str, report: Report) -> None:
    """Drawing and program burn the same length at every setting, to a thousandth."""
    full = grid.machine.power_word_full
    assert full is not None
    drawn, burnt = drawn_mm(grid, text), burnt_mm(report)
    wanted: dict[tuple[float, float], float] = defaultdict(float)
    for name, length in drawn.items():
        cell = next((c for c in grid.cells if f"cell-{c.label}" == name), None)
        setting = grid.label_setting if cell is None else cell.setting
        wanted[full * setting.power_pct / 100.0, 60.0 * setting.speed_mm_s] += length
    for (power, feed), length in wanted.items():
        near = [n for (p, f), n in burnt.items() if abs(p - power) < 2e-3 and abs(f - feed) < 2e-3]
        assert sum(near) == pytest.approx(length, rel=1e-3)
    assert sum(burnt.values()) == pytest.approx(sum(drawn.values()), rel=1e-3)


def assert_holds(grid: Grid, clamp_mm: float = 5.0) -> str:
    """All that must hold of any board; gives its drawing."""
    assert_layout_sound(grid, clamp_mm)
    text, program = grid_svg(grid), grid_program(grid)
    report = assert_program_sound(grid, program)
    assert_as_planned(grid, report)
    assert_same_length(grid, text, report)
    frame = check(as_standard(grid.machine, outline_program(grid)))
    assert frame.errors == []
    assert all(move.rapid and move.power == 0 for move in frame.moves)
    assert board_time(grid).total_s > 0
    assert 0 < sheet_use(grid).waste_share < 1
    return text


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize(
    ("machine", "sheet", "operation"), PAIRS, ids=lambda part: getattr(part, "name", part)
)
def test_every_planned_board_holds(
    machine: Machine, sheet: Sheet, operation: Operation, count: int
) -> None:
    grid = board(machine, sheet, operation, count)
    assert len(grid.cells) == count
    boxes = boxes_mm(assert_holds(grid))
    labels = [cell.label for cell in grid.cells]
    assert set(boxes) == {"head", *(f"{n}-{c}" for n in ("cell", "code") for c in labels)}
    for cell in grid.cells:
        left, top, right, bottom = boxes[f"cell-{cell.label}"]
        assert cell.x_mm - 1e-3 <= left < right <= cell.x_mm + cell.width_mm + 1e-3
        assert cell.y_mm - 1e-3 <= top <= bottom <= cell.y_mm + cell.height_mm + 1e-3
        inset = 0.0 if operation == "cut" else 1.0
        assert left == pytest.approx(cell.x_mm + inset, abs=1e-3)
        assert right == pytest.approx(cell.x_mm + cell.width_mm - inset, abs=1e-3)
        if operation == "cut":
            assert bottom - top == pytest.approx(cell.height_mm, abs=2e-3)


def inks(text: str) -> list[Image.Image]:
    """What two unrelated renderers make of a drawing at 10 px/mm: 255 where there is ink."""
    text = text.replace('stroke-width="0.025"', 'stroke-width="0.1"')  # a hairline is too faint
    one = cairosvg.svg2png(bytestring=text.encode(), dpi=254, background_color="white")
    two = resvg_py.svg_to_bytes(
        svg_string=text, dpi=254.0, background="#ffffff", skip_system_fonts=True
    )
    pictures = [Image.open(io.BytesIO(bytes(png))).convert("L") for png in (one, two)]
    return [picture.point(lambda grey: 255 if grey < 250 else 0) for picture in pictures]


@pytest.mark.parametrize(
    ("machine", "sheet", "operation"), PAIRS[::4], ids=lambda part: getattr(part, "name", part)
)
def test_two_renderers_agree_on_planned_boards(
    machine: Machine, sheet: Sheet, operation: Operation
) -> None:
    grid = board(machine, sheet, operation, 6)
    one, two = inks(grid_svg(grid))
    assert one.size == two.size == tuple(round(10 * side) for side in grid.board_mm)
    assert one.getbbox() is not None
    for ink, other in ((one, two), (two, one)):
        near = functools.reduce(
            ImageChops.lighter,
            (ImageChops.offset(other, x, y) for x in (-1, 0, 1) for y in (-1, 0, 1)),
        )
        assert ImageChops.subtract(ink, near).getbbox() is None


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_planned_board_holds_or_not_one_cell_fits(data: st.DataObject) -> None:
    machine, sheet = data.draw(any_machine()), data.draw(any_sheet())
    operation = data.draw(st.sampled_from(OPERATIONS))
    burns, clamp = data.draw(st.integers(1, 24)), data.draw(st.floats(0.0, 20.0))
    size = st.tuples(st.floats(40.0, 300.0), st.floats(40.0, 300.0))
    wish = BoardWish(
        burns=burns,
        offcut_mm=data.draw(st.none() | size),
        clamp_mm=clamp,
        split=data.draw(st.booleans()),
        line_pitch_mm=0.4,
    )
    known = region(machine, sheet, operation)
    try:
        grids = plan_on_region(known, wish)
    except BoardDoesNotFit:
        one = dataclasses.replace(wish, burns=1)
        with pytest.raises(BoardDoesNotFit, match="1 cells .* 0 would"):
            plan_on_region(known, one)
        return
    assert sum(len(grid.cells) for grid in grids) <= burns
    for grid in grids:
        assert_holds(grid, clamp)
