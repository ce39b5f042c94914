"""Signs drawn on the record sheet: grades as swatches, settings as dashes.

They read in grey. They are drawn in millimetres, y down.
"""

from __future__ import annotations

from typing import Any

from calib.materials import scales_of
from calib.print_style import Drawing, outline
from calib.records import GRADES, SCALES, THROUGH_GRADES
from calib.texts.say import say

# Keys of the grades of what is read off a cell.
KEYS: dict[str, tuple[str, ...]] = {
    "through": THROUGH_GRADES,
    **dict.fromkeys(SCALES, tuple(map(str, GRADES))),
}
# Dashes that tell eight layers apart without colour [mm on, mm off, …]
DASHES_MM: tuple[tuple[float, ...], ...] = (
    (0.4, 0.4),
    (),
    (2.2, 0.8),
    (0.5, 0.6),
    (2.2, 0.6, 0.5, 0.6),
    (1.0, 0.5),
    (2.2, 0.5, 0.5, 0.5, 0.5, 0.5),
    (1.0, 1.2),
)
SWATCH_MM = (9.0, 4.6)


def meanings(name: str, material: str) -> tuple[str, ...]:
    """What each grade means on a material."""
    if name == "through":
        return (
            say("boards.holds_all_round"),
            say("boards.held_by_few_fibres"),
            say("boards.drops_or_lifts_free"),
        )
    return scales_of(material)[name]


def swatch(name: str, grade: int) -> Drawing:
    """Draw what a grade looks like."""
    draw = {"through": _through, "char": _char, "mark": _mark}[name]
    return Drawing(SWATCH_MM, lambda canvas: draw(canvas, grade))


def _through(canvas: Any, grade: int) -> None:
    """How deep a cut went, in section: a notch, a few fibres left, a dropped coupon."""
    width, height = SWATCH_MM
    left, right, top, bottom = 0.4 * width, 0.58 * width, 0.1 * height, 0.68 * height
    canvas.setLineWidth(0.2)
    canvas.setFillGray(0.85)
    if grade == 0:
        notch = [(left, top), (0.49 * width, top + 0.35 * height), (right, top)]
        sheet = [(0.0, top), *notch, (width, top), (width, bottom), (0.0, bottom)]
        outline(canvas, sheet, filled=True)
        return
    drop = 0.22 * height if grade == 2 else 0.0
    canvas.rect(0.0, top, left, bottom - top, fill=1)
    canvas.rect(right, top + drop, width - right, bottom - top, fill=1)
    for y in (bottom, bottom - 0.18 * (bottom - top)) if grade == 1 else ():
        canvas.line(left, y, right, y)


def _char(canvas: Any, grade: int) -> None:
    """From white to black, crossed out where it flakes."""
    width, height = SWATCH_MM
    canvas.setLineWidth(0.2)
    canvas.setFillGray((1.0, 0.85, 0.6, 0.3, 0.0)[grade])
    canvas.rect(0.0, 0.0, width, height, fill=1)
    if grade == 4:
        canvas.setStrokeGray(1.0)
        canvas.setLineWidth(0.6)
        canvas.lines([(0.0, 0.0, width, height), (0.0, height, width, 0.0)])


def _mark(canvas: Any, grade: int) -> None:
    """Nothing, a faint line, a clear one, a heavy one with a halo, a scorched one with a hole."""
    (width, height), middle = SWATCH_MM, SWATCH_MM[1] / 2.0
    left, right = 0.12 * width, 0.88 * width
    canvas.setLineWidth(0.2)
    canvas.rect(0.0, 0.0, width, height)
    # Grey below, then a line of its own width and grey.
    for width_mm, grey in (
        (),
        ((0.25, 0.5),),
        ((0.6, 0.0),),
        ((2.6, 0.75), (1.0, 0.0)),
        ((2.6, 0.0), (0.7, 1.0)),
    )[grade]:
        canvas.setLineWidth(width_mm)
        canvas.setStrokeGray(grey)
        canvas.line(left, middle, right, middle)
