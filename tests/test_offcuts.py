"""What is at hand decides: fewer burns, slower marks, or several pieces; told before burning."""

from __future__ import annotations

import dataclasses
import functools
import math
import re

import pytest
from boards import BIRCH, CO2, DIODE
from rs274_checker import check
from shell import BIRCH as BIRCH_WORDS
from shell import MACHINE, Shell, cut_cleanly, mark_clearly

from calib.boards.places import fastest_that_fits_mm_s, lit_mm
from calib.errors import BoardDoesNotFit, InvalidRecord, RefusedMaterial
from calib.fit.fitting import region_from
from calib.fit.priors import expected_priors
from calib.fit.region import Region
from calib.physics import run_up_mm
from calib.records import Grid, Machine, Operation, Sheet
from calib.tasks.library import plan_grid, plan_grids, plan_on_region
from calib.tasks.wishes import BoardWish


@functools.cache
def region(machine: Machine, operation: Operation) -> Region:
    """What is expected of birch; made once, and without char, for it takes most of the time."""
    priors = dataclasses.replace(expected_priors(machine, BIRCH, operation), char=None)
    return region_from(machine, BIRCH, operation, (), priors)


def plan(machine: Machine, operation: Operation, burns: int, offcut: tuple[float, float]) -> Grid:
    return plan_on_region(region(machine, operation), BoardWish(burns=burns, offcut_mm=offcut))[0]


@pytest.mark.parametrize(
    ("machine", "operation", "offcut"),
    [
        (CO2, "cut", (100.0, 80.0)),
        (CO2, "line_mark", (60.0, 70.0)),
        (CO2, "line_mark", (44.0, 90.0)),
        (DIODE, "area_mark", (55.0, 60.0)),
    ],
    ids=["cut", "line", "narrow", "area"],
)
def test_fewer_burns_are_as_many_as_are_really_planned(machine, operation, offcut):
    grid = plan(machine, operation, 14, offcut)
    fits = len(grid.cells)
    assert 1 <= fits < 14
    assert any(f"14 burns were asked for; {fits} fit the board" in note for note in grid.notes)
    asked = plan(machine, operation, fits, offcut)
    assert asked.cells == grid.cells
    assert not any("were asked for" in note for note in asked.notes)
    assert len(plan(machine, operation, fits + 1, offcut).cells) == fits


def test_a_narrow_board_is_planned_with_slower_marks_instead_of_refused():
    wide = plan(CO2, "line_mark", 6, (150.0, 60.0))
    narrow = plan(CO2, "line_mark", 6, (42.0, 150.0))
    limit = fastest_that_fits_mm_s(CO2, "line_mark", 5.0, 42.0)
    assert max(cell.speed_mm_s for cell in narrow.cells) == limit
    assert limit < max(cell.speed_mm_s for cell in wide.cells)
    # The fastest that fits does, and one step more doesn't.
    for speed, fits in ((limit, True), (limit + CO2.speed_step_mm_s, False)):
        width = lit_mm("line_mark", speed) + 2 * (5.0 + run_up_mm(speed, 3000.0))
        assert (width <= 42.0) == fits


@pytest.mark.parametrize("offcuts", [[(100.0, 80.0)], [(100.0, 80.0), (60.0, 45.0), (150.0, 90.0)]])
def test_a_round_is_split_over_the_pieces_at_hand(offcuts):
    grids = plan_grids(CO2, BIRCH, "cut", 14, offcuts_mm=offcuts, round=2)
    sizes = [grid.board_mm for grid in grids]
    assert sizes == (offcuts * 2 if len(offcuts) == 1 else offcuts)
    labels = [cell.label for grid in grids for cell in grid.cells]
    assert len(labels) == len(set(labels)) == 14
    one = plan_grid(CO2, BIRCH, "cut", 14, round=2)
    assert sorted(str(c.setting) for g in grids for c in g.cells) == sorted(
        str(cell.setting) for cell in one.cells
    )
    for grid in grids:
        assert grid.round == 2
        note = next(note for note in grid.notes if note.startswith("One round on"))
        assert all(other.board_id in note for other in grids)
    assert plan_grids(CO2, BIRCH, "cut", 14, offcuts_mm=offcuts, round=2) == grids


