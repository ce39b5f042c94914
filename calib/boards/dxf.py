"""The board as a DXF drawing of release 12, which old readers take too: a layer for each setting.

Units are millimetres, y grows upwards from the board's lower left corner.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from calib.boards.board import Board, board_of
from calib.boards.layers import DXF_COLOURS, Layer, layers_of
from calib.boards.lettering import transliterate
from calib.boards.naming import file_cautions
from calib.records import Grid
from calib.texts.say import say

# Names of layers: letters, figures, $, - and _, at most 31; comments: at most 255 characters.
_LONGEST_NAME, _LONGEST_TEXT = 31, 250
_INSUNITS_MM = 4  # release 12 knows no unit, but readers of later ones look for it


def grid_dxf(planned: Grid | Board) -> str:
    """Draw a board as DXF.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    return "".join(f"{code}\n{value}\n" for code, value in _pairs(board, layers_of(board)))


def _pairs(board: Board, layers: tuple[Layer, ...]) -> Iterator[tuple[int, object]]:
    """Group codes and values, by Autodesk's DXF reference for release 12."""
    said = (board.title, say("boards.one_unit_is_one_millimetre"), *file_cautions(board))
    for text in (*said, *(f"{layer_name(layer)}: {layer.title}" for layer in layers)):
        plain = transliterate(" ".join(text.split()))
        yield from ((999, plain[at : at + _LONGEST_TEXT]) for at in range(0, len(plain), 250))
    yield from ((0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, "AC1009"))
    yield from ((9, "$INSUNITS"), (70, _INSUNITS_MM), (0, "ENDSEC"), (0, "SECTION"), (2, "TABLES"))
    yield from ((0, "TABLE"), (2, "LTYPE"), (70, 1), (0, "LTYPE"), (2, "CONTINUOUS"), (70, 0))
    yield from ((3, "Solid line"), (72, 65), (73, 0), (40, 0.0), (0, "ENDTAB"))
    yield from ((0, "TABLE"), (2, "LAYER"), (70, len(layers)))
    for layer in layers:
        colour = DXF_COLOURS[layer.number % len(DXF_COLOURS)]
        yield from ((0, "LAYER"), (2, layer_name(layer)), (70, 0), (62, colour), (6, "CONTINUOUS"))
    yield from ((0, "ENDTAB"), (0, "ENDSEC"), (0, "SECTION"), (2, "ENTITIES"))
    for layer in layers:
        on = (8, layer_name(layer))
        for stroke in layer.strokes:
            yield from ((0, "POLYLINE"), on, (66, 1), (10, 0.0), (20, 0.0), (30, 0.0))
            yield 70, int(stroke.closed)
            for x, y in stroke.points[:-1] if stroke.closed else stroke.points:
                yield from ((0, "VERTEX"), on, (10, f"{x:.3f}"))
                yield from ((20, f"{board.board_mm[1] - y:.3f}"), (30, 0.0))
            yield from ((0, "SEQEND"), on)
    yield from ((0, "ENDSEC"), (0, "EOF"))


def layer_name(layer: Layer) -> str:
    """Its key in the letters that release 12 allows; the number in front keeps it apart."""
    return re.sub(r"[^\w$-]", "_", layer.key, flags=re.ASCII)[:_LONGEST_NAME]
