"""Record sheet: one page, to scale, with everything on it, the same bytes for the same board."""

from __future__ import annotations

import dataclasses
import os
import re
import subprocess
import sys
from collections import Counter
from io import BytesIO, StringIO
from itertools import combinations

import numpy as np
import pypdf
import pypdfium2
import pytest
import segno
import svgelements
from boards import BIRCH, CO2, MDF, TUBE_100, some_settings
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.boards.board_time import board_time, sheet_use
from calib.boards.layers import PALETTE, colour_words, colours_of, edge_colour_of
from calib.boards.layout import LayoutOptions, lay_out
from calib.boards.record_marks import KEYS, SWATCH_MM, swatch
from calib.boards.record_sheet import grid_record_sheet
from calib.boards.svg import grid_svg, grid_svg_in_parts
from calib.errors import BoardDoesNotFit, InvalidRecord
from calib.hazards import CAUTIONS, check_hazard
from calib.print_style import MARGIN_MM, PAPERS_MM, TICK, one_page, printable
from calib.records import CHAR_WORDS, MARK_WORDS, Grid, Machine, Operation, Sheet
from calib.tasks.files import board_files
from calib.tasks.wishes import FileWish

MM = 72.0 / 25.4


def board(
    operation: Operation = "cut",
    count: int = 18,
    *,
    machine: Machine = CO2,
    sheet: Sheet = BIRCH,
    offcut: tuple[float, float] | None = None,
) -> Grid:
    options = LayoutOptions(offcut_mm=offcut, round=3)
    cells = some_settings(machine, operation, count)
    return lay_out(machine, sheet, operation, cells, options=options)


def text_of(pdf: bytes) -> str:
    """Return the page's text as an independent reader sees it, blanks made single."""
    (page,) = pypdf.PdfReader(BytesIO(pdf)).pages
    return " ".join(page.extract_text().split())


def boxes_mm(pdf: bytes) -> list[tuple[float, float, float, float]]:
    """Return left, top, right, bottom of all objects on the page, y down from its top."""
    page = pypdfium2.PdfDocument(pdf)[0]
    height = page.get_height()
    boxes = []
    for thing in page.get_objects():
        left, bottom, right, top = thing.get_bounds()
        boxes.append((left / MM, (height - top) / MM, right / MM, (height - bottom) / MM))
    return boxes


def assert_inside(pdf: bytes, paper: str) -> None:
    width, height = PAPERS_MM[paper]
    for left, top, right, bottom in boxes_mm(pdf):
        assert left > 5.0
        assert top > 5.0
        assert right < width - 5.0
        assert bottom < height - 5.0


@pytest.mark.parametrize(
    ("operation", "count", "paper"),
    [
        *(("cut", count, paper) for count in (1, 6, 18, 40, 60) for paper in PAPERS_MM),
        ("line_mark", 12, "a4"),
        ("line_mark", 60, "letter"),
        ("area_mark", 6, "letter"),
        ("area_mark", 40, "a4"),
        ("area_mark", 60, "letter"),
    ],
)
def test_one_page_holds_every_code_setting_and_caution(
    operation: Operation, count: int, paper: str
) -> None:
    grid = board(operation, count)
    pdf = grid_record_sheet(grid, paper=paper)
    (page,) = pypdf.PdfReader(BytesIO(pdf)).pages
    size = [float(length) / MM for length in (page.mediabox.width, page.mediabox.height)]
    assert size == pytest.approx(PAPERS_MM[paper], abs=0.01)
    text = text_of(pdf)
    colours = colours_of(grid)
    for cell in grid.cells:
        pitch = "" if cell.line_pitch_mm is None else f" {cell.line_pitch_mm:g}"
        part, place = divmod(list(colours).index(cell.setting), 8)
        # Each part is a drawing of its own, and begins again with the first colour.
        which = f"{part + 1}: {PALETTE[place]}" if len(colours) > 8 else colours[cell.setting]
        # The colour's plain word is left out only where a row has no room for it.
        word = f" {colour_words(which[-7:])}"
        rows = [
            f" {cell.burn_order} {cell.label} {which}{said} {cell.power_pct:g}"
            f" {cell.speed_mm_s:g} {round(cell.speed_mm_s * 60, 3):g} {cell.passes}{pitch} "
            for said in ([word] if count <= 6 else [word, ""])
        ]
        assert any(row in f"{text} " for row in rows), rows
        # Once in the drawing, once in the table.
        assert len(re.findall(rf"(?<!\S){cell.label}(?!\S)", text)) >= 2
    for caution in CAUTIONS:
        assert caution in text
    words = CHAR_WORDS if operation == "cut" else MARK_WORDS
    for word in words:
        assert word in text
    assert_inside(pdf, paper)


