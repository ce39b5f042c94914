"""The one style of printed pages: typeface, paragraphs, tables, drawings, each page by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cache, lru_cache
from io import BytesIO
from typing import Any, Literal
from xml.sax.saxutils import escape

import segno
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, Paragraph, Table

from calib.errors import InvalidRecord
from calib.texts.say import say
from calib.typeface import BOLD, REGULAR, font_path, keep_every_character

Align = Literal["left", "middle", "right"]
Draw = Callable[[Any], None]

# ISO 216 A4 and the North American Letter (8.5 in x 11 in) [mm].
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM = 9.0  # printers in offices leave up to 6 mm blank (common practice, no source)
MM = 72.0 / 25.4  # points in a millimetre: a point is 1/72 inch
PLAIN_FONT, BOLD_FONT = "CalibSans", "CalibSansBold"
# A box to tick, as a character.
TICK, TICKED = "\N{BALLOT BOX}", "\N{BALLOT BOX WITH CHECK}"
QR_MM = 25.0
_SCALES = (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100)
_LINE_SPACING = 1.22  # of the type size; DejaVu's accents need the room


@cache
def _load_fonts() -> frozenset[int]:
    """Register both weights with reportlab and return the characters that both hold.

    Those beyond U+FFFF are left out: reportlab's table for copying text out holds them wrongly.
    """
    known: list[set[int]] = []
    for name, file_name in ((PLAIN_FONT, REGULAR), (BOLD_FONT, BOLD)):
        font = TTFont(name, str(font_path(file_name)))
        pdfmetrics.registerFont(font)
        known.append({code for code in font.face.charToGlyph if code <= 0xFFFF})
    return frozenset(set.intersection(*known))


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


def text_width_mm(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Measure a line of type."""
    font = BOLD_FONT if bold else PLAIN_FONT
    return float(pdfmetrics.stringWidth(printable(text), font, size_pt)) / MM


def words(
    text: str, size_pt: float = 7.0, *, bold: bool = False, grey: float = 0.0, bullet: str = ""
) -> Any:
    """Set a text in lines as wide as its place; a word wider than that is broken too."""
    indent = (0.3 + 0.6 * len(bullet)) * size_pt if bullet else 0.0
    style = ParagraphStyle(
        "words",
        fontName=BOLD_FONT if bold else PLAIN_FONT,
        fontSize=size_pt,
        leading=_LINE_SPACING * size_pt,
        textColor=(grey, grey, grey),
        leftIndent=indent,
        bulletFontName=PLAIN_FONT,
        bulletFontSize=size_pt,
    )
    return Paragraph(escape(printable(text)), style, bulletText=bullet or None)


def table(
    rows: Sequence[Sequence[Any]],
    widths_mm: Sequence[float],
    *style: tuple[Any, ...],
    heights_mm: Sequence[float] | None = None,
) -> Any:
    """Set rows of texts and other parts in columns, without room around them unless asked."""
    _load_fonts()
    bare = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
    return Table(
        rows,
        colWidths=[width * MM for width in widths_mm],
        rowHeights=None if heights_mm is None else [height * MM for height in heights_mm],
        style=[*bare, ("VALIGN", (0, 0), (-1, -1), "TOP"), *style],
        hAlign="LEFT",
    )


def framed(parts: Sequence[Any], width_mm: float) -> Any:
    """Put parts into a frame with round corners."""
    return table(
        [[list(parts)]],
        [width_mm],
        ("BOX", (0, 0), (-1, -1), 1.2, "black"),
        ("ROUNDEDCORNERS", [4, 4, 4, 4]),
        ("LEFTPADDING", (0, 0), (-1, -1), 2.5 * MM),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2.5 * MM),
        ("TOPPADDING", (0, 0), (-1, -1), 1.0 * MM),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5 * MM),
    )


def middle_of(lengths: Sequence[int]) -> int:
    """How many of some texts make up half of their length, at least."""
    return 1 + next(n for n in range(len(lengths)) if 2 * sum(lengths[: n + 1]) >= sum(lengths))


def in_two_columns(
    title: str, texts: Sequence[str], width_mm: float, size_pt: float, *, steps: bool = False
) -> list[Any]:
    """Set a heading and sentences, or numbered steps, in two columns of about equal length."""
    if not texts:
        return []
    split = middle_of([len(text) for text in texts])
    set_out = [
        words(text, size_pt, bullet=f"{number}." if steps else "•")
        for number, text in enumerate(texts, 1)
    ]
    gap = ("RIGHTPADDING", (0, 0), (0, 0), 3.0 * MM)
    halves = table([[set_out[:split], set_out[split:]]], [width_mm / 2.0] * 2, gap)
    return [words(title, 7.5, bold=True), halves]


def page_head(
    kind: str,
    code: str,
    facts: Sequence[tuple[str, str]],
    address: str,
    width_mm: float,
    type_pt: float = 7.0,
) -> Any:
    """What a page is of, what is known of it in two columns, and its address as QR code."""
    left = width_mm - QR_MM
    split = middle_of([max(50, len(value)) for _, value in facts])
    name_mm = 2.3 * type_pt
    halves = [
        table(
            [[words(name, type_pt, grey=0.35), words(value, type_pt)] for name, value in half],
            [name_mm, left / 2.0 - name_mm],
            ("RIGHTPADDING", (0, 0), (-1, -1), 2.0 * MM),
        )
        for half in (facts[:split], facts[split:])
    ]
    said = [
        words(kind, 7.0, grey=0.25),
        words(code, 18.0, bold=True),
        *([words(address, 6.0)] if address != code else []),
        gap(0.8),
        table([halves], [left / 2.0] * 2),
    ]
    return table([[said, qr_code(address, QR_MM)]], [left, QR_MM])


