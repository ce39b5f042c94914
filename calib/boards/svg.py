"""The board as an SVG 1.1 drawing in millimetres: paths only, one group per setting."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

import svgwrite

from calib.boards.board import Board, board_of
from calib.boards.colours import even_colours, setting_colours
from calib.boards.naming import file_cautions, file_keys, setting_words
from calib.boards.strokes import Stroke
from calib.errors import InvalidRecord
from calib.records import Grid, Setting

# Looks only: the path is the geometry.
_STROKE_WIDTH = "0.1"
_ORDER = (
    "Burn the groups in their order, the codes first. A path is drawn once, however many passes its"
    " setting has."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Strokes of one colour, in burning order; the id begins with a letter and is used once."""

    id: str
    title: str
    colour: str
    strokes: tuple[Stroke, ...]


def grid_svg(planned: Grid | Board, *, part: Setting | None = None) -> str:
    """Draw a board.

    Raises InvalidRecord when no cell and no code has the setting ``part``; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    if part is None:
        by_hand = all(group.by_hand for group in board.groups)
        return _drawing(board, _by_hand(board) if by_hand else _by_setting(board).values())
    groups = _by_setting(board)
    if part not in groups:
        raise InvalidRecord(
            f"part is {setting_words(part)}: give one of the board's settings, the codes' included."
        )
    return _drawing(board, [groups[part]])


def grid_svg_per_setting(planned: Grid | Board) -> dict[str, str]:
    """Draw a board as one drawing per setting, for software that can't tell colours apart.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    board = board_of(planned)
    groups = _by_setting(board)
    return {key: _drawing(board, [groups[setting]]) for setting, key in file_keys(board).items()}


def _by_setting(board: Board) -> dict[Setting, _Group]:
    """One colour per setting in burning order: the codes, then gentle to strong."""
    colours = setting_colours(board)
    groups = {}
    for number, setting in enumerate(file_keys(board)):
        codes = setting == board.label_setting
        groups[setting] = _Group(
            id="codes" if codes else f"setting-{number:02d}",
            title=("codes: " if codes else "") + setting_words(setting),
            colour=colours[setting],
            strokes=tuple(stroke for stroke in board.strokes if stroke.setting == setting),
        )
    return groups


def _by_hand(board: Board) -> list[_Group]:
    """One colour per group where something is to be set by hand before each."""
    codes, *colours = even_colours(1 + len(board.groups))
    words = f"codes: {setting_words(board.label_setting)}"
    groups = [_Group(id="codes", title=words, colour=codes, strokes=board.labels)]
    for number, (group, colour) in enumerate(zip(board.groups, colours, strict=True), 1):
        words = f"{group.name}: {setting_words(group.setting)}"
        id_ = f"group-{number:02d}"
        groups.append(_Group(id=id_, title=words, colour=colour, strokes=group.strokes))
    return groups


def _drawing(board: Board, groups: Iterable[_Group]) -> str:
    width, height = (f"{length:.3f}" for length in board.board_mm)
    canvas = svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"),
        viewBox=f"0 0 {width} {height}",
        debug=False,
    )
    canvas.set_desc(title=board.title, desc="\n".join((_ORDER, *file_cautions(board))))
    for group in groups:
        element = canvas.g(
            id=group.id,
            fill="none",
            stroke=group.colour,
            stroke_width=_STROKE_WIDTH,
            stroke_linecap="round",
            stroke_linejoin="round",
        )
        element.set_desc(title=group.title)
        # One path per cell, per code and for the head.
        for (kind, cell), strokes in groupby(group.strokes, lambda s: (s.kind, s.cell)):
            name = f"cell-{cell}" if kind != "label" else f"code-{cell}" if cell else "head"
            element.add(canvas.path(d=" ".join(map(path_data, strokes)), id=name))
        canvas.add(element)
    root = canvas.get_xml()
    # svgwrite declares two namespaces that nothing here uses and the SVG 1.1 DTD doesn't know, and
    # writes an empty list of definitions.
    for attribute in ("xmlns:ev", "xmlns:xlink", "baseProfile"):
        root.attrib.pop(attribute, None)
    for definitions in root.findall("defs"):
        root.remove(definitions)
    ElementTree.indent(root, space=" ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


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
