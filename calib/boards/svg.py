"""The board as an SVG 1.1 drawing in millimetres: paths only, one group per setting."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from xml.etree.ElementTree import indent, tostring

import svgwrite

from calib.boards.board import Board, board_of
from calib.boards.layers import PALETTE, Layer, drawings_of, layers_of
from calib.boards.naming import file_cautions, setting_words
from calib.boards.strokes import Stroke
from calib.errors import InvalidRecord
from calib.records import Grid, Setting
from calib.texts.say import say

# A thousandth of an inch: programs that cut nothing but hairlines take it (common practice, no
# source). Looks only: the path is the geometry.
_STROKE_WIDTH = "0.025"
_ORDER = say("boards.burn_groups_in_their_order")


def grid_svg(planned: Grid | Board, *, part: Setting | None = None) -> str:
    """Draw a board.

    Raises InvalidRecord when no cell and no code has the setting ``part``; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    layers = [layer for layer in layers_of(board) if part in (None, layer.setting)]
    if part is not None and not layers:
        raise InvalidRecord(say("boards.part_is_give_one_of_boards", setting=setting_words(part)))
    return _drawing(board, layers)


def grid_svg_per_setting(planned: Grid | Board) -> dict[str, str]:
    """Draw a board as one drawing per setting, for software that can't tell colours apart.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    return {layer.key: _drawing(board, [layer]) for layer in layers_of(board)}


def grid_svg_by_eight(planned: Grid | Board) -> dict[str, str]:
    """Draw a board of more than eight settings in parts of eight; none for a smaller board.

    More colours than that aren't told apart by eyes or programs.
    """
    board = board_of(planned)
    layers, count, most = layers_of(board), drawings_of(board), len(PALETTE)
    return {
        f"{n}of{count}": _drawing(board, layers[(n - 1) * most : n * most])
        for n in range(1, count + 1)
        if count > 1
    }


def _drawing(board: Board, layers: Sequence[Layer]) -> str:
    width, height = (f"{length:.3f}" for length in board.board_mm)
    canvas = svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=f"0 0 {width} {height}", debug=False
    )
    canvas.set_desc(title=board.title, desc="\n".join((_ORDER, *file_cautions(board))))
    for layer in layers:
        group = canvas.g(
            id=f"setting-{layer.number:02d}" if layer.number else "codes",
            fill="none",
            stroke=layer.colour,
            stroke_width=_STROKE_WIDTH,
            stroke_linecap="round",
            stroke_linejoin="round",
        )
        group.set_desc(title=layer.title)
        # One path per cell, per code and for the head.
        for (kind, cell), strokes in groupby(layer.strokes, lambda s: (s.kind, s.cell)):
            name = f"cell-{cell}" if kind != "label" else f"code-{cell}" if cell else "head"
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