def test_a_split_round_refuses_what_one_board_refuses():
    with pytest.raises(InvalidRecord, match=r"offcuts_mm is \[\]"):
        plan_grids(CO2, BIRCH, offcuts_mm=[])
    with pytest.raises(BoardDoesNotFit, match="0 would"):
        plan_grids(CO2, BIRCH, offcuts_mm=[(20.0, 20.0)])
    pvc = Sheet(name="x", material="PVC", thickness_mm=3.0)
    with pytest.raises(RefusedMaterial, match="PVC"):
        plan_grids(CO2, pvc, offcuts_mm=[(100.0, 80.0)])


def test_at_the_command_line_a_round_on_two_pieces_is_stored_read_and_built_upon(shell: Shell):
    for words in (MACHINE, BIRCH_WORDS):
        shell.run(*words)
    pieces = ("--offcut", "75x70", "--more-offcuts", "60x45")
    boards = shell.json("plan", "--burns", "6", *pieces, "--into", "boards")["boards"]
    assert [len(board["grid"]["cells"]) for board in boards] == [4, 2]
    assert {board["grid"]["round"] for board in boards} == {1}
    for board in boards:
        code = board["grid"]["board_id"]
        assert (shell.folder / "boards" / f"{code}.svg").exists()
        assert 10 < board["board_time_s"] < 300
        assert 0.5 < board["waste_share"] < 0.9
        assert 0 < board["taken_mm2"] <= 75 * 70
        shell.burn(board["grid"], cut_cleanly)
    text = shell.text("plan", "--burns", "8", "--offcut", "75x70", "--split")
    assert text.startswith("One round of 8 cells on 2 boards.")
    assert text.count("It rests on 6 burns") == 2
    assert text.count(", round 2: ") == 2
    waste = r"Sheet: 47 of 52 cm² taken, 78 % of it waste \(gaps, margins, title\)\."
    assert len(re.findall(rf"4 cells, about \d+ s\. .*\n{waste}", text)) == 2


def test_an_area_mark_is_planned_drawn_and_read(shell: Shell):
    shell.run(*MACHINE)
    shell.run(*BIRCH_WORDS)
    words = ("plan", "--operation", "area_mark", "--burns", "4", "--line-pitch", "0.25 mm")
    planned = shell.json(*words, "--into", "area")
    grid = planned["grid"]
    assert {cell["line_pitch_mm"] for cell in grid["cells"]} == {0.25}
    report = check((shell.folder / "area" / f"{grid['board_id']}.nc").read_text())
    assert report.errors == []
    codes = grid["label_setting"]
    marks = [
        move for move in report.moves if move.power > 0 and move.power != 10 * codes["power_pct"]
    ]
    # 8 mm high at 0.25 mm: 33 lines a cell, each 14 mm long, next to each other at the pitch.
    assert len(marks) == 4 * 33
    assert {move.end[0] > move.start[0] for move in marks} == {True, False}
    for cell in grid["cells"]:
        own = [m for m in marks if m.feed == pytest.approx(60 * cell["speed_mm_s"])]
        ys = sorted({m.start[1] for m in own if m.power == 10 * cell["power_pct"]})
        gaps = [b - a for a, b in zip(ys, ys[1:], strict=False)]
        assert min(gaps) == pytest.approx(0.25, abs=2e-3)
        run_up = run_up_mm(cell["speed_mm_s"], 3000.0)
        dark = [m for m in report.moves if not m.rapid and m.power == 0 and m.feed == own[0].feed]
        assert len(dark) >= 2 * 33
        assert all(abs(math.dist(m.start, m.end) - run_up) < 2e-3 for m in dark)
    shell.burn(grid, mark_clearly)
    assert shell.json("plan", "--operation", "area_mark", "--burns", "3")["burns_before"] == 4
