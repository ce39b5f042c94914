"""The program, read by a strict checker of NIST IR 6556 and by a reader that is none of ours."""

from __future__ import annotations

import dataclasses
import math
from itertools import groupby

import pytest
from boards import (
    BIRCH,
    CO2,
    DIODE,
    MACHINES,
    MDF,
    OPERATIONS,
    TUBE_40,
    TUBE_100,
    setting_lists,
    some_settings,
)
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import given, settings
from hypothesis import strategies as st
from pygcode import Line
from pygcode.machine import Machine as ReadingMachine
from rs274_checker import Move, Report, check

from calib.errors import BoardDoesNotFit, InvalidRecord, MachineLimit, RefusedMaterial
from calib.grid.focus import focus_program, plan_focus
from calib.grid.layout import lay_out
from calib.grid.naming import file_keys
from calib.grid.rs274 import comment_lines, frame_program, grid_program, grid_program_per_setting
from calib.grid.strokes import strokes_of
from calib.hazards import CAUTIONS
from calib.records import COUPON_CUT_MM, Cell, Grid, Machine, Setting, Sheet


def make(operation="cut", count=6, machine=CO2, sheet=BIRCH) -> Grid:
    return lay_out(machine, sheet, operation, some_settings(machine, operation, count))


def lit(report: Report) -> list[Move]:
    return [move for move in report.moves if move.power > 0]


def to_board(machine: Machine, grid: Grid, point: tuple[float, float]) -> tuple[float, float]:
    """Undo the program's frame, written down anew from the record's words."""
    x, y = point[0] - machine.offset_mm[0], point[1] - machine.offset_mm[1]
    width, height = grid.board_mm
    if "right" in machine.origin:
        x += width
    up = y if machine.y_up else -y  # above the corner where zero is
    return x, (height - up if "lower" in machine.origin else -up)


def cell_at(grid: Grid, point: tuple[float, float]) -> Cell | None:
    for cell in grid.cells:
        inside_x = cell.x_mm - 2e-3 <= point[0] <= cell.x_mm + cell.width_mm + 2e-3
        if inside_x and cell.y_mm - 2e-3 <= point[1] <= cell.y_mm + cell.height_mm + 2e-3:
            return cell
    return None


def assert_sound(grid: Grid, text: str) -> Report:
    """Everything that must hold of any program of a board."""
    report = check(text)
    assert report.errors == []
    machine = grid.machine
    assert text.rstrip().splitlines()[-4:][0] == "M5" or machine.air_off_word
    most = machine.power_word_full * machine.ceiling_pct / 100.0
    ways = ("left" in machine.origin, ("lower" in machine.origin) == machine.y_up)
    bed = [
        (0.0, side) if way else (-side, 0.0) for side, way in zip(machine.bed_mm, ways, strict=True)
    ]
    for move in report.moves:
        assert move.power <= most + 1e-6
        assert move.rapid or move.feed <= 60.0 * machine.max_speed_mm_s + 1e-6
        for value, (low, high) in zip(move.end, bed, strict=True):
            assert low - 1e-3 <= value <= high + 1e-3
        if not move.rapid:
            x, y = to_board(machine, grid, move.end)
            assert -1e-3 <= x <= grid.board_mm[0] + 1e-3
            assert -1e-3 <= y <= grid.board_mm[1] + 1e-3
    return report


def assert_as_planned(grid: Grid, report: Report) -> None:
    """Each cell burnt at its setting, in order, as often as it has passes, inside its box."""
    machine = grid.machine
    found: list[tuple[str, float, float, float]] = []
    for move in lit(report):
        start, end = (to_board(machine, grid, point) for point in (move.start, move.end))
        full = machine.power_word_full
        is_label = (move.power, move.feed) == pytest.approx(
            (full * grid.label_setting.power_pct / 100, 60 * grid.label_setting.speed_mm_s),
            abs=2e-3,
        )
        if is_label:
            found.append(("", 0.0, 0.0, 0.0))
            continue
        cell = cell_at(grid, start)
        assert cell is not None
        assert cell is cell_at(grid, end)
        assert move.power == pytest.approx(full * cell.power_pct / 100, abs=2e-3)
        assert move.feed == pytest.approx(60 * cell.speed_mm_s, abs=2e-3)
        found.append((cell.label, math.dist(start, end), move.power, move.feed))
    labels = [label for label, _ in groupby(found, lambda row: row[0])]
    ordered = sorted(grid.cells, key=lambda cell: cell.burn_order)
    assert labels == ["", *(cell.label for cell in ordered)]
    strokes = [stroke for stroke in strokes_of(grid) if stroke.kind != "label"]
    for cell in ordered:
        burnt = sum(row[1] for row in found if row[0] == cell.label)
        drawn = sum(stroke.length_mm for stroke in strokes if stroke.cell == cell.label)
        assert burnt == pytest.approx(drawn * cell.passes, rel=1e-3)
        if grid.operation == "cut":
            assert burnt == pytest.approx(COUPON_CUT_MM * cell.passes, rel=1e-3)