def scale_for(size_mm: tuple[float, float], room_mm: tuple[float, float]) -> float:
    """The largest of the usual scales, 1 : n, at which something fits a room."""
    least = max(size / room for size, room in zip(size_mm, room_mm, strict=True))
    return next((scale for scale in _SCALES if scale >= least), least)


class Drawing(Flowable):  # type: ignore[misc]
    """A drawing by reportlab's canvas in millimetres from its own top left, y down."""

    def __init__(self, size_mm: tuple[float, float], draw: Draw) -> None:
        super().__init__()
        self.width, self.height = (length * MM for length in size_mm)
        self._draw = draw

    def draw(self) -> None:
        """Called by reportlab when the place is known."""
        self.canv.translate(0, self.height)
        self.canv.scale(MM, -MM)
        self._draw(self.canv)


def letters(
    canvas: Any,
    at_mm: tuple[float, float],
    text: str,
    size_pt: float,
    *,
    align: Align = "left",
    bold: bool = False,
    upright: bool = False,
) -> None:
    """Write one line into a drawing, its baseline beginning at ``at_mm``."""
    canvas.saveState()
    canvas.translate(*at_mm)
    canvas.scale(1.0 / MM, -1.0 / MM)
    canvas.rotate(90 if upright else 0)
    canvas.setFillGray(0.0)
    canvas.setFont(BOLD_FONT if bold else PLAIN_FONT, size_pt)
    shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[align]
    width_pt = text_width_mm(text, size_pt, bold=bold) * MM
    canvas.drawString(-shift * width_pt, 0, printable(text))
    canvas.restoreState()


def outline(canvas: Any, points: Sequence[tuple[float, float]], *, filled: bool = False) -> None:
    """Draw a line through points, unbroken so that its dashes run on; or the area in it."""
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if filled:
        path.close()
    canvas.drawPath(path, stroke=1, fill=int(filled))


def qr_code(text: str, size_mm: float) -> Drawing:
    """Make a QR code; its quiet zone is inside the size."""
    rows = list(segno.make(text, error="m", micro=False).matrix_iter(border=4))
    step = size_mm / len(rows)

    def draw(canvas: Any) -> None:
        side = 1.02 * step  # a hair of overlap, so that no white line shows between squares
        for y, modules in enumerate(rows):
            for x in (x for x, dark in enumerate(modules) if dark):
                canvas.rect(x * step, y * step, side, side, stroke=0, fill=1)

    return Drawing((size_mm, size_mm), draw)


class RuledRoom(Drawing):
    """What is left of a page, ruled for words of one's own."""

    def __init__(self, title: str, width_mm: float) -> None:
        super().__init__((width_mm, 0.0), self._lines)
        self._title = title

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Called by reportlab with the room that there is [pt]."""
        self.height = max(0.0, height - 1e-6)
        return width, self.height

    def _lines(self, canvas: Any) -> None:
        height = self.height / MM
        if height < 18.0:
            return
        letters(canvas, (0.0, 6.0), self._title, 7.5, bold=True)
        canvas.setLineWidth(0.12)
        canvas.setStrokeGray(0.5)
        for number in range(2, int(height / 7.0)):
            canvas.line(0.0, 7.0 * number, self.width / MM, 7.0 * number)


def height_mm(parts: Iterable[Any], width_mm: float) -> float:
    """Measure parts set below one another."""
    return float(sum(part.wrap(width_mm * MM, 1e6)[1] for part in parts)) / MM


def gap(height: float = 2.6) -> Drawing:
    """Leave room between parts [mm]."""
    return Drawing((1.0, height), lambda canvas: None)


def one_page(paper: str, title: str, choices: Iterable[Sequence[Any]]) -> bytes | None:
    """Print the first choice of parts that fits one page; None when none does."""
    for parts in choices:
        out, left = BytesIO(), list(parts)
        width, height = (length * MM for length in PAPERS_MM[paper])
        # invariant: no clock and no random id in the file.
        canvas = Canvas(out, pagesize=(width, height), invariant=1, pageCompression=1)
        canvas.setTitle(title)
        canvas.setCreator("calib")
        edge = MARGIN_MM * MM
        frame = Frame(edge, edge, width - 2.0 * edge, height - 2.0 * edge, 0, 0, 0, 0)
        frame.addFromList(left, canvas)
        if not left:
            canvas.showPage()
            canvas.save()
            return out.getvalue()
    return None


def room_mm(paper: str) -> tuple[float, float]:
    """Width and height between the margins of a paper; raises InvalidRecord for another."""
    if paper not in PAPERS_MM:
        known = ", ".join(PAPERS_MM)
        raise InvalidRecord(say("print_style.paper_is_give_one", paper=paper, known=known))
    width, height = PAPERS_MM[paper]
    return width - 2.0 * MARGIN_MM, height - 2.0 * MARGIN_MM
