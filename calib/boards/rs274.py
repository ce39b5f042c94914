"""The board as an RS-274/NGC style program: straight moves, beam off on every travel."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import replace

from calib.boards.board import Board, board_of
from calib.boards.frame import Frame, Point, frame_of
from calib.boards.layers import layers_of
from calib.boards.lettering import transliterate
from calib.boards.naming import file_cautions, setting_words
from calib.boards.strokes import Stroke
from calib.errors import InvalidRecord, MachineLimit
from calib.limits import check_settings
from calib.records import Air, Grid, Machine
from calib.texts.say import say

# NIST IR 6556 (2000), section 3.3, allows 256 characters a line; this is easier to read.
_COMMENT_WIDTH = 100
# Brackets would end a comment. The others mean something to some controllers and readers even
# inside one: the rest is a comment, pause, go on, report, end of the tape.
_IN_COMMENTS = str.maketrans(dict(zip("();!~?", "[],.-.", strict=True)) | {"%": "pct"})


def grid_program(planned: Grid | Board, *, from_cell: str | None = None) -> str:
    """Write the program that burns a board; it stops where something is to be set by hand.

    Raises MachineLimit when ``power_word_full`` isn't known, or a power, a speed or a place crosses
    what the machine record allows; InvalidRecord when no cell has the code ``from_cell``;
    RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    if from_cell is None:
        return _program(board, board.title)
    codes = [group.label for group in board.groups]
    if from_cell not in codes:
        raise InvalidRecord(say("boards.no_such_cell", from_cell=from_cell, codes=min(codes)))
    rest = replace(board, labels=(), groups=board.groups[codes.index(from_cell) :])
    return _program(rest, say("boards.from_cell_2", board=board, from_cell=from_cell))


def grid_program_per_setting(planned: Grid | Board) -> dict[str, str]:
    """Write one program per setting, for controllers where power and speed are set by hand.

    Raises MachineLimit, RefusedMaterial, DeclarationNeeded as for ``grid_program``.
    """
    board = board_of(planned)
    programs = {}
    for layer in layers_of(board):
        labels = board.labels if layer.setting == board.label_setting else ()
        groups = tuple(group for group in board.groups if group.setting == layer.setting)
        part = replace(board, labels=labels, groups=groups)
        programs[layer.key] = _program(part, say("boards.only", board=board, layer=layer))
    return programs


def outline_program(planned: Grid | Board) -> str:
    """Write a program that moves round the board's box with the beam off.

    Raises MachineLimit when the board's box isn't inside the bed.
    """
    board = board_of(planned)
    width, height = board.board_mm
    corners = ((0.0, height), (width, height), (width, 0.0), (0.0, 0.0), (0.0, height))
    frame = frame_of(board.machine, board.board_mm)
    moves = [line for at in corners for line in ("M5", f"G0 {_at(board.machine, frame, at)}")]
    return program(board.machine, moves, [say("boards.its_box_with_beam_off", board=board)])


def _program(board: Board, title: str) -> str:
    # The machine may have changed since the board was planned.
    check_settings(board.machine, board.settings)
    return program(board.machine, _body(board), _comments(board, title))


def program(machine: Machine, body: Iterable[str], comments: Iterable[str]) -> str:
    """Put head and end round the lines of a program."""
    around = ["%"] if machine.percent_lines else []
    path = [machine.path_word] if machine.path_word else []
    head = [line for text in comments for line in comment_lines(machine, text)]
    head += ["G21", "G90", "G94", "G17", *path, "M5", "S0"]
    # Air that is switched on by hand isn't switched off by a program.
    air_off = [machine.air_off_word] if machine.air_on_word and machine.air_off_word else []
    # The head doesn't stay over what was burnt last.
    away = f"G0 X{machine.offset_mm[0]:.3f} Y{machine.offset_mm[1]:.3f}"
    lines = [*around, *head, *air_off, *body, "M5", "S0", away, *air_off, "M2", *around]
    return "\n".join(lines) + "\n"


def comment_lines(machine: Machine, text: str) -> list[str]:
    """Turn a text into comment lines that the controller skips."""
    plain = transliterate(text).translate(_IN_COMMENTS)
    plain = "".join(sign for sign in plain if " " <= sign <= "~")
    lines = textwrap.wrap(plain, _COMMENT_WIDTH)
    return [f"; {line}" if machine.comments_in == "semicolon" else f"({line})" for line in lines]


def program_comments(machine: Machine, title: str) -> list[str]:
    """The head of every program: what it is, and what the controller must be set to."""
    corner = machine.origin.replace("_", " ")
    lines = [
        title,
        say("boards.is_power", power_word_full=machine.power_word_full or 0.0, machine=machine),
        say("boards.laser_mode_must_be_on"),
    ]
    if machine.power_follows_speed:
        lines.append(say("boards.controller_lowers_power"))
    if machine.source == "co2":
        lines.append(say("boards.warm_tube_on_scrap_first"))
    which = say("boards.away_from") if machine.y_up else "towards"
    zero = say("boards.zero_is_boards_corner", corner=corner, machine=machine, which=which)
    return [*lines, zero]


