"""Shared hand for printed pages: millimetres from the top left, one typeface, black on white."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, lru_cache
from io import BytesIO
from typing import Any, Literal

import segno
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from calib.typeface import BOLD, REGULAR, font_path, keep_every_character

Align = Literal["left", "middle", "right"]

MM_PER_POINT = 25.4 / 72.0  # a point of page description is 1/72 inch
# ISO 216 A4 and the North American Letter (8.5 in x 11 in) [mm].
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM = 9.0  # printers in offices leave up to 6 mm blank (common practice, no source)
LINE_SPACING = 1.22  # of the type size; DejaVu's accents need the room
_FONTS = {False: "CalibSans", True: "CalibSansBold"}
# Height of capitals and of the part below the baseline, as shares of the type size (DejaVu Sans).
CAPITAL = 0.73
BELOW = 0.24


@cache
def _load_fonts() -> frozenset[int]:
    """Register both weights with reportlab and return the characters that both hold.

    Those beyond U+FFFF are left out: reportlab's table for copying text out holds them wrongly.
    """
    known: set[int] | None = None
    for bold, file_name in ((False, REGULAR), (True, BOLD)):
        font = TTFont(_FONTS[bold], str(font_path(file_name)))
        pdfmetrics.registerFont(font)
        held = {code for code in font.face.charToGlyph if code <= 0xFFFF}
        known = held if known is None else known & held
    return frozenset(known or ())


@lru_cache(maxsize=4096)
def printable(text: str) -> str:
    """Rewrite a text so that the printed typeface shows all of it.

    Examples
    --------
    >>> printable("Sperrholz ≤ 3 mm, фанера")
    'Sperrholz ≤ 3 mm, фанера'
    >>> printable("木")
    '<6728>'
    """
    return keep_every_character(text, _load_fonts())


@lru_cache(maxsize=16384)
def text_width_mm(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Measure a line of type."""
    width_pt = pdfmetrics.stringWidth(printable(text), _FONTS[bold], size_pt)
    return float(width_pt) * MM_PER_POINT


def line_height_mm(size_pt: float) -> float:
    """Distance of lines of a type size [mm]."""
    return size_pt * LINE_SPACING * MM_PER_POINT