def test_head_says_all_that_is_known_and_leaves_room_for_the_rest() -> None:
    sheet = dataclasses.replace(MDF, lot="24-17")
    grid = board("cut", 12, machine=TUBE_100, sheet=sheet)
    pdf = grid_record_sheet(grid, address="calib/board/7")
    text = text_of(pdf)
    label = grid.label_setting
    for words in (
        grid.board_id,
        "calib/board/7",
        "large, 100 W CO2",
        "MDF 6",
        "24-17",
        "nominal 6 mm, measured 6.15 mm",
        "cut (go through), round 3",
        f"{grid.board_mm[0]:g} × {grid.board_mm[1]:g} mm, 12 cells in 2 blocks",
        f"codes 1: {colours_of(grid)[label]} dark red {label.power_pct:g} {label.speed_mm_s:g}"
        f" {round(label.speed_mm_s * 60.0, 3):g} 1",
        f"program {grid.board_id}.nc; only if you type it in: 11 settings, in 2 parts of at most"
        " 8 colours, one after the other:"
        f" {grid.board_id}-1of2.svg and so on",
        f"{board_time(grid).words} (predicted)",
        sheet_use(grid).words,
        *check_hazard(sheet, TUBE_100, "cut").advice,
        *("date", "session", "on", "off", "dry", "damp", "lens cleaned", "on pins", "face masked"),
        "in focus: assumed, unless ticked:",
        *grid.notes,
    ):
        assert words in text, words


@pytest.mark.parametrize(("paper", "offcut", "scale"), [("a4", None, 1.0), ("a4", (300, 200), 2.5)])
def test_board_is_to_scale_and_coupons_lie_where_they_are_cut(
    paper: str, offcut: tuple[float, float] | None, scale: float
) -> None:
    grid = board("cut", 6, offcut=offcut)
    pdf = grid_record_sheet(grid, paper=paper)
    assert f"scale 1:{scale:g} " in text_of(pdf)
    width, height = (length / scale for length in grid.board_mm)
    boxes = boxes_mm(pdf)
    # The reader widens a box by a line's width on each side: 0.25 mm and 0.4 mm.
    (frame,) = [b for b in boxes if _size(b) == pytest.approx((width + 0.5, height + 0.5), abs=0.1)]
    left, top = frame[0], frame[1]
    coupon = (16 / scale + 0.8, 16 / scale + 0.8)
    coupons = [b for b in boxes if _size(b) == pytest.approx(coupon, abs=0.1)]
    found = sorted((b[0] + 0.4 - left - 0.25, b[1] + 0.4 - top - 0.25) for b in coupons)
    expected = sorted((cell.x_mm / scale, cell.y_mm / scale) for cell in grid.cells)
    assert len(found) == len(expected)
    for place, wanted in zip(found, expected, strict=True):
        assert place == pytest.approx(wanted, abs=0.05)


def _size(box: tuple[float, float, float, float]) -> tuple[float, float]:
    return box[2] - box[0], box[3] - box[1]


