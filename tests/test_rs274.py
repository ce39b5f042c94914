"""The program, read by a strict checker of NIST IR 6556 and by a reader that is none of ours."""

from __future__ import annotations

import dataclasses
import math

import pytest
from boards import (
    CO2,
    DIODE,
    MACHINES,
    OPERATIONS,
    TUBE_40,
    TUBE_100,
    TWO_AIRS,
    make,
    setting_lists,
)
from boards import machines as any_machine
from boards import sheets as any_sheet
from hypothesis import given, settings
from hypothesis import strategies as st
from program_checks import as_standard, assert_as_planned, assert_sound, lit
from pygcode import Line
from pygcode.machine import Machine as ReadingMachine
from rs274_checker import check

from calib.boards.layout import lay_out
from calib.boards.rs274 import (
    comment_lines,
    grid_program,
    grid_program_per_setting,
    outline_program,
)
from calib.boards.trial import acceleration_of, moves_program, trial_program
from calib.errors import BoardDoesNotFit, InvalidRecord, MachineLimit
from calib.hazards import CAUTIONS
from calib.records import Machine, Sheet


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
    assert_sound(grid, outline_program(grid))


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


AIR = {"M7", "M8", "M9", "G4"}


@pytest.mark.parametrize(
    ("machine", "operation", "words"),
    [
        (TUBE_100, "cut", "M9 M8 G4 M9"),
        (TUBE_100, "line_mark", "M9 M8 G4 M9"),
        (TUBE_100, "area_mark", "M9 M8 G4 M9"),
        (TWO_AIRS, "cut", "M9 M7 G4 M8 G4 M9"),
        (TWO_AIRS, "line_mark", "M9 M7 G4 M9"),
        (TWO_AIRS, "area_mark", "M9 M7 G4 M9"),
    ],
)
def test_air_is_low_for_marks_full_for_cuts_waited_for_and_off_at_the_end(
    machine, operation, words
):
    grid = make(operation, 6, machine)
    text = grid_program(grid)
    report = assert_sound(grid, text)
    assert [word for _, word in report.words if word in AIR] == words.split()
    assert text.count("G4 P1\n") == words.count("G4")  # seconds: NIST IR 6556, 3.5.4
    head = " ".join(comment for _, comment in report.comments)
    assert "The program switches the air assist" in head
    assert all((word in head) == (word in words) for word in ("M7", "M8", "M9"))


def test_the_programs_of_one_setting_switch_the_air_too():
    for machine in (TUBE_100, TWO_AIRS):
        grid = make("cut", 6, machine)
        for text in grid_program_per_setting(grid).values():
            assert_sound(grid, text)


def test_air_that_a_program_leaves_on_is_said():
    machine = dataclasses.replace(TUBE_100, air_off_word="")
    text = grid_program(make("line_mark", 6, machine)).replace(")\n(", " ")
    assert "leaves it on: switch it off by hand" in text


@pytest.mark.parametrize(
    ("operation", "words"), [("cut", "hand: on for"), ("line_mark", "hand: low if")]
)
def test_a_machine_without_an_air_word_is_told_to_switch_it_by_hand(operation, words):
    grid = make(operation, 6, dataclasses.replace(CO2, air_off_word="M9"))
    text = grid_program(grid)
    assert words in text.replace(")\n(", " ")
    assert "M9" not in text


def test_a_board_that_was_planned_without_room_for_run_ups_is_refused():
    grid = make("line_mark", 1)
    near = dataclasses.replace(grid.cells[0], x_mm=1.0, speed_mm_s=140.0)
    with pytest.raises(MachineLimit, match=r"run-up of .* mm of cell A1 leaves the board"):
        grid_program(dataclasses.replace(grid, cells=(near,)))


def test_a_diodes_program_starts_from_its_own_defaults_and_says_what_the_controller_needs():
    plain = Machine(
        name="d", rated_w=10.0, source="diode", bed_mm=(400.0, 400.0), max_speed_mm_s=150.0,
        power_word_full=1000.0,
    )  # fmt: skip
    grid = make("line_mark", 6, plain)
    text = grid_program(grid)
    assert_as_planned(grid, assert_sound(grid, text))
    assert "\nM4 S0\n" in text
    assert "\nM3" not in text
    head = text.replace(")\n(", " ")
    assert "laser mode must be on before anything burns" in head
    assert "eyewear marked for the wavelength on its label" in head
    assert "tube" not in head


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
    assert "birch] M3 S1000 [, pct Mu" in text
    body = text[1:].split("G21")[0]
    assert not set(";!~?%") & set(body)


