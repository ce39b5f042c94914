"""A comb board as a drawing and as a program."""

from __future__ import annotations

from collections.abc import Iterator

from calib.boards.colours import colour_at
from calib.boards.comb import CombBoard
from calib.boards.frame import frame_of
from calib.boards.naming import file_cautions, setting_words
from calib.boards.rs274 import (
    air_lines,
    air_words,
    box_lines,
    comment_lines,
    program,
    stroke_lines,
)
from calib.boards.strokes import Stroke
from calib.boards.svg import Group, drawing


def _title(board: CombBoard) -> str:
    return (
        f"Comb board {board.board_id} for {board.machine.name} on {board.sheet.name}: cut at"
        f" {setting_words(board.setting)}, {board.board_mm[0]:g} x {board.board_mm[1]:g} mm"
    )


def _how(board: CombBoard) -> list[str]:
    return [
        f"Slots S are tried with stock of {board.stock_mm:g} mm"
        + (", tongues T across in the slot of the gauge G." if board.gauge else "."),
        *file_cautions(board.machine, board.sheet, "cut", board.notes),
    ]


def comb_svg(board: CombBoard) -> str:
    """Draw a comb board.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    labels = tuple(stroke for stroke in board.strokes if stroke.kind == "label")
    groups = [
        Group(
            id="codes",
            title=f"codes: {setting_words(board.label_setting)}",
            colour=colour_at(0.0),
            strokes=labels,
        ),
        Group(
            id="setting-01",
            title=setting_words(board.setting),
            colour=colour_at(1.0),
            strokes=_cuts(board),
        ),
    ]
    return drawing(_title(board), "\n".join(_how(board)), board.board_mm, groups)


def comb_program(board: CombBoard) -> str:
    """Write the program that burns a comb board.

    Raises MachineLimit as for ``grid_program``; RefusedMaterial, DeclarationNeeded when the sheet
    may not be burnt.
    """
    comments = [_title(board), air_words(board.machine, cuts=True), *_how(board)]
    return program(board.machine, _body(board), comments)


def comb_frame_program(board: CombBoard) -> str:
    """Write a program that moves round a comb board's box with the beam off.

    Raises MachineLimit as for ``frame_program``.
    """
    body = box_lines(board.machine, board.board_mm)
    return program(board.machine, body, [f"{_title(board)}: its box with the beam off"])


def _body(board: CombBoard) -> Iterator[str]:
    frame = frame_of(board.machine, board.board_mm)
    codes, cuts = (air_lines(board.machine, cut=cut) for cut in (False, True))
    yield from codes
    yield from comment_lines(f"codes: {setting_words(board.label_setting)}")
    yield "M5"
    for stroke in board.strokes:
        if stroke.kind == "label":
            yield from stroke_lines(board.machine, frame, stroke)
    if cuts != codes:
        yield from cuts
    for stroke in _cuts(board):
        yield from comment_lines(f"{stroke.cell}: {setting_words(stroke.setting)}")
        yield "M5"
        lines = list(stroke_lines(board.machine, frame, stroke))
        for _ in range(stroke.setting.passes):
            yield from lines


def _cuts(board: CombBoard) -> tuple[Stroke, ...]:
    return tuple(stroke for stroke in board.strokes if stroke.kind == "cut")