def test_qr_code_is_drawn_square_by_square() -> None:
    pdf = grid_record_sheet(board("cut", 6), address="http://workshop.local/board/12")
    page = pypdfium2.PdfDocument(pdf)[0]
    matrix = [list(r) for r in segno.make("http://workshop.local/board/12", error="m").matrix]
    image = page.render(scale=10).to_numpy().mean(axis=2)
    step = 25.0 / (len(matrix) + 8)
    left, top = 210.0 - 9.0 - 25.0, 9.0
    for row, modules in enumerate(matrix):
        for column, dark in enumerate(modules):
            x = (left + (column + 4.5) * step) * MM * 10
            y = (top + (row + 4.5) * step) * MM * 10
            assert (image[round(y), round(x)] < 128) == bool(dark), (row, column)


@pytest.mark.parametrize(
    ("address", "found"), [("", "calib board show "), ("http://127.0.0.1:8000/b/",) * 2]
)
def test_the_sheet_of_a_boards_files_leads_back_to_the_logbook(address: str, found: str) -> None:
    grid = board("cut", 6)
    files = board_files(grid, FileWish(address=address))
    text = text_of(files[f"{grid.board_id}-record.pdf"])
    assert f" {found}{grid.board_id} " in text


def test_same_board_same_bytes_in_another_process_too() -> None:
    grid = board("cut", 6)
    here = grid_record_sheet(grid, address="x")
    assert grid_record_sheet(grid, address="x") == here
    code = (
        "import sys; sys.path.insert(0, 'tests'); import test_record_sheet as t;"
        "sys.stdout.buffer.write("
        "t.grid_record_sheet(t.board('cut', 6), address='x'))"
    )
    environment = os.environ | {"PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"}
    there = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=True, env=environment
    ).stdout
    assert there == here


def test_a_setting_is_typed_once_in_burn_order_the_codes_first() -> None:
    grid = board("cut", 18)
    text = text_of(grid_record_sheet(grid))
    # Boxes of the row above, eight for its grades, and one when it is typed here.
    row = rf"((?:{TICK} )*)(codes|\d+ [A-Z]\d) (\d: #\w{{6}})"
    rows = re.findall(row, text)
    assert [order.split()[0] for _, order, _ in rows] == ["codes", *map(str, range(1, 19))]
    seen: set[str] = set()
    for ticks, _, colour in rows:
        assert ticks.count(TICK) % 8 == (colour not in seen)
        seen.add(colour)
    count = len(colours_of(grid))
    assert seen == {f"{n // 8 + 1}: {PALETTE[n % 8]}" for n in range(count)}


def test_what_is_typed_in_by_hand_is_said_where_no_program_is_burnt() -> None:
    def sheet(operation: Operation = "cut", **machine: object) -> tuple[Grid, str]:
        made = board(operation, 6, machine=dataclasses.replace(CO2, **machine))
        return made, text_of(grid_record_sheet(made))

    for machine in ({"power_word_full": None}, {"colours": ("#ff0000", "#0000ff", "#00ff00")}):
        grid, said = sheet(**machine)
        assert "list of them into the order of the rows, codes first" in said
        assert "Codes are the board's title" in said
        # A colour that has no row, such as the edge of the piece, mustn't be left on.
        assert "Every other colour is switched off" in said
        edge = edge_colour_of(grid.machine)
        assert f"{edge} {colour_words(edge)}, where it is drawn" in said
        # Where an independent reader of the drawing finds its lines to begin.
        drawn = grid_svg_in_parts(grid) or {"": grid_svg(grid)}
        for part, svg in drawn.items():
            shapes = svgelements.SVG.parse(StringIO(svg), ppi=25.4).select(
                lambda one: isinstance(one, svgelements.Shape)
            )
            boxes = np.array([shape.bbox(with_stroke=False) for shape in shapes])
            right, below = (f"{value:g}" for value in boxes[:, :2].min(axis=0).round(2))
            words = f"{right} mm right of and {below} mm below that corner"
            assert (f"{right} and {below} mm (part {part[:1]})" if part else words) in said
        assert ("asked for passes, 1." in said) is all(cell.passes == 1 for cell in grid.cells)
        assert ("A row without a box" in said) is (len(colours_of(grid)) <= len(grid.cells))
        whole = all(cell.speed_mm_s % 1.0 == 0.0 for cell in grid.cells)
        assert (f"calib machine change {CO2.name} --speed-step 1" in said) is not whole
        parts = "-1of3" if "colours" in machine else ""
        assert f"Open {grid.board_id}{parts}.svg at its own size" in said
        assert "filled.svg" not in said
    grid, said = sheet("area_mark", power_word_full=None)
    assert f"{grid.board_id}-filled.svg" in said
    assert "typing it in" not in sheet()[1]


