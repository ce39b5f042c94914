"""The board as an SVG 1.1 drawing in millimetres: paths only, one group per setting."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from calib.boards.board import Board, board_of
from calib.boards.layers import PALETTE, Layer, drawings_of, layers_of
from calib.boards.naming import file_cautions, setting_words
from calib.boards.strokes import Stroke
from calib.errors import InvalidRecord
from calib.records import Grid, Setting

# A thousandth of an inch: programs that cut nothing but hairlines take it (common practice, no
# source). Looks only: the path is the geometry.
_STROKE_WIDTH = "0.025"
_ORDER = (
    "Burn the groups in their order, the codes first. A path is drawn once, however many passes its"
    " setting has."
)


def grid_svg(planned: Grid | Board, *, part: Setting | None = None) -> str:
    """Draw a board.

    Raises InvalidRecord when no cell and no code has the setting ``part``; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    layers = [layer for layer in layers_of(board) if part in (None, layer.setting)]
    if part is not None and not layers:
        raise InvalidRecord(
            f"part is {setting_words(part)}: give one of the board's settings, the codes' included."
        )
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
    root = Element(
        "svg",
        xmlns="http://www.w3.org/2000/svg",
        version="1.1",
        width=f"{width}mm",
        height=f"{height}mm",
        viewBox=f"0 0 {width} {height}",
    )
    SubElement(root, "title").text = board.title
    SubElement(root, "desc").text = "\n".join((_ORDER, *file_cautions(board)))
    for layer in layers:
        look = {"fill": "none", "stroke": layer.colour, "stroke-width": _STROKE_WIDTH}
        ends = {"stroke-linecap": "round", "stroke-linejoin": "round"}
        id_ = f"setting-{layer.number:02d}" if layer.number else "codes"
        group = SubElement(root, "g", {"id": id_, **look, **ends})
        SubElement(group, "title").text = layer.title
        # One path per cell, per code and for the head.
        for (kind, cell), strokes in groupby(layer.strokes, lambda s: (s.kind, s.cell)):
            name = f"cell-{cell}" if kind != "label" else f"code-{cell}" if cell else "head"
            SubElement(group, "path", id=name, d=" ".join(map(path_data, strokes)))
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
