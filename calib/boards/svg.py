"""The board as an SVG 1.1 drawing in millimetres: paths only, one group per setting."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import svgwrite

from calib.boards.colours import setting_colours
from calib.boards.naming import board_words, file_cautions, file_keys, setting_words
from calib.boards.strokes import Stroke, strokes_of
from calib.errors import InvalidRecord
from calib.records import Grid, Setting

# Looks only: the path is the geometry.
_STROKE_WIDTH = "0.1"
_NAMESPACE = "http://www.w3.org/2000/svg"


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Strokes of one colour."""

    # id, title, colour: Of the group; the id begins with a letter and is used once
    id: str
    title: str
    colour: str
    # In burning order; those of a cell that follow each other become one path
    strokes: tuple[Stroke, ...]


def grid_svg(grid: Grid, *, part: Setting | None = None) -> str:
    """Draw a board.

    Raises InvalidRecord when no cell and no code has the setting ``part``; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt.
    """
    groups = _groups(grid)
    if part is not None:
        if part not in groups:
            raise InvalidRecord(
                f"part is {setting_words(part)}: give one of the board's settings, the codes'"
                " included."
            )
        groups = {part: groups[part]}
    return drawing(board_words(grid), _description(grid), grid.board_mm, groups.values())


def grid_svg_per_setting(grid: Grid) -> dict[str, str]:
    """Draw a board as one drawing per setting, for software that can't tell colours apart.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    groups, description = _groups(grid), _description(grid)
    return {
        key: drawing(board_words(grid), description, grid.board_mm, [groups[setting]])
        for setting, key in file_keys(grid).items()
    }


def _description(grid: Grid) -> str:
    order = (
        "Burn the groups in their order, the codes first. A path is drawn once, however many"
        " passes its setting has."
    )
    return "\n".join((order, *file_cautions(grid.machine, grid.sheet, grid.operation, grid.notes)))


def _groups(grid: Grid) -> dict[Setting, Group]:
    """One group per setting in burning order: the codes, then gentle to strong."""
    colours = setting_colours(grid)
    strokes: dict[Setting, list[Stroke]] = {setting: [] for setting in file_keys(grid)}
    for stroke in strokes_of(grid):
        strokes[stroke.setting].append(stroke)
    return {
        setting: Group(
            id="codes" if setting == grid.label_setting else f"setting-{number:02d}",
            title=("codes: " if setting == grid.label_setting else "") + setting_words(setting),
            colour=colours[setting],
            strokes=tuple(parts),
        )
        for number, (setting, parts) in enumerate(strokes.items())
    }


def drawing(
    title: str, description: str, board_mm: tuple[float, float], groups: Iterable[Group]
) -> str:
    """Write groups of strokes as an SVG 1.1 document."""
    width, height = (f"{length:.3f}" for length in board_mm)
    canvas = svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"),
        viewBox=f"0 0 {width} {height}",
        debug=False,
    )
    canvas.set_desc(title=title, desc=description)
    for group in groups:
        canvas.add(_group(canvas, group))
    root = canvas.get_xml()
    # svgwrite declares two namespaces that nothing here uses and the SVG 1.1 DTD doesn't know, and
    # writes an empty list of definitions.
    for name in ("xmlns:ev", "xmlns:xlink", "baseProfile"):
        root.attrib.pop(name, None)
    for definitions in root.findall("defs"):
        root.remove(definitions)
    ElementTree.indent(root, space=" ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _group(canvas: svgwrite.Drawing, group: Group) -> svgwrite.container.Group:
    element = canvas.g(
        id=group.id,
        fill="none",
        stroke=group.colour,
        stroke_width=_STROKE_WIDTH,
        stroke_linecap="round",
        stroke_linejoin="round",
    )
    element.set_desc(title=group.title)
    for name, strokes in _paths(group.strokes):
        element.add(canvas.path(d=" ".join(path_data(stroke) for stroke in strokes), id=name))
    return element


def _paths(strokes: Sequence[Stroke]) -> Iterator[tuple[str, list[Stroke]]]:
    """One path per cell, per code and for the head, with its id."""
    for (kind, cell), parts in groupby(strokes, lambda stroke: (stroke.kind, stroke.cell)):
        if kind == "label":
            yield (f"code-{cell}" if cell else "head"), list(parts)
        else:
            yield f"cell-{cell}", list(parts)


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