@pytest.mark.parametrize("count", [6, 12, 40])
@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)
def test_programs_keep_every_rule_and_burn_what_was_planned(machine, operation, count):
    for sheet in (BIRCH, MDF) if count < 40 else (MDF,):
        grid = make(operation, count, machine, sheet)
        text = grid_program(grid)
        assert_as_planned(grid, assert_sound(grid, text))
        assert text == grid_program(make(operation, count, machine, sheet))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_program_keeps_every_rule(data: st.DataObject):
    machine, sheet = data.draw(any_machine()), data.draw(any_sheet())
    operation = data.draw(st.sampled_from(OPERATIONS))
    burns = data.draw(setting_lists(machine, operation))
    try:
        grid = lay_out(machine, sheet, operation, burns)
    except (BoardDoesNotFit, MachineLimit):
        return
    assert_sound(grid, grid_program(grid))
    assert_sound(grid, frame_program(grid))


@pytest.mark.parametrize("operation", OPERATIONS)
def test_a_foreign_reader_follows_the_program_to_the_same_place(operation):
    grid = make(operation, 6 if operation != "area_mark" else 1)
    text = grid_program(grid)
    reader, powers, feeds = ReadingMachine(), set(), set()
    for line in text.splitlines():
        if line != "%":
            reader.process_block(Line(line).block)
            if line.startswith("G1 "):
                powers.add(float(reader.mode.spindle_speed.word.value))
                feeds.add(float(reader.mode.feed_rate.word.value))
    report = check(text)
    assert (float(reader.pos.X), float(reader.pos.Y)) == report.moves[-1].end
    planned = {grid.label_setting, *(cell.setting for cell in grid.cells)}
    assert powers - {0.0} == {10.0 * s.power_pct for s in planned}
    assert feeds == {round(60.0 * s.speed_mm_s, 3) for s in planned}


@pytest.mark.parametrize(
    ("origin", "y_up", "corner"),
    [
        ("lower_left", True, (10.0, 380.0)),
        ("lower_left", False, (10.0, -380.0)),
        ("upper_left", False, (10.0, 20.0)),
        ("upper_left", True, (10.0, -20.0)),
        ("lower_right", True, (-590.0, 380.0)),
        ("upper_right", True, (-590.0, -20.0)),
        ("upper_right", False, (-590.0, 20.0)),
        ("lower_right", False, (-590.0, -380.0)),
    ],
)
def test_zero_lies_where_the_machine_record_says(origin, y_up, corner):
    """A cell 10 mm from the left and 20 mm from the top of a board of 600 x 400 mm."""
    machine = dataclasses.replace(CO2, origin=origin, y_up=y_up)
    grid = make("cut", 1, machine)
    cell = dataclasses.replace(grid.cells[0], x_mm=10.0, y_mm=20.0)
    grid = dataclasses.replace(grid, board_mm=(600.0, 400.0), cells=(cell,))
    report = assert_sound(grid, grid_program(grid))
    cut = [move for move in lit(report) if move.feed == 60 * cell.speed_mm_s]
    x = corner[0] if "left" in origin else corner[0] + 16.0
    xs = [v for move in cut for v in (move.start[0], move.end[0])]
    ys = [v for move in cut for v in (move.start[1], move.end[1])]
    assert (min(xs) if "left" in origin else max(xs)) == pytest.approx(x)
    assert (max(ys) if y_up else min(ys)) == pytest.approx(corner[1])


