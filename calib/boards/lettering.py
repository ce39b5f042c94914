"""Letters as single strokes: what the beam writes on a board."""

from __future__ import annotations

import unicodedata
from functools import cache

from anyascii import anyascii
from HersheyFonts import HersheyFonts

from calib.texts.say import say
from calib.typeface import wrapped

Polyline = tuple[tuple[float, float], ...]

# The thin single-stroke face of A. V. Hershey (U.S. National Bureau of Standards); the
# acknowledgement that must travel with it is in calib/data/NOTICE-hershey.txt.
FACE = "futural"
# Height of the capitals in the units of the face, and where its baseline lies.
_CAP_UNITS = 21.0
_BASELINE_UNITS = 9.0


def transliterate(text: str) -> str:
    """Write a text in ASCII so that every character leaves something behind.

    Examples
    --------
    >>> transliterate("Größe 3 mm, фанера")
    'Grosse 3 mm, fanera'
    >>> transliterate("木"), transliterate("\ue000")
    ('Mu', '<E000>')
    """
    composed = unicodedata.normalize("NFC", text)
    return "".join(sign if " " <= sign <= "~" else _spelling(sign) for sign in composed)


def _spelling(sign: str) -> str:
    # A loose accent or a soft hyphen has no ink.
    if unicodedata.category(sign) in {"Mn", "Cf"}:
        return ""
    plain = "" if sign.isascii() else anyascii(sign)
    return plain if plain.isprintable() and plain else f"<{ord(sign):04X}>"


@cache
def _glyph(sign: str) -> tuple[float, tuple[Polyline, ...]]:
    """Width and strokes of a character, in cap heights, baseline at y = 0, y down."""
    glyphs = list(_face().glyphs_for_text(sign))
    if len(glyphs) != 1:
        raise ValueError(say("boards.character_is_not_in_face", sign=sign, face=FACE))
    glyph = glyphs[0]
    strokes = tuple(
        tuple(
            ((x - glyph.left_offset) / _CAP_UNITS, (y - _BASELINE_UNITS) / _CAP_UNITS)
            for x, y in stroke
        )
        for stroke in glyph.strokes
        if len(stroke) > 1
    )
    return glyph.char_width / _CAP_UNITS, strokes


@cache
def _face() -> HersheyFonts:
    face = HersheyFonts()
    face.load_default_font(FACE)
    return face


def text_width_mm(text: str, cap_mm: float) -> float:
    """Measure one line of text."""
    return sum(_glyph(sign)[0] for sign in transliterate(text)) * cap_mm


def text_strokes(
    text: str, cap_mm: float, left_mm: float, baseline_mm: float
) -> tuple[Polyline, ...]:
    """Draw one line of text."""
    strokes: list[Polyline] = []
    pen = left_mm
    for sign in transliterate(text):
        width, parts = _glyph(sign)
        strokes += [
            tuple((pen + x * cap_mm, baseline_mm + y * cap_mm) for x, y in part) for part in parts
        ]
        pen += width * cap_mm
    return tuple(strokes)


def wrap_text(text: str, cap_mm: float, width_mm: float) -> tuple[str, ...]:
    """Break a text into lines; a word wider than the line is broken as well.

    Examples
    --------
    >>> wrap_text("K7M2 cut birch", 3.0, 16.0)
    ('K7M2', 'cut', 'birch')
    """
    return tuple(wrapped(transliterate(text), width_mm, lambda line: text_width_mm(line, cap_mm)))