def _comments(board: Board, title: str) -> list[str]:
    cuts = any(stroke.kind == "cut" for stroke in board.strokes)
    machine = board.machine
    return [
        *program_comments(machine, title),
        _air_words(machine, board.air or ("on" if cuts else "low")),
        *file_cautions(board),
    ]


def _air_words(machine: Machine, air: Air) -> str:
    """Say what a program whose cells have an air does with the air assist."""
    on, low, off = machine.air_on_word, machine.air_low_word, machine.air_off_word
    if air == "off":
        return say("boards.air_assist_stays_off")
    if not on:
        by_hand = "on" if air == "on" else say("boards.low_if_it_can_be_turned")
        return say("boards.air_assist_is_switched_by_hand", by_hand=by_hand)
    if low:
        what = say("boards.to_low", low=low) + (
            say("boards.for_cells_to_full", on=on) if air == "on" else ""
        )
    else:
        what = say("boards.on_with_for_whole_board", on=on)
        what += "" if air == "on" else say("boards.turn_it_down_by_hand_if")
    end = say("boards.switches_it_off_with_at_end", off=off) if off else say("boards.leaves_it")
    return say("boards.program_switches_air_assist", machine=machine, what=what, end=end)


def air_lines(machine: Machine, air: Air) -> list[str]:
    """Lines that switch the air on, full or low, and wait until it blows; none for no air."""
    if air == "off":
        return []
    word = machine.air_on_word if air == "on" else machine.air_low_word or machine.air_on_word
    # NIST IR 6556, section 3.5.4: P of G4 is in seconds; some controllers count milliseconds.
    pause = machine.air_wait_s * (1000.0 if machine.pause_in == "ms" else 1.0)
    return [word, f"G4 P{pause:g}"] if word else []


def _body(board: Board) -> Iterator[str]:
    """Lines for the codes, then for each group, as often as it has passes, and the next group."""
    machine, frame = board.machine, frame_of(board.machine, board.board_mm)
    width, height = board.board_mm
    for stroke in board.strokes:
        # A board of an earlier version may have no room for them.
        for x, y in stroke.path if stroke.run_up_mm else ():
            if not (-1e-3 <= x <= width + 1e-3 and -1e-3 <= y <= height + 1e-3):
                raise MachineLimit(
                    say("boards.dark_run_up_of_of_cell", stroke=stroke, width=width, height=height)
                )
    air: list[str] = []
    if board.labels:
        # Codes are marks: they have no more air than that, and none on a board without.
        air = air_lines(machine, "off" if board.air == "off" else "low")
        yield from air
        yield from comment_lines(machine, f"codes: {setting_words(board.label_setting)}")
        yield "M5"
        for stroke in board.labels:
            yield from stroke_lines(machine, frame, stroke)
    for group in board.groups:
        wanted = air_lines(
            machine, board.air or ("on" if group.strokes[0].kind == "cut" else "low")
        )
        if air != wanted:
            yield from wanted
            air = wanted
        yield from comment_lines(machine, f"{group.name}: {setting_words(group.setting)}")
        if group.by_hand:
            # NIST IR 6556, section 3.3.4: a comment that begins so is shown to the operator.
            yield from comment_lines(machine, say("boards.msg_then_go", group=group))
            yield "M0"
        yield "M5"
        lines = [line for part in group.strokes for line in stroke_lines(machine, frame, part)]
        for _ in range(group.setting.passes):
            yield from lines


def stroke_lines(machine: Machine, frame: Frame, stroke: Stroke) -> Iterator[str]:
    """One stroke: travel, beam on at no power, run-up, burn, run-out, beam off."""
    if machine.power_word_full is None:
        raise MachineLimit(
            say("boards.word_at_full_power_of_isnt", machine=machine),
            ask="power_word_full",
        )
    setting = stroke.setting
    power = f"S{_cut_off(machine.power_word_full * setting.power_pct / 100.0, 1e-6)}"
    feed = f"F{_cut_off(setting.speed_mm_s * 60.0, 1e-3)}"
    start, *rest = (_at(machine, frame, point) for point in stroke.path)
    yield f"G0 {start}"
    yield f"{machine.beam_on_word} S0"
    if not stroke.run_up_mm:
        yield f"G1 {rest[0]} {feed} {power}"
        yield from (f"G1 {point}" for point in rest[1:])
    else:
        # One motion: dark to the mark's start, lit to its end, dark while the head slows down.
        yield f"G1 {rest[0]} {feed} S0"
        yield f"G1 {rest[1]} {power}"
        yield from (f"G1 {point}" for point in rest[2:-1])
        yield f"G1 {rest[-1]} S0"
    yield "M5"


def _at(machine: Machine, frame: Frame, point: Point) -> str:
    x, y = frame.point(point)
    if not frame.holds((x, y)):
        raise MachineLimit(
            say(
                "boards.program_would_move_to_y",
                x=x,
                y=y,
                machine=machine,
                origin=machine.origin.replace("_", " "),
            )
        )
    return f"X{x:.3f} Y{y:.3f}"


def _cut_off(value: float, noise: float) -> str:
    """Three decimals at most, cut, not rounded: the last must not lift it over a limit."""
    return f"{math.floor(value * 1000.0 + noise) / 1000.0:.3f}".rstrip("0").rstrip(".")