def test_the_offset_moves_everything():
    moved = dataclasses.replace(CO2, offset_mm=(12.5, 30.0))
    grid = make("cut", 6, moved)
    here = assert_sound(grid, grid_program(grid))
    there = check(grid_program(dataclasses.replace(grid, machine=CO2)))
    for a, b in zip(here.moves, there.moves, strict=True):
        assert a.end == pytest.approx((b.end[0] + 12.5, b.end[1] + 30.0))


def test_run_up_and_run_out_are_dark_and_one_motion_with_the_mark():
    grid = make("line_mark", 1)
    cell = grid.cells[0]
    moves = [move for move in check(grid_program(grid)).moves if not move.rapid][-3:]
    run_up = 1.2 * cell.speed_mm_s**2 / (2.0 * 3000.0)
    assert [move.power for move in moves] == [0.0, 10.0 * cell.power_pct, 0.0]
    lengths = [math.dist(move.start, move.end) for move in moves]
    assert lengths == pytest.approx([run_up, 20.0, run_up], abs=2e-3)
    assert {move.start[1] for move in moves} | {move.end[1] for move in moves} == {moves[0].end[1]}
    assert [move.line for move in moves] == list(range(moves[0].line, moves[0].line + 3))


def test_power_and_beam_words_come_from_the_record():
    text = grid_program(make("cut", 6, DIODE))
    assert "M4 S0\n" in text
    assert "M3" not in text.replace("(", "\n(").split("G21")[1]
    assert "The controller lowers the power with the speed" in text
    report = check(grid_program(make("cut", 6, TUBE_40)))
    cells = make("cut", 6, TUBE_40).cells
    assert {m.power for m in lit(report)} >= {round(2.55 * c.power_pct, 3) for c in cells}


def test_air_goes_on_for_cuts_after_the_codes_and_off_at_the_end():
    grid = make("cut", 6, TUBE_100)
    report = check(grid_program(grid))
    air = [(line, word) for line, word in report.words if word in {"M7", "M8", "M9"}]
    assert [word for _, word in air] == ["M9", "M8", "M9"]
    cut = {60.0 * cell.speed_mm_s for cell in grid.cells}
    first_cut = next(move.line for move in lit(report) if move.feed in cut)
    last_code = max(move.line for move in lit(report) if move.feed not in cut)
    assert air[0][0] < lit(report)[0].line < last_code < air[1][0] < first_cut
    assert air[2][0] > lit(report)[-1].line
    marks = check(grid_program(make("line_mark", 6, TUBE_100)))
    assert [word for _, word in marks.words if word in {"M7", "M8", "M9"}] == ["M9", "M9"]


def test_a_machine_without_air_words_is_told_to_switch_it_by_hand():
    assert "Air assist is switched by hand" in grid_program(make("cut"))
    assert "Air assist is switched by hand" not in grid_program(make("line_mark"))


def test_a_stopped_board_resumes_without_codes_and_without_what_is_done():
    grid = make("cut", 12)
    whole = check(grid_program(grid))
    cell = next(cell for cell in grid.cells if cell.burn_order == 7)
    text = grid_program(grid, from_cell=cell.label)
    rest = assert_sound(grid, text)
    assert "from cell " + cell.label in text
    assert [m.end for m in lit(rest)] == [m.end for m in lit(whole)][-len(lit(rest)) :]
    burnt = {cell_at(grid, to_board(CO2, grid, move.start)).label for move in lit(rest)}
    assert burnt == {c.label for c in grid.cells if c.burn_order >= 7}
    first = min(grid.cells, key=lambda c: c.burn_order)
    everything = check(grid_program(grid, from_cell=first.label))
    assert sum(1 for _ in lit(everything)) < sum(1 for _ in lit(whole))


def test_resuming_from_an_unknown_cell_is_refused():
    with pytest.raises(InvalidRecord, match="from_cell is 'Q9'"):
        grid_program(make(), from_cell="Q9")


def test_programs_per_setting_burn_together_what_the_whole_one_burns():
    grid = make("cut", 12)
    parts = grid_program_per_setting(grid)
    assert list(parts) == list(file_keys(grid).values())
    moves = [lit(assert_sound(grid, text)) for text in parts.values()]
    for part in moves:
        assert len({(move.power, move.feed) for move in part}) == 1
    burnt = sorted((m.start, m.end, m.power, m.feed) for part in moves for m in part)
    whole = lit(check(grid_program(grid)))
    assert burnt == sorted((m.start, m.end, m.power, m.feed) for m in whole)


