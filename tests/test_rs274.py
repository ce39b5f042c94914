"""The program, read by a strict checker of NIST IR 6556 and by a reader that is none of ours."""

from __future__ import annotations

import dataclasses
import math

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
    make,
    setting_lists,
)
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import given, settings
from hypothesis import strategies as st
from program_checks import assert_as_planned, assert_sound, lit
from pygcode import Line
from pygcode.machine import Machine as ReadingMachine
from rs274_checker import check

from calib.errors import BoardDoesNotFit, MachineLimit
from calib.grid.layout import lay_out
from calib.grid.rs274 import comment_lines, frame_program, grid_program
from calib.hazards import CAUTIONS
from calib.records import Sheet


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