def wrap(text: str, width_mm: float, size_pt: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines; a word longer than the line is broken too.

    Examples
    --------
    >>> wrap("a board of eighteen cells", 22.0, 8.0)
    ['a board of', 'eighteen cells']
    """
    lines: list[str] = []
    line = ""
    for word in printable(text).split():
        longer = f"{line} {word}" if line else word
        if text_width_mm(longer, size_pt, bold=bold) <= width_mm:
            line = longer
            continue
        if line:
            lines.append(line)
        *full, line = _break_word(word, width_mm, size_pt, bold)
        lines.extend(full)
    return [*lines, line]


def _break_word(word: str, width_mm: float, size_pt: float, bold: bool) -> list[str]:
    parts = [""]
    for sign in word:
        if parts[-1] and text_width_mm(parts[-1] + sign, size_pt, bold=bold) > width_mm:
            parts.append("")
        parts[-1] += sign
    return parts


@lru_cache(maxsize=8)
def _qr_modules(text: str) -> tuple[tuple[int, ...], ...]:
    """Dark (1) and light (0) squares of a QR code with its quiet zone, row by row."""
    code = segno.make(text, error="m", micro=False)
    return tuple(tuple(row) for row in code.matrix_iter(border=4))


class PrintPage:
    """One page under construction; lengths are in mm from the page's top left, y down.

    Parameters
    ----------
    paper
        ``a4`` or ``letter``.
    title
        Title in the file's properties.
    """

    def __init__(self, paper: str, title: str) -> None:
        _load_fonts()
        self.paper = paper
        self.width_mm, self.height_mm = PAPERS_MM[paper]
        self._out = BytesIO()
        size = (self.width_mm / MM_PER_POINT, self.height_mm / MM_PER_POINT)
        # invariant: no clock and no random id in the file.
        self._canvas: Any = Canvas(self._out, pagesize=size, invariant=1, pageCompression=1)
        self._canvas.setTitle(title)
        self._canvas.setCreator("calib")
        self._canvas.setLineCap(0)

    def _x(self, x_mm: float) -> float:
        return round(x_mm / MM_PER_POINT, 3)

    def _y(self, y_mm: float) -> float:
        return round((self.height_mm - y_mm) / MM_PER_POINT, 3)

    def pen(
        self,
        width_mm: float = 0.2,
        *,
        grey: float = 0.0,
        dash_mm: Sequence[float] = (),
        colour: str = "",
    ) -> None:
        """Set how lines are drawn from now on."""
        self._canvas.setLineWidth(round(width_mm / MM_PER_POINT, 3))
        self._canvas.setDash([round(part / MM_PER_POINT, 3) for part in dash_mm])
        if colour:
            self._canvas.setStrokeColor(colour)
        else:
            self._canvas.setStrokeGray(grey)

    def text(
        self,
        at_mm: tuple[float, float],
        text: str,
        size_pt: float,
        *,
        align: Align = "left",
        bold: bool = False,
        grey: float = 0.0,
    ) -> None:
        """Set one line of type with its baseline at ``at_mm``."""
        shown = printable(text)
        width = text_width_mm(text, size_pt, bold=bold)
        x = at_mm[0] - {"left": 0.0, "middle": width / 2.0, "right": width}[align]
        self._canvas.setFillGray(grey)
        self._canvas.setFont(_FONTS[bold], size_pt)
        self._canvas.drawString(self._x(x), self._y(at_mm[1]), shown)

    def upright_text(self, at_mm: tuple[float, float], text: str, size_pt: float) -> None:
        """Set one line that reads upwards, its baseline starting at ``at_mm``."""
        self._canvas.saveState()
        self._canvas.translate(self._x(at_mm[0]), self._y(at_mm[1]))
        self._canvas.rotate(90)
        self._canvas.setFillGray(0.0)
        self._canvas.setFont(_FONTS[False], size_pt)
        self._canvas.drawString(0, 0, printable(text))
        self._canvas.restoreState()

    def lines(
        self, at_mm: tuple[float, float], lines: Sequence[str], size_pt: float, *, grey: float = 0.0
    ) -> float:
        """Set lines below each other from the top ``at_mm``; return the y below them [mm]."""
        step = line_height_mm(size_pt)
        y = at_mm[1] + size_pt * CAPITAL * MM_PER_POINT + 0.15 * step
        for number, line in enumerate(lines):
            self.text((at_mm[0], y + number * step), line, size_pt, grey=grey)
        return at_mm[1] + len(lines) * step

    def line(self, start_mm: tuple[float, float], end_mm: tuple[float, float]) -> None:
        """Draw a straight line."""
        self._canvas.line(
            self._x(start_mm[0]), self._y(start_mm[1]), self._x(end_mm[0]), self._y(end_mm[1])
        )

    def box(
        self,
        at_mm: tuple[float, float],
        size_mm: tuple[float, float],
        *,
        corner_mm: float = 0.0,
        fill_grey: float | None = None,
        stroke: bool = True,
    ) -> None:
        """Draw a rectangle from its top left, with round corners and filled if asked."""
        (x, y), (width, height) = at_mm, size_mm
        if fill_grey is not None:
            self._canvas.setFillGray(fill_grey)
        place = (self._x(x), self._y(y + height), self._x(width), self._x(height))
        drawn = {"stroke": int(stroke), "fill": int(fill_grey is not None)}
        if corner_mm:
            self._canvas.roundRect(*place, self._x(corner_mm), **drawn)
        else:
            self._canvas.rect(*place, **drawn)

    def polyline(self, points_mm: Sequence[tuple[float, float]]) -> None:
        """Draw a line through points, unbroken so that its dashes run on."""
        path = self._canvas.beginPath()
        path.moveTo(self._x(points_mm[0][0]), self._y(points_mm[0][1]))
        for x, y in points_mm[1:]:
            path.lineTo(self._x(x), self._y(y))
        self._canvas.drawPath(path, stroke=1, fill=0)

    def polygon(
        self,
        points_mm: Sequence[tuple[float, float]],
        *,
        fill_grey: float | None = 0.0,
        stroke: bool = False,
    ) -> None:
        """Draw a closed outline, filled unless ``fill_grey`` is None."""
        path = self._canvas.beginPath()
        path.moveTo(self._x(points_mm[0][0]), self._y(points_mm[0][1]))
        for x, y in points_mm[1:]:
            path.lineTo(self._x(x), self._y(y))
        path.close()
        if fill_grey is not None:
            self._canvas.setFillGray(fill_grey)
        self._canvas.drawPath(path, stroke=int(stroke), fill=int(fill_grey is not None))

    def dot(
        self, centre_mm: tuple[float, float], radius_mm: float, *, fill_grey: float | None = 0.0
    ) -> None:
        """Draw a filled disc, or a ring with the pen when ``fill_grey`` is None."""
        if fill_grey is not None:
            self._canvas.setFillGray(fill_grey)
        self._canvas.circle(
            self._x(centre_mm[0]),
            self._y(centre_mm[1]),
            self._x(radius_mm),
            stroke=int(fill_grey is None),
            fill=int(fill_grey is not None),
        )

    def qr(self, at_mm: tuple[float, float], size_mm: float, text: str) -> None:
        """Draw a QR code from its top left; the quiet zone is inside ``size_mm``."""
        rows = _qr_modules(text)
        step = size_mm / len(rows)
        for row, modules in enumerate(rows):
            start = 0
            while start < len(modules):
                length = 1
                while start + length < len(modules) and modules[start + length] == modules[start]:
                    length += 1
                if modules[start]:
                    corner = (at_mm[0] + start * step, at_mm[1] + row * step)
                    # A hair of overlap downwards, so that no white line shows between rows.
                    self.box(corner, (length * step, step * 1.02), fill_grey=0.0, stroke=False)
                start += length

    def finish(self) -> bytes:
        """Close the page and return the PDF."""
        self._canvas.showPage()
        self._canvas.save()
        return self._out.getvalue()