def test_the_frame_goes_round_the_board_with_the_beam_off():
    grid = make()
    report = assert_sound(grid, frame_program(grid))
    assert all(move.rapid and move.power == 0 for move in report.moves)
    width, height = grid.board_mm
    assert [move.end for move in report.moves] == [
        (0.0, 0.0),
        (width, 0.0),
        (width, height),
        (0.0, height),
        (0.0, 0.0),
    ]
    assert not {word for _, word in report.words} & {"M3", "M4", "G1"}


def test_the_frame_needs_no_power_word():
    machine = dataclasses.replace(CO2, power_word_full=None)
    assert check(frame_program(make(machine=machine))).errors == []


@pytest.mark.parametrize("write", [grid_program, grid_program_per_setting])
def test_without_the_full_power_word_there_is_no_program(write):
    machine = dataclasses.replace(CO2, power_word_full=None)
    with pytest.raises(MachineLimit, match="power_word_full of bench is None"):
        write(make(machine=machine))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"ceiling_pct": 60.0}, "power 70 % lies above the ceiling of bench, 60 %"),
        ({"max_speed_mm_s": 20.0}, "mm/s lies above the top speed of bench, 20 mm/s"),
        ({"offset_mm": (580.0, 0.0)}, "outside the bed of bench"),
        ({"bed_mm": (600.0, 30.0)}, r"outside the bed of bench \(600 x 30 mm"),
    ],
)
def test_a_crossed_limit_of_the_machine_is_refused(changes, message):
    grid = make("cut", 6)
    worse = dataclasses.replace(grid, machine=dataclasses.replace(CO2, **changes))
    with pytest.raises(MachineLimit, match=message):
        grid_program(worse)


def test_a_frame_outside_the_bed_is_refused():
    grid = make()
    outside = dataclasses.replace(CO2, offset_mm=(-1.0, 0.0))
    with pytest.raises(MachineLimit, match=r"X-1.000 Y0.000, outside the bed of bench \(600 x 400"):
        frame_program(dataclasses.replace(grid, machine=outside))


def test_run_ups_count_as_places_on_the_bed():
    grid = make("line_mark", 6)
    cell = dataclasses.replace(grid.cells[0], x_mm=0.0)
    edge = dataclasses.replace(grid, cells=(cell, *grid.cells[1:]))
    with pytest.raises(MachineLimit, match=r"would move to X-\d"):
        grid_program(edge)


def test_a_sheet_that_may_not_be_burnt_has_no_program():
    pvc = dataclasses.replace(make(), sheet=Sheet(name="x", material="PVC", thickness_mm=3.0))
    with pytest.raises(RefusedMaterial, match="PVC"):
        grid_program(pvc)


def test_cautions_and_the_plan_stand_in_comments():
    text = grid_program(make())
    joined = " ".join(comment for _, comment in check(text).comments)
    assert all(caution.replace(";", ",") in joined for caution in CAUTIONS)
    assert "cell A1: " in joined
    assert "S is power, 1000 at 100 pct" in joined


def test_names_cannot_break_out_of_a_comment():
    sheet = Sheet(name="birch) M3 S1000 (; % 木", material="MDF", thickness_mm=3.0)
    machine = dataclasses.replace(CO2, name="(MSG, stop! ~?\x7f")
    grid = make(machine=machine, sheet=sheet)
    text = grid_program(grid)
    assert_as_planned(grid, assert_sound(grid, text))
    assert "birch] M3 S1000 [, pct <6728>" in text
    body = text[1:].split("G21")[0]
    assert not set(";!~?%") & set(body)


def test_a_long_text_is_broken_into_short_comments():
    lines = comment_lines("word " * 100)
    assert all(len(line) <= 102 for line in lines)
    assert " ".join(line[1:-1] for line in lines) == ("word " * 100).strip()


def test_a_focus_program_stops_before_each_line():
    board = plan_focus(CO2, BIRCH)
    text = focus_program(board)
    report = check(text)
    assert report.errors == []
    stops = [line for line, word in report.words if word == "M0"]
    assert len(stops) == len(board.heights_mm) == 7
    messages = [comment for _, comment in report.comments if comment.startswith("MSG")]
    assert messages[0] == "MSG, set the focus height to -3.0 mm, then go on"
    between = list(zip(stops, [*stops[1:], 10**9], strict=True))
    lines = [[m for m in lit(report) if a < m.line < b] for a, b in between]
    assert [len(part) for part in lines] == [1] * 7
    assert [math.dist(p[0].start, p[0].end) for p in lines] == pytest.approx([30.0] * 7)


