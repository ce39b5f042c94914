"""Drawn signs of the record sheet: grades as swatches, settings as dashes and marks.

All of them read in black and white.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from calib.print_style import PrintPage
from calib.records import CHAR_WORDS, MARK_WORDS, THROUGH_GRADES, Cell, Operation, Setting

Point = tuple[float, float]

THROUGH_WORDS = tuple(
    zip(
        THROUGH_GRADES,
        ("holds all round", "held by a few fibres", "drops or lifts free"),
        strict=True,
    )
)
# Dashes [mm on, mm off, …] and small marks; together 70 signs, told apart without colour.
DASHES_MM: tuple[tuple[float, ...], ...] = (
    (),
    (2.2, 0.8),
    (0.5, 0.6),
    (2.2, 0.6, 0.5, 0.6),
    (1.0, 0.5),
    (2.2, 0.5, 0.5, 0.5, 0.5, 0.5),
    (1.0, 1.2),
)
MARKS = ("", "dot", "ring", "square", "frame", "wedge", "roof", "cross", "plus", "bar")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """How one setting is told from the others."""

    dash_mm: tuple[float, ...]  # Dashes of its line [mm]
    mark: str  # One of ``MARKS``
    colour: str  # Its stroke colour in the drawing, such as ``#1f4e79``


def signs_of(cells: Sequence[Cell], colours: Mapping[str, str]) -> dict[str, Sign]:
    """Give each setting its sign."""
    rank: dict[Setting, int] = {}
    for cell in cells:
        rank.setdefault(cell.setting, len(rank))
    return {
        cell.label: Sign(
            dash_mm=DASHES_MM[rank[cell.setting] % len(DASHES_MM)],
            mark=MARKS[rank[cell.setting] // len(DASHES_MM) % len(MARKS)],
            colour=colours[cell.label],
        )
        for cell in cells
    }


def scaled_dash(sign: Sign, factor: float) -> tuple[float, ...]:
    """Return the dashes of a sign for a drawing made smaller [mm]."""
    return tuple(part * factor for part in sign.dash_mm)


def draw_mark(page: PrintPage, mark: str, centre: Point, size: float) -> None:
    """Draw a small mark of a setting; lengths in mm."""
    x, y = centre
    r = size / 2.0
    page.pen(size / 8.0)
    if mark in {"dot", "ring"}:
        page.dot(centre, r, fill_grey=0.0 if mark == "dot" else None)
    elif mark in {"square", "frame"}:
        page.box(
            (x - r, y - r),
            (size, size),
            fill_grey=0.0 if mark == "square" else None,
            stroke=mark == "frame",
        )
    elif mark in {"wedge", "roof"}:
        corners = [(x - r, y + r), (x, y - r), (x + r, y + r)]
        page.polygon(corners, fill_grey=0.0 if mark == "wedge" else None, stroke=mark == "roof")
    else:
        _draw_bars(page, mark, centre, r)


def _draw_bars(page: PrintPage, mark: str, centre: Point, r: float) -> None:
    x, y = centre
    page.pen(r / 2.2)
    if mark == "cross":
        page.line((x - r, y - r), (x + r, y + r))
        page.line((x - r, y + r), (x + r, y - r))
    if mark in {"plus", "bar"}:
        page.line((x - r, y), (x + r, y))
    if mark == "plus":
        page.line((x, y - r), (x, y + r))


def _hatch(page: PrintPage, at: Point, size: Point, step: float, *, falling: bool = False) -> None:
    """Fill a rectangle with lines at 45 degrees, cut off at its edges."""
    (x, y), (width, height) = at, size
    shift = step / 2.0
    while shift < width + height:
        start = (max(0.0, shift - height), min(shift, height))
        end = (min(shift, width), max(0.0, shift - width))
        ends = [(px if not falling else width - px, py) for px, py in (start, end)]
        page.line((x + ends[0][0], y + ends[0][1]), (x + ends[1][0], y + ends[1][1]))
        shift += step


def _dots(page: PrintPage, at: Point, size: Point, step: float, radius: float) -> None:
    rows = int(size[1] / step)
    for row in range(rows):
        y = at[1] + (row + 0.5) * size[1] / rows
        count = int(size[0] / step) - row % 2
        for place in range(count):
            x = at[0] + (place + 0.5 + 0.5 * (row % 2)) * step
            page.dot((x, y), radius)


def char_swatch(page: PrintPage, grade: int, at: Point, size: Point) -> None:
    """Draw a char grade: blank, dots, lines, crossed lines, black with flakes torn off."""
    page.pen(0.2)
    if grade == 4:
        page.box(at, size, fill_grey=0.0)
        for fx, fy, fr in ((0.2, 0.3, 0.09), (0.48, 0.68, 0.12), (0.78, 0.35, 0.1)):
            cx, cy, r = at[0] + fx * size[0], at[1] + fy * size[1], fr * size[0]
            flake = [(cx - r, cy), (cx - 0.2 * r, cy - r), (cx + r, cy - 0.3 * r), (cx, cy + r)]
            page.polygon(flake, fill_grey=1.0)
        return
    page.box(at, size, fill_grey=1.0)
    if grade == 1:
        _dots(page, at, size, 1.2, 0.23)
    if grade == 2:
        _hatch(page, at, size, 1.2)
    if grade == 3:
        page.pen(0.3)
        _hatch(page, at, size, 0.9)
        _hatch(page, at, size, 0.9, falling=True)


def through_swatch(page: PrintPage, grade: int, at: Point, size: Point) -> None:
    """Draw how deep a cut went, in section: a notch, a few fibres left, a dropped coupon."""
    (x, y), (width, height) = at, size
    right, top, bottom = x + width, y + 0.1 * height, y + 0.68 * height
    left_face, right_face = x + 0.4 * width, x + 0.58 * width
    page.pen(0.2)
    if grade == 0:
        notch = ((left_face, top), (x + 0.49 * width, top + 0.35 * height), (right_face, top))
        page.polygon(
            [(x, top), *notch, (right, top), (right, bottom), (x, bottom)],
            fill_grey=0.85,
            stroke=True,
        )
        return
    drop = 0.22 * height if grade == 2 else 0.0
    page.polygon(_slab(x, left_face, top, bottom), fill_grey=0.85, stroke=True)
    page.polygon(_slab(right_face, right, top + drop, bottom + drop), fill_grey=0.85, stroke=True)
    if grade == 1:
        for share in (0.0, 0.18):
            fibre_y = bottom - share * (bottom - top)
            page.line((left_face, fibre_y), (right_face, fibre_y))


def _slab(left: float, right: float, top: float, bottom: float) -> list[Point]:
    return [(left, top), (right, top), (right, bottom), (left, bottom)]


def mark_swatch(page: PrintPage, grade: int, at: Point, size: Point) -> None:
    """Draw a mark grade: nothing, faint, clear, heavy with a halo, scorched with a hole."""
    (x, y), (width, height) = at, size
    middle, start, end = y + height / 2.0, x + 0.12 * width, x + 0.88 * width
    page.pen(0.2)
    page.box(at, size, fill_grey=1.0)
    if grade == 1:
        page.pen(0.22, dash_mm=(0.4, 0.4))
    if grade == 2:
        page.pen(0.45)
    if grade == 3:
        _dots(page, (start, y + 0.16 * height), (end - start, 0.68 * height), 0.9, 0.13)
        page.pen(0.95)
    if grade == 4:
        page.pen(2.3)
    if grade:
        page.line((start, middle), (end, middle))
    if grade == 4:
        page.pen(0.9, grey=1.0)
        page.line((x + 0.35 * width, middle), (x + 0.65 * width, middle))


Swatch = Callable[[PrintPage, int, Point, Point], None]


def grade_swatches(
    operation: Operation,
) -> tuple[tuple[str, Swatch, tuple[tuple[str, str], ...]], ...]:
    """List what is read off a cell."""
    if operation == "cut":
        char = tuple((str(grade), words) for grade, words in enumerate(CHAR_WORDS))
        return (("through", through_swatch, THROUGH_WORDS), ("char", char_swatch, char))
    mark = tuple((str(grade), words) for grade, words in enumerate(MARK_WORDS))
    return (("mark", mark_swatch, mark),)
