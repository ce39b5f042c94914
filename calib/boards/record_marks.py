"""Drawn signs of the record sheet: grades as swatches, settings as dashes.

All of them read in black and white. They are drawn in millimetres, y down.
"""

from __future__ import annotations

from typing import Any

from calib.print_style import Drawing, outline
from calib.records import CHAR_WORDS, MARK_WORDS, THROUGH_GRADES, Operation

# Name of what is read off a cell, and its grades: key and meaning.
GRADES: dict[str, tuple[tuple[str, str], ...]] = {
    "through": tuple(
        zip(
            THROUGH_GRADES,
            ("holds all round", "held by a few fibres", "drops or lifts free"),
            strict=True,
        )
    ),
    "char": tuple((str(grade), words) for grade, words in enumerate(CHAR_WORDS)),
    "mark": tuple((str(grade), words) for grade, words in enumerate(MARK_WORDS)),
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


def asked_of(operation: Operation) -> tuple[str, ...]:
    """What is read off a cell: keys of ``GRADES``."""
    return ("through", "char") if operation == "cut" else ("mark",)


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
        outline(canvas, sheet, close=True, fill=True)
        return
    drop = 0.22 * height if grade == 2 else 0.0
    canvas.rect(0.0, top, left, bottom - top, fill=1)
    canvas.rect(right, top + drop, width - right, bottom - top, fill=1)
    if grade == 1:
        for y in (bottom, bottom - 0.18 * (bottom - top)):
            canvas.line(left, y, right, y)


def _char(canvas: Any, grade: int) -> None:
    """Blank, dots, lines, crossed lines, black with flakes torn off."""
    width, height = SWATCH_MM
    canvas.setLineWidth(0.2)
    canvas.rect(0.0, 0.0, width, height, fill=int(grade == 4))
    if grade == 1:
        _dots(canvas, (0.0, 0.0), SWATCH_MM, 1.2, 0.23)
    if grade in {2, 3}:
        canvas.setLineWidth(0.1 + 0.1 * (grade - 1))
        _hatch(canvas, step=1.2 if grade == 2 else 0.9, crossed=grade == 3)
    if grade == 4:
        canvas.setFillGray(1.0)
        for x, y, r in ((1.8, 1.4, 0.8), (4.3, 3.1, 1.1), (7.0, 1.6, 0.9)):
            flake = [(x - r, y), (x - 0.2 * r, y - r), (x + r, y - 0.3 * r), (x, y + r)]
            outline(canvas, flake, close=True, fill=True)


def _mark(canvas: Any, grade: int) -> None:
    """Nothing, faint, clear, heavy with a halo, scorched with a hole."""
    width, height = SWATCH_MM
    canvas.setLineWidth(0.2)
    canvas.rect(0.0, 0.0, width, height)
    if grade == 0:
        return
    if grade == 1:
        canvas.setDash([0.4, 0.4])
    if grade == 3:
        _dots(canvas, (0.12 * width, 0.16 * height), (0.76 * width, 0.68 * height), 0.9, 0.13)
    canvas.setLineWidth((0.22, 0.45, 0.95, 2.3)[grade - 1])
    canvas.line(0.12 * width, height / 2.0, 0.88 * width, height / 2.0)
    if grade == 4:
        canvas.setLineWidth(0.9)
        canvas.setStrokeGray(1.0)
        canvas.line(0.35 * width, height / 2.0, 0.65 * width, height / 2.0)


def _hatch(canvas: Any, *, step: float, crossed: bool) -> None:
    """Fill a swatch with lines at 45 degrees, cut off at its edges."""
    width, height = SWATCH_MM
    shift = step / 2.0
    while shift < width + height:
        x0, y0 = max(0.0, shift - height), min(shift, height)
        x1, y1 = min(shift, width), max(0.0, shift - width)
        canvas.line(x0, y0, x1, y1)
        if crossed:
            canvas.line(width - x0, y0, width - x1, y1)
        shift += step


def _dots(
    canvas: Any, at: tuple[float, float], size: tuple[float, float], step: float, radius: float
) -> None:
    canvas.setFillGray(0.0)
    rows = int(size[1] / step)
    for row in range(rows):
        y = at[1] + (row + 0.5) * size[1] / rows
        for place in range(int(size[0] / step) - row % 2):
            canvas.circle(
                at[0] + (place + 0.5 + 0.5 * (row % 2)) * step, y, radius, stroke=0, fill=1
            )