def test_focus_boards_that_make_no_sense_are_refused():
    with pytest.raises(InvalidRecord, match=r"heights_mm is \(1.0,\)"):
        plan_focus(CO2, BIRCH, heights_mm=(1.0,))
    with pytest.raises(InvalidRecord, match=r"heights_mm is \(1.0, 1.01\)"):
        plan_focus(CO2, BIRCH, heights_mm=(1.0, 1.01))
    with pytest.raises(BoardDoesNotFit, match="needs 71 x 69 mm: there are 60 x 60 mm"):
        plan_focus(CO2, BIRCH, offcut_mm=(60.0, 60.0))
    setting = Setting(power_pct=20.0, speed_mm_s=50.0)
    assert plan_focus(CO2, BIRCH, setting=setting).setting == setting


BROKEN = {
    "G21\nG90\nG94\nG17\nM5\nS0\nM2\n(x\n": "isn't closed",
    "G21\nG90\nG94\nG17\nM5\nS0\n": "no M2",
    "%\nG21\nM5\nS0\nM2\n": "one second % line",
    "%\nM5\nS0\nM2\n%\nG21\n": "text after the second %",
    "G21\n%\nM5\nS0\nM2\n": "in the middle",
    "(a (b))\nM5\nS0\nM2\n": "comment in a comment",
    "G21 ; units\nM5\nS0\nM2\n": "can't be read",
    "G1 X1e3 F100\nM5\nS0\nM2\n": "can't be read",
    "G1 X F100\nM5\nS0\nM2\n": "can't be read",
    "G21 G20\nM5\nS0\nM2\n": "one modal group",
    "G21\nG90\nG94\nG17\nM5\nG0 X1 X2\nS0\nM2\n": "X more than once",
    "G21\nG90\nG94\nG17\nM5\nG0\nS0\nM2\n": "without an axis word",
    "G21\nG90\nG94\nG17\nM5\nX1 Y1\nS0\nM2\n": "axis words without a G word",
    "G90\nG94\nG17\nM5\nG0 X1\nS0\nM2\n": "before G21",
    "G21\nG90\nG94\nG17\nM5\nG1 X1\nS0\nM2\n": "G1 without F",
    "G21\nG90\nG94\nG17\nM5\nG1 X1 F-5\nS0\nM2\n": "F must be above 0",
    "G21\nG90\nG94\nG17\nM5\nS-1\nS0\nM2\n": "S may not be negative",
    "G21\nG90\nG94\nG17\nM3 S0\nG0 X1\nM5\nS0\nM2\n": "travel with the beam on",
    "G21\nG90\nG94\nG17\nM5\nM8\nG0 X1\nS0\nM2\n": "without M5 just before",
    "M3 S5\nM5\nS0\nM2\n": "at rest with power",
    "M3 S0\nM0\nM5\nS0\nM2\n": "stop with the beam on",
    "M3 S0\nM2\n": "the end without M5",
    "M5\nS3\nM2\n": "the end without M5 and S0",
    "M5\nS0\nM2\nG21\n": "after the end",
    "M5\nS0\n(" + 256 * "x" + ")\nM2\n": "more than 256",
    "(größe)\nM5\nS0\nM2\n": "not ASCII",
    "G2 X1 Y1\nM5\nS0\nM2\n": "G2 isn't expected",
    "G21 N5\nM5\nS0\nM2\n": "a line number stands first",
}


@pytest.mark.parametrize("text", BROKEN)
def test_the_checker_finds_what_is_broken(text: str):
    assert any(BROKEN[text] in error for error in check(text).errors), check(text).errors


def test_the_checker_accepts_the_standards_odd_but_legal_lines():
    legal = "%\n/N12345 g2 1 (mm)\nG90\nG94\nG17\nm5\ng0 x+0. 12 y.5\nS0\nM2\n%\n"
    report = check(legal)
    assert report.errors == []
    assert report.moves[0].end == (0.12, 0.5)
