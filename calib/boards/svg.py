"""The board as an SVG 1.1 drawing in millimetres: paths only, one group per setting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any
from xml.etree.ElementTree import indent, tostring

import svgwrite

from calib.boards.board import Board, board_of
from calib.boards.layers import Layer, drawings_of, edge_colour_of, layers_of, palette_of
from calib.boards.naming import file_cautions, setting_words
from calib.boards.strokes import Stroke
from calib.errors import InvalidRecord
from calib.records import Grid, Setting
from calib.texts.say import say

# A thousandth of an inch: programs that cut nothing but hairlines take it (common practice, no
# source). Looks only: the path is the geometry.
_STROKE_WIDTH = "0.025"
_ORDER = say("boards.burn_groups_in_their_order")


def grid_svg(
    planned: Grid | Board,
    *,
    part: Setting | None = None,
    piece_edge: bool = False,
    filled: bool = False,
) -> str:
    """Draw a board, with the edge of the piece where it is wished for; ``filled``, its areas as
    shapes, for programs that rule the lines themselves.

    Raises InvalidRecord when no cell and no code has the setting ``part``; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    layers = [layer for layer in layers_of(board) if part in (None, layer.setting)]
    if part is not None and not layers:
        raise InvalidRecord(say("boards.part_is_give_one_of_boards", setting=setting_words(part)))
    return _drawing(board, layers, piece_edge, filled=filled)


def grid_svg_per_setting(planned: Grid | Board, *, piece_edge: bool = False) -> dict[str, str]:
    """Draw a board as one drawing per setting, for software that can't tell colours apart.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    return {layer.key: _drawing(board, [layer], piece_edge) for layer in layers_of(board)}


def grid_svg_in_parts(planned: Grid | Board, *, piece_edge: bool = False) -> dict[str, str]:
    """Draw a board of more settings than colours in parts; none for a smaller board.

    More colours than that aren't told apart by eyes or programs.
    """
    board = board_of(planned)
    layers, count, most = layers_of(board), drawings_of(board), len(palette_of(board.machine))
    return {
        f"{n}of{count}": _drawing(board, layers[(n - 1) * most : n * most], piece_edge, part=True)
        for n in range(1, count + 1)
        if count > 1
    }


def _drawing(
    board: Board,
    layers: Sequence[Layer],
    piece_edge: bool,
    *,
    filled: bool = False,
    part: bool = False,
) -> str:
    width, height = (f"{length:.3f}" for length in board.board_mm)
    canvas = svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}", debug=False
    )
    how = (_ORDER, say("boards.rule_areas_yourself")) if filled else (_ORDER,)
    canvas.set_desc(title=board.title, desc="\n".join((*how, *file_cautions(board))))

    def grouped(name: str, colour: str, title: str) -> Any:
        group = canvas.g(
            id=name,
            fill="none",
            stroke=colour,
            stroke_width=_STROKE_WIDTH,
            stroke_linecap="round",
            stroke_linejoin="round",
        )
        group.set_desc(title=title)
        return group

    if piece_edge:
        nil = "0.000"
        group = grouped("edge", edge_colour_of(board.machine), say("boards.edge_isnt_burnt"))
        group.add(
            canvas.path(
                d=f"M{nil} {nil} L{width} {nil} L{width} {height} L{nil} {height} Z", id="piece"
            )
        )
        canvas.add(group)
    for layer in layers:
        name = f"setting-{layer.number:02d}" if layer.number else "codes"
        colour = layer.colour_in_part if part else layer.colour
        group = grouped(name, colour, layer.title)
        # One path per cell, per code and for the head.
        for (kind, cell), strokes in groupby(layer.strokes, lambda s: (s.kind, s.cell)):
            name = f"cell-{cell}" if kind != "label" else f"code-{cell}" if cell else "head"
            if filled and kind == "mark":
                group.add(canvas.path(d=_around(list(strokes)), id=name, fill=colour))
            else:
                group.add(canvas.path(d=" ".join(map(path_data, strokes)), id=name))
        canvas.add(group)
    root = canvas.get_xml()
    # svgwrite declares two namespaces that nothing here uses and the SVG 1.1 DTD doesn't know, and
    # writes an empty list of definitions.
    for attribute in ("xmlns:ev", "xmlns:xlink", "baseProfile"):
        root.attrib.pop(attribute, None)
    for definitions in root.findall("defs"):
        root.remove(definitions)
    indent(root, space=" ")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(root, encoding="unicode")}\n'


def _around(lines: Sequence[Stroke]) -> str:
    """An area as one shape, half a line pitch beyond its first and its last line."""
    x, y = zip(*(point for line in lines for point in line.points), strict=True)
    beyond = 0.5 * (lines[0].setting.line_pitch_mm or 0.0)
    (left, right), (top, bottom) = (min(x), max(x)), (min(y) - beyond, max(y) + beyond)
    corners = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    return path_data(replace(lines[0], points=corners, closed=True))


def path_data(stroke: Stroke) -> str:
    """Write a stroke as SVG path data.

    Examples
    --------
    >>> setting = Setting(power_pct=20.0, speed_mm_s=100.0)
    >>> path_data(Stroke(kind="mark", setting=setting, points=((1.0, 2.0), (3.5, 2.0))))
    'M1.000 2.000 L3.500 2.000'
    """
    points = stroke.points[:-1] if stroke.closed else stroke.points
    lines = " L".join(f"{x:.3f} {y:.3f}" for x, y in points)
    return f"M{lines}" + (" Z" if stroke.closed else "")