def test_a_long_text_is_broken_into_short_comments():
    lines = comment_lines(CO2, "word " * 100)
    assert all(len(line) <= 102 for line in lines)
    assert " ".join(line[1:-1] for line in lines) == ("word " * 100).strip()


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize(
    "traits",
    [
        {"percent_lines": True},
        {"comments_in": "semicolon"},
        {"path_word": "G64 P0.02"},
        {"pause_in": "ms", "air_wait_s": 2.5},
        {"beam_on_word": "M3 I"},
        {"beam_on_word": "M4 I", "comments_in": "semicolon", "path_word": "G61", "pause_in": "ms"},
    ],
    ids=lambda traits: " ".join(traits),
)
def test_what_a_controller_takes_is_written_for_it_and_nothing_else_changes(traits, operation):
    usual, special = TWO_AIRS, dataclasses.replace(TWO_AIRS, **traits)
    text = grid_program(make(operation, 6, special))
    plain = check(grid_program(make(operation, 6, usual)))
    found = assert_sound(make(operation, 6, special), text)
    assert_as_planned(make(operation, 6, special), found)
    moved = [(m.rapid, m.start, m.end, m.feed, m.power, m.air) for m in found.moves]
    assert moved == [(m.rapid, m.start, m.end, m.feed, m.power, m.air) for m in plain.moves]
    assert "laser mode must be on before anything burns" in text


def test_a_tube_is_warmed_first_and_a_diode_has_none():
    assert "Warm the tube first" in grid_program(make())
    assert "tube" not in grid_program(make(machine=DIODE)).lower()


@pytest.mark.parametrize("word", ["G5", "G64 P", "G61 P0.1", "G64 P-1", "G64\nM3"])
def test_a_word_for_corners_is_one_of_the_standard(word):
    with pytest.raises(InvalidRecord, match="path_word"):
        dataclasses.replace(CO2, path_word=word)


@pytest.mark.parametrize("machine", [*MACHINES, TWO_AIRS], ids=lambda machine: machine.name)
def test_a_trial_is_two_gentle_lines_the_second_with_air(machine):
    text = trial_program(machine)
    report = check(as_standard(machine, text))
    assert report.errors == []
    first, second = lit(report)
    for line in (first, second):
        assert math.dist(line.start, line.end) == pytest.approx(20.0)
        assert machine.beam_starts_pct < 100 * line.power / machine.power_word_full < 20.0
    assert not first.air
    assert second.air == ({machine.air_on_word} if machine.air_on_word else set())
    assert CAUTIONS[0] in text
    with pytest.raises(MachineLimit, match="S word at full power"):
        trial_program(dataclasses.replace(machine, power_word_full=None))


@pytest.mark.parametrize("machine", [*MACHINES, TWO_AIRS], ids=lambda machine: machine.name)
@pytest.mark.parametrize("acceleration", [400.0, 1500.0, 4000.0])
def test_timed_moves_tell_the_acceleration(machine, acceleration):
    """The moves of the program, timed by steps of a hundredth of a millisecond."""
    report = check(as_standard(machine, moves_program(machine)))
    assert report.errors == []
    assert all(move.power == 0 for move in report.moves)
    stops = [line for line, word in report.words if word == "M0"]
    assert len(stops) == 2
    times = []
    for first, last in zip(stops, [stops[1], 10**9], strict=True):
        moves = [m for m in report.moves if first < m.line < last and not m.rapid]
        assert len(moves) == 200
        assert {m.feed for m in moves} == {60.0 * machine.max_speed_mm_s}
        one = walked_s(math.dist(moves[-1].start, moves[-1].end), moves[0].feed / 60, acceleration)
        times.append(len(moves) * (one + 0.004))  # what a controller needs to think
    if machine.max_speed_mm_s**2 > 1.5 * acceleration:
        found = acceleration_of(machine, *times)
        assert found == pytest.approx(acceleration, rel=0.03)


def walked_s(way_mm: float, top_mm_s: float, acceleration: float) -> float:
    """Time of a move from rest to rest: faster while there is room to stop, then slower."""
    step, at, speed, time = 1e-5, 0.0, 0.0, 0.0
    while at < way_mm - 1e-9 and (speed > 0.0 or time == 0.0):
        brakes = speed * speed / (2.0 * acceleration) >= way_mm - at
        speed = (
            speed - acceleration * step if brakes else min(top_mm_s, speed + acceleration * step)
        )
        speed, time = max(speed, 0.0), time + step
        at += speed * step
    return time


def test_times_that_no_head_takes_are_refused():
    with pytest.raises(InvalidRecord, match="long_s is 10.0: give a time"):
        acceleration_of(CO2, 10.3, 10.0)