@pytest.mark.parametrize("name", KEYS)
def test_swatches_differ_in_grey(name: str) -> None:
    """Any two differ by half a square millimetre of black, or as much of fainter ink."""
    inks = [_ink(name, grade) for grade in range(len(KEYS[name]))]
    for one, other in combinations(range(len(inks)), 2):
        differing_mm2 = np.abs(inks[one] - inks[other]).sum() / (4.0 * MM) ** 2
        assert differing_mm2 > 0.5, (name, one, other)


def _ink(name: str, grade: int) -> np.ndarray:
    """Return how black a swatch is, from 0 to 1, 4 pixels per point."""
    pdf = one_page("a4", "", [[swatch(name, grade)]])
    image = pypdfium2.PdfDocument(pdf)[0].render(scale=4).to_numpy().mean(axis=2)
    corner, far = MARGIN_MM - 0.5, [MARGIN_MM + side + 0.5 for side in SWATCH_MM]
    left, right, bottom = (round(v * MM * 4) for v in (corner, *far))
    return 1.0 - image[left:bottom, left:right] / 255.0


LONG = ("Ünïçødé Äpfel – sehr lange Bezeichnung, фанера берёзовая, ξύλο, 木材 合板 🙂 " * 4)[:200]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("count", [1, 60])
def test_longest_names_in_any_script_fit_and_lose_nothing(count: int, paper: str) -> None:
    machine = dataclasses.replace(CO2, name=LONG)
    sheet = Sheet(name="W" * 200, material="birch plywood " * 14, thickness_mm=3, lot="木" * 200)
    grid = board("cut", count, machine=machine, sheet=sheet)
    pdf = grid_record_sheet(grid, paper=paper)
    text = text_of(pdf)
    letters = "".join(text.split())
    for name in (LONG, sheet.name, sheet.material, sheet.lot):
        assert "".join(printable(name).split()) in letters
    assert letters.count("6728") >= 200
    assert_inside(pdf, paper)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(machine=any_machine(), sheet=any_sheet(), paper=st.sampled_from(["a4", "letter"]))
def test_any_machine_and_any_sheet(machine: Machine, sheet: Sheet, paper: str) -> None:
    grid = dataclasses.replace(board("cut", 6), machine=machine, sheet=sheet)
    pdf = grid_record_sheet(grid, paper=paper)
    found = Counter(text_of(pdf))
    for name in (machine.name, sheet.name):
        wanted = Counter(printable(name).replace(" ", ""))
        missing = {s: n for s, n in (wanted - found).items() if not s.isspace()}
        assert not missing
    assert_inside(pdf, paper)


def test_too_many_notes_are_counted_not_hidden() -> None:
    notes = tuple(f"Note number {n} says something that takes a whole line." for n in range(300))
    text = text_of(grid_record_sheet(dataclasses.replace(board("cut", 6), notes=notes)))
    (more,) = re.findall(r"(\d+) more notes stand in the plan of the board", text)
    shown = len(re.findall(r"Note number \d+ says", text))
    assert shown + int(more) == 300
    assert shown > 20


def test_refusals_name_what_was_given_and_the_way_out() -> None:
    grid = board("cut", 6)
    with pytest.raises(InvalidRecord, match=r"'a5': give one of a4, letter"):
        grid_record_sheet(grid, paper="a5")
    with pytest.raises(InvalidRecord, match="301 characters: give at most 300"):
        grid_record_sheet(grid, address="x" * 301)
    many = lay_out(CO2, BIRCH, "cut", some_settings(CO2, "cut", 200))
    with pytest.raises(BoardDoesNotFit, match="200 cells don't fit one record sheet") as caught:
        grid_record_sheet(many)
    assert caught.value.cells_that_fit == 60
