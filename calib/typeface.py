"""The one typeface of sheets and pictures: where it lies, and text of which no character is lost.

DejaVu Sans (free licence, from Bitstream Vera; its text travels with matplotlib) covers Latin,
Greek, Cyrillic and most signs. What it doesn't hold is spelt out by its code, so that two names
that differ still differ on paper.
"""

from __future__ import annotations

import importlib.util
import unicodedata
from collections.abc import Callable, Container
from itertools import groupby
from pathlib import Path

from calib.errors import CalibError
from calib.texts.say import say

# File names within matplotlib's folder of fonts.
REGULAR = "DejaVuSans.ttf"
BOLD = "DejaVuSans-Bold.ttf"


def font_path(file_name: str = REGULAR) -> Path:
    """Say where a font file lies, without loading matplotlib.

    Raises CalibError when matplotlib was installed without its fonts.

    Examples
    --------
    >>> font_path(BOLD).name
    'DejaVuSans-Bold.ttf'
    """
    spec = importlib.util.find_spec("matplotlib")
    folder = Path(spec.origin).parent if spec is not None and spec.origin else Path()
    path = folder / "mpl-data" / "fonts" / "ttf" / file_name
    if not path.is_file():
        raise CalibError(say("typeface.font_is_not_there", file_name=file_name, path=path))
    return path


def keep_every_character(text: str, known: Container[int]) -> str:
    """Rewrite a text so that a font shows all of it.

    Examples
    --------
    >>> latin = range(32, 256)
    >>> keep_every_character("e\\u0301tabli", latin) == "\\u00e9tabli"
    True
    >>> keep_every_character("\\uff11\\uff12 mm \\u6728\\u6750", latin)
    '12 mm <6728 6750>'
    """
    composed = unicodedata.normalize("NFC", text)
    shown: list[str] = []
    for spelt, group in groupby(composed, lambda sign: _plain(sign, known) is None):
        signs = list(group)
        if spelt:
            shown.append("<" + " ".join(f"{ord(sign):04X}" for sign in signs) + ">")
        else:
            shown.extend(_plain(sign, known) or "" for sign in signs)
    return "".join(shown)


def _plain(sign: str, known: Container[int]) -> str | None:
    """Return the sign or its compatible spelling in known characters; None when there is none."""
    if ord(sign) in known and unicodedata.category(sign) not in {"Cc", "Cf", "Cs"}:
        return sign
    parts = unicodedata.normalize("NFKC", sign)
    if parts and all(ord(part) in known and part.isprintable() for part in parts):
        return parts
    return None


def wrapped(text: str, width: float, measure: Callable[[str], float]) -> list[str]:
    """Break a text into lines of a width, by what measures a line; long words are broken too.

    Examples
    --------
    >>> wrapped("chance of falling free", 10, len)
    ['chance of', 'falling', 'free']
    """
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if measure(longer) <= width:
            lines[-1] = longer
            continue
        lines += [""] if lines[-1] else []
        for sign in word:
            if lines[-1] and measure(lines[-1] + sign) > width:
                lines.append("")
            lines[-1] += sign
    return lines
