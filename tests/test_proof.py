"""A proof: a piece that is like the work, from its plan to what it says of jobs."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pypdfium2
import pytest
from boards import BIRCH, CO2, MACHINES, MDF, SHEETS
from program_checks import assert_sound as assert_program_sound
from program_checks import lit, to_board
from shapely.geometry import LineString, Point, Polygon
from shell import BIRCH as ADD_BIRCH
from shell import MACHINE, Shell, cut_cleanly
from test_svg import assert_valid
from visitor import House, house_of
from workshop_records import SETTING, later

import calib
from calib.boards.board import board_of
from calib.boards.layout import LayoutOptions
from calib.boards.proof import lay_out_proof
from calib.errors import BoardDoesNotFit, MachineLimit
from calib.limits import limits_of, snap_setting
from calib.logbook import open_book
from calib.records import Grid, Machine, Sheet
from calib.web.board_svg import board_svg


def proof(machine: Machine = CO2, sheet: Sheet = BIRCH) -> Grid:
    slowest = limits_of(machine, sheet, "cut").slowest_at(machine.ceiling_pct)
    return lay_out_proof(machine, sheet, snap_setting(machine, machine.ceiling_pct, 1.3 * slowest))


def piece(grid: Grid) -> Polygon:
    """The piece that comes out: the two sides round it, less what falls out of it."""
    parts = {cell.label: cell.path_mm for cell in grid.cells}
    return Polygon([*parts["F1"], *parts["C1"][1:]], [parts["H1"], parts["B1"]])


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.name)
def test_its_two_sides_meet_and_what_is_inside_is_burnt_first(machine: Machine, sheet: Sheet):
    grid = proof(machine, sheet)
    assert [cell.label for cell in sorted(grid.cells, key=lambda c: c.burn_order)] == [
        "H1", "B1", "F1", "C1",
    ]  # fmt: skip
    shape = piece(grid)
    assert shape.is_valid
    # Codes stand where nothing is cut.
    cuts = [LineString(cell.path_mm) for cell in grid.cells]
    for stroke in board_of(grid).labels:
        assert all(LineString(stroke.points).distance(cut) > 0.8 for cut in cuts)
    report = assert_program_sound(grid, calib.grid_program(grid))
    burnt = [m for m in lit(report) if m.feed == pytest.approx(60 * grid.cells[0].speed_mm_s)]
    drawn = sum(LineString(cell.path_mm).length for cell in grid.cells)
    assert sum(math.dist(m.start, m.end) for m in burnt) == pytest.approx(drawn, abs=0.1)
    for move in burnt:
        line = LineString([to_board(machine, grid, p) for p in (move.start, move.end)])
        assert min(line.hausdorff_distance(cut.intersection(line.buffer(2e-3))) for cut in cuts
                   if cut.intersects(line.buffer(2e-3))) < 5e-3  # fmt: skip
    assert_valid(calib.grid_svg(grid))


@pytest.mark.parametrize("sheet", [BIRCH, MDF], ids=lambda sheet: sheet.name)
def test_it_has_a_small_hole_a_thin_bridge_a_finger_and_sharp_corners(sheet: Sheet):
    grid = proof(CO2, sheet)
    shape, thick = piece(grid), sheet.working_thickness_mm
    hole, slot = (Polygon(ring) for ring in shape.interiors)
    assert hole.area == pytest.approx(math.pi * 1.5**2, rel=0.02)
    bridge = LineString(shape.exterior.coords).distance(slot)
    assert bridge == pytest.approx(max(2.0, round(round(thick, 1) / 2, 1)))
    left, _, right, _ = slot.bounds
    assert right - left > 8 * bridge
    finger = round(thick, 1)
    body = shape.buffer(-finger, join_style="mitre").buffer(finger, join_style="mitre")
    stub = max(getattr(shape.difference(body), "geoms", [shape]), key=lambda part: part.bounds[2])
    assert stub.bounds[2] - 60.0 - grid.cells[3].x_mm == pytest.approx(finger, abs=1e-3)
    corners = list(shape.exterior.coords)[:-1]
    turns = [
        math.degrees(
            abs(math.remainder(math.atan2(b[1] - a[1], b[0] - a[0])
                               - math.atan2(c[1] - b[1], c[0] - b[0]), math.tau))
        )
        for a, b, c in zip(corners[-1:] + corners, corners, corners[1:] + corners[:1], strict=False)
    ]  # fmt: skip
    assert sum(turn > 110.0 for turn in turns) == 2


def test_a_setting_that_may_set_it_on_fire_and_too_small_a_piece_are_refused():
    with pytest.raises(MachineLimit, match="slower than 2 mm/s"):
        lay_out_proof(CO2, BIRCH, snap_setting(CO2, 80.0, 0.5))
    with pytest.raises(MachineLimit, match="900"):
        lay_out_proof(CO2, BIRCH, replace(SETTING, speed_mm_s=900.0))
    with pytest.raises(BoardDoesNotFit, match="60 x 60"):
        lay_out_proof(CO2, BIRCH, SETTING, LayoutOptions(offcut_mm=(60.0, 60.0)))


def test_its_record_sheet_says_what_each_part_is():
    page = pypdfium2.PdfDocument(calib.grid_record_sheet(proof()))[0]
    words = " ".join(page.get_textpage().get_text_range().split())
    assert "F1 (side with a finger of 3 mm)" in words
    assert words.count("hanging") >= 1
    # In the table's row too, beside the code.
    for cell in proof().cells:
        assert words.count(cell.part) == 2


def test_the_code_of_the_slot_stands_nearer_to_it_than_to_the_hole():
    for sheet in SHEETS:
        grid = proof(CO2, sheet)
        paths = {cell.label: LineString(cell.path_mm) for cell in grid.cells}
        for stroke in board_of(grid).labels:
            letters = LineString(stroke.points)
            if stroke.cell == "B1":
                assert letters.distance(paths["B1"]) < letters.distance(paths["H1"])


def test_pictures_show_where_a_side_ends():
    for cell in proof().cells:
        ends = cell.ends_mm
        assert len(ends) == (2 if cell.label in ("F1", "C1") else 0)
        for end, across in zip((cell.path_mm[0], cell.path_mm[-1]), ends, strict=bool(ends)):
            line = LineString(across)
            assert line.centroid.distance(Point(end)) < 1e-6
            assert line.length == pytest.approx(3.0)
    drawn = re.findall(r'class="place" d="([^"]+)"', board_svg(proof(), ()))
    assert sorted(path.count("M") for path in drawn) == [1, 1, 3, 3]


def test_it_is_planned_at_the_kept_setting_and_counts_as_a_small_job(shell: Shell) -> None:
    for words in (MACHINE, ADD_BIRCH):
        shell.run(*words)
    assert "keep a setting first" in shell.refusal("plan", "--for", "proof")
    planned = shell.json("plan", "--for", "proof", "--power", "80", "--speed", "12", "--into", "p")
    cells = planned["grid"]["cells"]
    assert {cell["speed_mm_s"] for cell in cells} == {12.0}
    assert all(0.0 < planned["forecasts"][cell["label"]]["through"] < 1.0 for cell in cells)
    # The longer the cut, the less likely all of it.
    chance = [planned["forecasts"][label]["through"] for label in ("H1", "B1", "F1")]
    assert chance == sorted(chance, reverse=True)
    said = shell.run("record", "last", typed="t\n0\nt\n1\nh\n\nt\n2\n").stderr
    assert "H1 (hole of 3 mm)" in said
    # Passes alone are no setting; the kept one isn't quietly taken with another number of them.
    assert "power" in shell.refusal("plan", "--for", "proof", "--passes", "2")
    assert "hanging" in shell.text("board", "show", "last")
    with open_book(shell.book) as book:
        burns = book.burns("bench", "birch 3", "cut")
    assert [(b.source, b.through) for b in burns] == [
        ("job", "through"), ("job", "through"), ("job", "hanging"), ("job", "through"),
    ]  # fmt: skip
    shell.run("keep", "--power", "80", "--speed", "12", "--yes")
    assert "is kept" in shell.text()
    again = shell.json("plan", "--for", "proof")["grid"]["board_id"]
    shell.run("record", again, typed="t\n0\nt\n1\nh\n\nt\n2\n")
    assert "a proof failed at the kept setting; ask for a slower one." in shell.text()
    # Cell by cell too, whatever else was left unread.
    told = shell.run("record", again, typed="q\n")
    assert "The proof failed at F1" in told.stdout
    assert "Next: calib recommend" in told.stderr
    shell.run("board", "void", again, "--why", "only tried", "--yes")
    # What was measured of its parts is no coupon.
    code = planned["grid"]["board_id"]
    head = "cell,through,char,mark,note,board,width_mm,height_mm"
    file = shell.write("sizes.csv", f"{head}\nH1,through,0,,,{code},2.9,2.9\n")
    told = shell.text("record", file)
    assert "failed at F1 (side with a finger of 3 mm)" in " ".join(told.split())
    assert "No coupon of birch 3" in shell.refusal("joint", "kerf")
    # Forecast anew from the other boards, each part by its own length.
    shell.burn(shell.json("plan", "--burns", "2")["grid"], cut_cleanly)
    again = shell.json("book", "track-record", "--leave-one-out")
    assert (again["count"], again["groups"]) == (6, 2)
    lengths = [b.cut_length_mm for b in burns]
    assert lengths[:2] == pytest.approx([math.pi * 3.0, 58.0], rel=0.01)
    assert lengths[2:] == pytest.approx([30 + 27 + 9 + 30, 30 + 2 * 17 + 30], rel=0.05)


def test_it_says_whether_the_setting_held_and_what_comes_next(evening: Shell) -> None:
    said = evening.run("keep", "--reliability", "0.7", "--yes").stderr
    assert "calib plan 'birch 3' --machine bench --for proof\n" in said
    assert "calib sheet card 'birch 3' --machine bench\n" in said
    told = evening.json("keep", "--reliability", "0.7", "--yes")["kept"]["setting"]
    at = f"{told['power_pct']:g} %, {told['speed_mm_s']:g} mm/s"

    def proof_of(hangs: bool) -> Any:
        code = evening.json("plan", "--for", "proof", "--into", "p")["grid"]["board_id"]
        came = ["through", "through", "hanging" if hangs else "through", "through"]
        rows = "".join(
            f"{cell},{fell},1,,\n"
            for cell, fell in zip(("H1", "B1", "F1", "C1"), came, strict=True)
        )
        file = evening.write("r.csv", f"cell,through,char,mark,note\n{rows}")
        return evening.run("record", code, file), code

    held, _ = proof_of(hangs=False)
    assert f"The proof held at {at}." in held.stdout
    assert "Next: calib sheet card 'birch 3' --machine bench" in held.stderr
    failed, code = proof_of(hangs=True)
    assert f"{at} is too fast for work like it" in " ".join(failed.stdout.split())
    again = "calib recommend 'birch 3' --machine bench --reliability 0.7"
    assert f"Next: {again}" in failed.stderr
    # Until another setting is kept: other boards don't make it good.
    evening.burn(evening.json("plan", "--burns", "2")["grid"], cut_cleanly)
    assert again in evening.text()
    large = "PROOF FAILED: don't use it"
    for words in (("sheet", "card"), ("machine", "show", "--card")):
        file = evening.json(*words, "--into", "cards")["file"]
        page = pypdfium2.PdfDocument(file)[0].get_textpage()
        assert large in " ".join(page.get_text_range().split())
    with house_of(evening.book) as house:
        desk = house.guest().get("/").text
    big = desk[desk.index('<p class="big">') :]
    assert "PROOF FAILED" in big[: big.index("</p>")]
    assert f"/board/{code}" in big
    assert "reliability=0.7" in desk
    held, _ = proof_of(hangs=False)
    assert "PROOF FAILED" not in evening.text()
    assert "is kept" in evening.text()


def test_on_the_page_it_is_planned_and_tapped(planned_house: House) -> None:
    visitor, book = planned_house.guest(), planned_house.book
    book.keep("bench", "birch 3", "cut", SETTING, when=later(50))
    page = visitor.submit("/proof", {"sheet": "birch 3", "machine": "bench"})
    code = str(page.url).split("/board/")[1].split("?")[0]
    assert book.board(code).cells[0].setting == SETTING
    asked = visitor.get(f"/board/{code}/record").text
    assert 'data-setting="slot beside a bridge 2 mm wide"' in asked
    assert asked.count('<path class="place"') == 4
