"""The DXF drawing, read by ezdxf, which is none of ours, and laid over the SVG."""

from __future__ import annotations

import dataclasses
import io

import ezdxf
import numpy as np
import pytest
from boards import BIRCH, CO2, OPERATIONS, make, stair
from ezdxf.document import Drawing
from lxml import etree
from svgelements import Path
from test_svg import assert_valid

from calib.boards.board import Board
from calib.boards.comb import plan_comb
from calib.boards.dxf import grid_dxf
from calib.boards.focus import plan_focus
from calib.boards.layers import layers_of
from calib.boards.svg import grid_svg
from calib.errors import RefusedMaterial
from calib.hazards import CAUTIONS
from calib.records import Grid, Setting, Sheet

BOARDS = {
    **{operation: make(operation, 12) for operation in OPERATIONS},
    "focus": plan_focus(CO2, BIRCH),
    "stair": stair(CO2, BIRCH),
    "comb": plan_comb(CO2, BIRCH, Setting(power_pct=60.0, speed_mm_s=12.0), stock_mm=3.0),
}


def read(text: str) -> Drawing:
    found = ezdxf.read(io.StringIO(text))
    assert found.audit().errors == []
    return found


def lines_of_svg(text: str) -> dict[int, list[np.ndarray]]:
    """Corners of every line by its group's place, in the drawing's own units."""
    lines: dict[int, list[np.ndarray]] = {}
    for number, group in enumerate(etree.fromstring(text.encode()).iter("{*}g")):
        for path in group.iter("{*}path"):
            for part in Path(path.get("d")).as_subpaths():
                points = [(p.end.x, p.end.y) for p in Path(part) if p.end is not None]
                lines.setdefault(number, []).append(np.array(points))
    return lines


def assert_same_geometry(board: Grid | Board, *, piece_edge: bool = False) -> None:
    """The lines of the DXF are those of the SVG within a micrometre, in millimetres."""
    found, height = read(grid_dxf(board, piece_edge=piece_edge)), board.board_mm[1]
    assert (found.dxfversion, found.units) == ("AC1009", ezdxf.units.MM)
    names = [layer.dxf.name for layer in found.layers if layer.dxf.name not in {"0", "Defpoints"}]
    expected = lines_of_svg(grid_svg(board, piece_edge=piece_edge))
    assert len(names) == len(expected) == len(layers_of(board)) + piece_edge
    for number, name in enumerate(names):
        drawn = found.modelspace().query(f'POLYLINE[layer=="{name}"]')
        assert len(drawn) == len(expected[number])
        for line, wanted in zip(drawn, expected[number], strict=True):
            points = np.array([
                (v.dxf.location.x, height - v.dxf.location.y) for v in line.vertices
            ])
            if line.is_closed:
                points = np.vstack([points, points[:1]])
            assert points == pytest.approx(wanted, abs=1e-3)


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
def test_geometry_is_that_of_the_svg_within_a_micrometre(board: Grid | Board) -> None:
    assert_same_geometry(board)


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
def test_the_edge_of_the_piece_is_drawn_on_wish_in_a_layer_that_says_so(board) -> None:
    assert_same_geometry(board, piece_edge=True)
    found = read(grid_dxf(board, piece_edge=True))
    (edge,) = found.modelspace().query('POLYLINE[layer=="EDGE_NOT_BURNT"]')
    corners = {(v.dxf.location.x, v.dxf.location.y) for v in edge.vertices}
    width, height = board.board_mm
    assert corners == {(0, 0), (width, 0), (width, height), (0, height)}
    assert "EDGE_NOT_BURNT" not in grid_dxf(board)
    group = etree.fromstring(grid_svg(board, piece_edge=True).encode()).find("{*}g[@id='edge']")
    assert "isn't burnt" in group.findtext("{*}title")
    assert_valid(grid_svg(board, piece_edge=True))


def test_own_colours_get_the_nearest_named_number() -> None:
    machine = dataclasses.replace(CO2, colours=("#ff2010", "#1010f0", "#20f020"))
    found = read(grid_dxf(make(machine=machine)))
    layers = [layer for layer in found.layers if layer.dxf.name not in {"0", "Defpoints"}]
    assert [layer.color for layer in layers][:3] == [1, 5, 3]


def test_layers_are_named_by_their_settings_in_letters_that_old_readers_take() -> None:
    grid = make("area_mark", 12)
    text = grid_dxf(grid)
    for layer in read(text).layers:
        assert len(layer.dxf.name) <= 31
        assert all(sign.isascii() and (sign.isalnum() or sign in "$-_") for sign in layer.dxf.name)
    first = layers_of(grid)[1]
    name = first.key.replace(".", "_")
    assert f"{first.setting.power_pct:g}pct-{first.setting.speed_mm_s:g}".replace(".", "_") in name
    assert f"999\n{name}: {first.title}\n" in text


def test_cautions_travel_in_it_and_a_refused_sheet_has_none() -> None:
    grid = make()
    text = grid_dxf(grid)
    assert all(caution in text for caution in CAUTIONS)
    assert all(len(line) <= 255 and line.isascii() for line in text.split("\n"))
    pvc = Sheet(name="x", material="PVC", thickness_mm=3.0)
    with pytest.raises(RefusedMaterial, match="PVC"):
        grid_dxf(dataclasses.replace(grid, sheet=pvc))
