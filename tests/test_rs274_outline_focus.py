"""The program that goes round the board with the beam off, and the one that finds the focus."""

from __future__ import annotations

import dataclasses
import math

import pytest
from boards import BIRCH, CO2, make
from program_checks import assert_sound, lit
from rs274_checker import check

from calib.boards.focus import plan_focus
from calib.boards.rs274 import grid_program, outline_program
from calib.errors import BoardDoesNotFit, InvalidRecord
from calib.records import Setting


def test_the_frame_goes_round_the_board_with_the_beam_off():
    grid = make()
    report = assert_sound(grid, outline_program(grid))
    assert all(move.rapid and move.power == 0 for move in report.moves)
    width, height = grid.board_mm
    assert [move.end for move in report.moves] == [
        (0.0, 0.0),
        (width, 0.0),
        (width, height),
        (0.0, height),
        (0.0, 0.0),
        (0.0, 0.0),
    ]
    assert not {word for _, word in report.words} & {"M3", "M4", "G1"}


def test_the_frame_needs_no_power_word():
    machine = dataclasses.replace(CO2, power_word_full=None)
    assert check(outline_program(make(machine=machine))).errors == []


def test_a_focus_program_stops_before_each_line():
    board = plan_focus(CO2, BIRCH)
    text = grid_program(board)
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
