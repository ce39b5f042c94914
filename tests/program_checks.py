"""What must hold of any program of a board, and what its lit moves burn where."""

from __future__ import annotations

import math
from itertools import groupby

import pytest
from rs274_checker import Move, Report, check

from calib.boards.board import Board, board_of
from calib.records import COUPON_CUT_MM, Cell, Grid, Machine


def lit(report: Report) -> list[Move]:
    return [move for move in report.moves if move.power > 0]


def to_board(
    machine: Machine, grid: Grid | Board, point: tuple[float, float]
) -> tuple[float, float]:
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


def as_standard(machine: Machine, text: str) -> str:
    """The program as the standard has it; what a trait of the controller says holds throughout."""
    lines = []
    percents = [line for line in text.splitlines() if line == "%"]
    assert len(percents) == (2 if machine.percent_lines else 0)
    paths = [line for line in text.splitlines() if line.startswith(("G61", "G64"))]
    assert paths == ([machine.path_word] if machine.path_word else [])
    for line in text.splitlines():
        code, sign, comment = line.partition(";" if machine.comments_in == "semicolon" else "(")
        assert not set(code) & set("();")
        assert not (sign and code.strip())
        if sign == ";":
            lines.append(f"({comment.strip()})")
        elif code.startswith("G4 P"):
            wait = float(code.removeprefix("G4 P")) / (1000.0 if machine.pause_in == "ms" else 1.0)
            assert wait == machine.air_wait_s
            lines.append(f"G4 P{wait:g}")
        elif code.startswith(("M3", "M4")):
            assert code == f"{machine.beam_on_word} S0"
            lines.append(code.replace(" I", ""))
        elif line not in paths:
            lines.append(line)
    return "\n".join(lines) + "\n"


def assert_sound(grid: Grid | Board, text: str) -> Report:
    """Everything that must hold of any program of a board."""
    report = check(as_standard(grid.machine, text))
    assert report.errors == []
    machine = grid.machine
    # At the end the head stands at the board's corner, the beam off.
    assert report.moves[-1].rapid
    assert report.moves[-1].end == machine.offset_mm
    assert_air(machine, grid, report)
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


def assert_air(machine: Machine, planned: Grid | Board, report: Report) -> None:
    """Full air for cuts, low air for marks and codes where there is one; off before and after.

    Cells of a board that is planned with another air have that; without air nothing blows.
    """
    board = board_of(planned)
    full_air = [g for g in board.groups if (board.air or g.strokes[0].kind) in ("on", "cut")]
    settings = {(g.setting.power_pct, g.setting.speed_mm_s) for g in full_air}
    full = machine.power_word_full
    words = [(full * pct / 100, 60 * speed) for pct, speed in settings]
    for move in lit(report):
        cuts = any((move.power, move.feed) == pytest.approx(pair, abs=2e-3) for pair in words)
        if not machine.air_on_word or board.air == "off":
            assert not move.air
        elif cuts or not machine.air_low_word:
            assert machine.air_on_word in move.air
        else:
            assert move.air == {machine.air_low_word}
    blown = [word for _, word in report.words if word in {"M7", "M8", "M9"}]
    if not machine.air_on_word:
        assert blown == []  # air switched by hand stays on
    elif machine.air_off_word:
        assert blown[0] == blown[-1] == "M9"
        assert not report.air_at_end


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
    strokes = [stroke for stroke in board_of(grid).strokes if stroke.kind != "label"]
    for cell in ordered:
        burnt = sum(row[1] for row in found if row[0] == cell.label)
        drawn = sum(stroke.length_mm for stroke in strokes if stroke.cell == cell.label)
        assert burnt == pytest.approx(drawn * cell.passes, rel=1e-3)
        if grid.operation == "cut":
            assert burnt == pytest.approx(COUPON_CUT_MM * cell.passes, rel=1e-3)
