"""Letters as single strokes: what the beam writes on a board."""

from __future__ import annotations

import unicodedata
from functools import cache

from HersheyFonts import HersheyFonts

from calib.typeface import wrapped

Polyline = tuple[tuple[float, float], ...]

# The thin single-stroke face of A. V. Hershey (U.S. National Bureau of Standards); the
# acknowledgement that must travel with it is in calib/data/NOTICE-hershey.txt.
FACE = "futural"
# Height of the capitals in the units of the face, and where its baseline lies.
_CAP_UNITS = 21.0
_BASELINE_UNITS = 9.0
# Latin letters and signs that don't come apart into ASCII by themselves (Unicode NFKD).
_SPELLINGS = {
    "ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O",
    "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "ł": "l", "Ł": "L", "þ": "th", "Þ": "Th",
    "ı": "i", "ħ": "h", "Ħ": "H", "µ": "u", "×": "x", "÷": "/", "°": "deg", "±": "+/-",
    "–": "-", "—": "-", "−": "-", "‐": "-", "‑": "-", "‘": "'", "’": "'", "‚": ",", "“": '"',
    "”": '"', "„": '"', "«": '"', "»": '"', "·": ".", "•": "*", "€": "EUR", "£": "GBP",
    "≤": "<=", "≥": ">=", "≈": "~", "⌀": "dia ", "⁄": "/",
}  # fmt: skip


def transliterate(text: str) -> str:
    """Write a text in ASCII so that every character leaves something behind.

    Examples
    --------
    >>> transliterate("Größe 3 mm, фанера")
    'Grosse 3 mm, fanera'
    >>> transliterate("木")
    '<6728>'
    """
    return "".join(_spelling(sign) for sign in unicodedata.normalize("NFC", text))


def _spelling(sign: str) -> str:
    if " " <= sign <= "~":
        return sign
    if sign in _SPELLINGS:
        return _SPELLINGS[sign]
    if unicodedata.category(sign) in {"Mn", "Cf"}:  # a loose accent, a soft hyphen: no ink
        return ""
    plain = "".join(
        _SPELLINGS.get(part, part)
        for part in unicodedata.normalize("NFKD", sign)
        if unicodedata.category(part) != "Mn"
    )
    if plain and all(" " <= part <= "~" for part in plain) and (plain.strip() or sign.isspace()):
        return plain
    return _from_name(plain if len(plain) == 1 else sign) or f"<{ord(sign):04X}>"


# Sounds of Cyrillic and Greek letters by their Unicode names, where the name isn't the sound.
_SOUNDS = {
    "BE": "b", "VE": "v", "GHE": "g", "DE": "d", "IE": "e", "ZHE": "zh", "ZE": "z",
    "KA": "k", "EL": "l", "EM": "m", "EN": "n", "PE": "p", "ER": "r", "ES": "s",
    "TE": "t", "EF": "f", "HA": "kh", "TSE": "ts", "CHE": "ch", "SHA": "sh", "SHCHA": "shch",
    "HARD SIGN": "'", "SOFT SIGN": "'", "YERU": "y",
    "ALPHA": "a", "BETA": "v", "GAMMA": "g", "DELTA": "d", "EPSILON": "e", "ZETA": "z",
    "ETA": "i", "THETA": "th", "IOTA": "i", "KAPPA": "k", "LAMDA": "l", "MU": "m", "NU": "n",
    "XI": "x", "OMICRON": "o", "RHO": "r", "SIGMA": "s", "FINAL SIGMA": "s", "TAU": "t",
    "UPSILON": "y", "PHI": "f", "CHI": "ch", "OMEGA": "o",
}  # fmt: skip


def _from_name(sign: str) -> str:
    """Spell a Cyrillic or Greek letter by its Unicode name; empty for all others."""
    script, _, rest = unicodedata.name(sign, "").partition(" ")
    kind, _, name = rest.partition(" LETTER ")
    if script not in {"CYRILLIC", "GREEK"} or not name:
        return ""
    name = name.split(" WITH ")[0]
    sound = _SOUNDS.get(name, name.replace(" ", "-").lower())
    return sound.capitalize() if kind == "CAPITAL" else sound


@cache
def _glyph(sign: str) -> tuple[float, tuple[Polyline, ...]]:
    """Width and strokes of a character, in cap heights, baseline at y = 0, y down."""
    glyphs = list(_face().glyphs_for_text(sign))
    if len(glyphs) != 1:
        raise ValueError(f"character {sign!r} is not in the face {FACE}: transliterate it first.")
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
