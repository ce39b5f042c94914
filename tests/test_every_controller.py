"""Every kind of board for every kind of controller, read by interpreters that are none of ours.

The program is followed by a reader written from NIST IR 6556, the drawing by lxml and svgelements,
the DXF by ezdxf; whatever is lit must lie on a drawn line, at its setting, as often as it has
passes, and nothing else.
"""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from itertools import groupby

import pytest
from boards import BIRCH, CO2, DIODE, OPERATIONS, make, stair
from program_checks import assert_sound, lit, to_board
from shapely.geometry import LineString, MultiLineString
from shapely.ops import unary_union
from test_colours import rgb_of, rounded
from test_dxf import assert_same_geometry, lines_of_svg
from test_proof import proof
from test_svg import assert_valid

from calib.boards.board import Board, board_of
from calib.boards.comb import plan_comb
from calib.boards.focus import plan_focus
from calib.boards.layers import layers_of
from calib.boards.rs274 import grid_program
from calib.boards.svg import grid_svg
from calib.limits import snap_setting
from calib.records import Grid, Machine

TRAITS = {
    "plain": CO2,
    "diode": DIODE,
    "inline": dataclasses.replace(DIODE, beam_on_word="M4 I", comments_in="semicolon"),
    "exact": dataclasses.replace(
        CO2, beam_on_word="M3 I", path_word="G61", percent_lines=True, pause_in="ms",
        air_on_word="M8", air_off_word="M9", air_wait_s=2.5,
    ),
    "two airs": dataclasses.replace(
        CO2, power_word_full=255.0, path_word="G64 P0.02", air_on_word="M8", air_low_word="M7",
        origin="upper_right", y_up=False, offset_mm=(-4.0, 3.0), acceleration_mm_s2=None,
    ),
    "stays on": dataclasses.replace(
        CO2, power_word_full=1.0, air_on_word="M7", comments_in="semicolon", origin="lower_right",
        offset_mm=(-2.5, 1.5), area_both_ways=False,
    ),
}  # fmt: skip
KINDS = {
    **{operation: lambda machine, op=operation: make(op, 6, machine) for operation in OPERATIONS},
    "stair": stair,
    "joint": lambda machine: plan_comb(
        machine, BIRCH, snap_setting(machine, 60.0, 12.0), stock_mm=3.0, slots=5, tongues=5
    ),
    "focus": lambda machine: plan_focus(machine, BIRCH),
    "proof": proof,
}


def word(machine: Machine, value: float, what: str) -> float:
    """A setting's power or speed as a program says it, three decimals at most."""
    full = machine.power_word_full
    exact = full * value / 100.0 if what == "power" else 60.0 * value
    return math.floor(exact * 1000.0 + 1e-3) / 1000.0


AIRS = {
    f"{kind}, air {air}": lambda machine, kind=kind, air=air: dataclasses.replace(
        KINDS[kind](machine), air=air
    )
    for kind in (*OPERATIONS, "stair")
    for air in ("on", "low", "off")
}


@pytest.mark.parametrize("kind", [*KINDS, *AIRS])
@pytest.mark.parametrize("traits", TRAITS)
def test_what_is_lit_is_what_is_drawn_and_nothing_else(traits: str, kind: str) -> None:
    machine = TRAITS[traits]
    planned: Grid | Board = (KINDS | AIRS)[kind](machine)
    board, text = board_of(planned), grid_svg(planned)
    assert_valid(text)
    assert_same_geometry(planned)
    report = assert_sound(board, grid_program(planned))
    # Colours: none twice, nor once rounded to the sixteen basic ones.
    layers = layers_of(planned)
    colours = tuple(layer.colour for layer in layers)[:8]
    assert len(set(rounded(rgb_of(colours)))) == len(colours)
    # Each lit move lies on a line of the group that has its setting.
    burnt: dict[tuple[float, float], list[LineString]] = defaultdict(list)
    for move in lit(report):
        ends = [to_board(machine, board, point) for point in (move.start, move.end)]
        burnt[round(move.power, 3), round(move.feed, 3)].append(LineString(ends))
    drawn: dict[tuple[float, float], list[tuple[LineString, int]]] = defaultdict(list)
    for layer, lines in zip(layers, lines_of_svg(text).values(), strict=True):
        setting = layer.setting
        key = word(machine, setting.power_pct, "power"), word(machine, setting.speed_mm_s, "speed")
        drawn[key] += [(LineString(line), setting.passes) for line in lines]
    assert burnt.keys() == drawn.keys()
    for key, lines in burnt.items():
        there = unary_union(MultiLineString([line for line, _ in drawn[key]]).buffer(2e-3))
        assert all(there.covers(line) for line in lines)
        length = sum(line.length * passes for line, passes in drawn[key])
        assert sum(line.length for line in lines) == pytest.approx(length, rel=1e-3)
    # One group after the other, in the order of the board.
    settings = [
        (word(machine, s.power_pct, "power"), word(machine, s.speed_mm_s, "speed"))
        for s in (board.label_setting, *(group.setting for group in board.groups))
    ]
    order = [key for key, _ in groupby((round(m.power, 3), round(m.feed, 3)) for m in lit(report))]
    assert order == [key for key, _ in groupby(settings)]
    stops = [place for place, said in report.words if said == "M0"]
    assert len(stops) == (len(board.groups) if kind == "focus" else 0)
