"""The board as a DXF drawing of release 12, which old readers take too: a layer for each setting.

Units are millimetres, y grows upwards from the board's lower left corner.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from calib.boards.board import Board, board_of
from calib.boards.layers import DXF_COLOURS, PALETTE, Layer, layers_of
from calib.boards.lettering import Polyline, transliterate
from calib.boards.naming import file_cautions
from calib.records import Grid
from calib.texts.say import say

# Names of layers: letters, figures, $, - and _, at most 31; comments: at most 255 characters.
_LONGEST_NAME, _LONGEST_TEXT = 31, 250
_EDGE = "EDGE_NOT_BURNT"
# Red, yellow, green, cyan, blue, magenta, and the colour of ink.
_NAMED = {
    1: (255, 0, 0), 2: (255, 255, 0), 3: (0, 255, 0), 4: (0, 255, 255), 5: (0, 0, 255),
    6: (255, 0, 255), 7: (0, 0, 0),
}  # fmt: skip
_INSUNITS_MM = 4  # release 12 knows no unit, but readers of later ones look for it


def grid_dxf(planned: Grid | Board, *, piece_edge: bool = False) -> str:
    """Draw a board as DXF, with the edge of the piece where it is wished for.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    pairs = _pairs(board, layers_of(board), piece_edge)
    return "".join(f"{code}\n{value}\n" for code, value in pairs)


def _pairs(
    board: Board, layers: tuple[Layer, ...], piece_edge: bool
) -> Iterator[tuple[int, object]]:
    """Group codes and values, by Autodesk's DXF reference for release 12."""
    said = (board.title, say("boards.one_unit_is_one_millimetre"), *file_cautions(board))
    edge = [f"{_EDGE}: {say('boards.edge_isnt_burnt')}"] if piece_edge else []
    for text in (*said, *edge, *(f"{layer_name(layer)}: {layer.title}" for layer in layers)):
        plain = transliterate(" ".join(text.split()))
        yield from ((999, plain[at : at + _LONGEST_TEXT]) for at in range(0, len(plain), 250))
    yield from ((0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, "AC1009"))
    yield from ((9, "$INSUNITS"), (70, _INSUNITS_MM), (0, "ENDSEC"), (0, "SECTION"), (2, "TABLES"))
    yield from ((0, "TABLE"), (2, "LTYPE"), (70, 1), (0, "LTYPE"), (2, "CONTINUOUS"), (70, 0))
    yield from ((3, "Solid line"), (72, 65), (73, 0), (40, 0.0), (0, "ENDTAB"))
    yield from ((0, "TABLE"), (2, "LAYER"), (70, len(layers) + piece_edge))
    named = [(layer_name(layer), _number(layer)) for layer in layers]
    for name, colour in [(_EDGE, 9), *named] if piece_edge else named:
        yield from ((0, "LAYER"), (2, name), (70, 0), (62, colour), (6, "CONTINUOUS"))
    yield from ((0, "ENDTAB"), (0, "ENDSEC"), (0, "SECTION"), (2, "ENTITIES"))
    width, height = board.board_mm
    corners: Polyline = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height), (0.0, 0.0))
    lines = [(_EDGE, corners, True)] if piece_edge else []
    lines += [(layer_name(one), s.points, s.closed) for one in layers for s in one.strokes]
    for name, points, closed in lines:
        on = (8, name)
        yield from ((0, "POLYLINE"), on, (66, 1), (10, 0.0), (20, 0.0), (30, 0.0))
        yield 70, int(closed)
        for x, y in points[:-1] if closed else points:
            yield from ((0, "VERTEX"), on, (10, f"{x:.3f}"))
            yield from ((20, f"{height - y:.3f}"), (30, 0.0))
        yield from ((0, "SEQEND"), on)
    yield from ((0, "ENDSEC"), (0, "EOF"))


def _number(layer: Layer) -> int:
    """The nearest numbered colour; of own colours the nearest of the seven that have a name."""
    if layer.palette == PALETTE:
        return DXF_COLOURS[layer.number % len(DXF_COLOURS)]
    own = [int(layer.colour[at : at + 2], 16) for at in (1, 3, 5)]
    return min(_NAMED, key=lambda number: math.dist(own, _NAMED[number]))


def layer_name(layer: Layer) -> str:
    """Its key in the letters that release 12 allows; the number in front keeps it apart."""
    return re.sub(r"[^\w$-]", "_", layer.key, flags=re.ASCII)[:_LONGEST_NAME]
