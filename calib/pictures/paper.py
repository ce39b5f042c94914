"""What all pictures share: paper, type, colours, and saving without clock or chance.

matplotlib is imported in this folder only.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, lru_cache, partial
from io import BytesIO
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font, LoadFlags
from matplotlib.patheffects import withStroke

from calib.errors import InvalidRecord
from calib.texts.say import say
from calib.typeface import font_path, keep_every_character, wrapped

PictureFormat = Literal["png", "svg"]

INK, GREY, HATCH, ACCENT = "#1b1f23", "#5b6168", "#868d94", "#a3201a"
HALO = [withStroke(linewidth=3.5, foreground="white")]
# 1080 pixels wide, the width of common phone screens.
DPI, WIDTH_IN = 150, 7.2
LEFT_IN = 0.35
_STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 13.0,
    "text.parse_math": False,
    "text.color": INK,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 1.0,
    "axes.unicode_minus": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.8,
    "svg.fonttype": "path",
    "svg.hashsalt": "calib",
}
# matplotlib keeps its style in one place for the whole process; two pictures must not mix theirs.
_ONE_AT_A_TIME = threading.Lock()
# A font face remembers the last text that it measured.
_MEASURING = threading.Lock()


@contextmanager
def drawing(height_in: float) -> Iterator[Figure]:
    """Lend an empty figure, 7.2 inches wide and ``height_in`` high, in the house style."""
    with _ONE_AT_A_TIME, mpl.rc_context():
        mpl.rcdefaults()  # a user's own matplotlib settings must not change the bytes
        mpl.rcParams.update(_STYLE)
        yield Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor="white")


def saved(figure: Figure, picture_format: str) -> bytes:
    """Turn a figure into a file.

    Raises InvalidRecord when the format is another.
    """
    out = BytesIO()
    if picture_format == "png":
        canvas: Any = FigureCanvasAgg(figure)
        canvas.print_png(out, metadata={"Software": None})
    elif picture_format == "svg":
        canvas = FigureCanvasSVG(figure)
        canvas.print_svg(out, metadata={"Date": None, "Creator": "calib"})
    else:
        raise InvalidRecord(say("pictures.picture_format", picture_format=picture_format))
    return out.getvalue()


@cache
def _font() -> FT2Font:
    return FT2Font(str(font_path()))


@cache
def _known() -> frozenset[int]:
    return frozenset(_font().get_charmap())


def drawable(text: str) -> str:
    """Rewrite a text so that the typeface shows all of it, in any language."""
    return keep_every_character(text, _known())


@lru_cache(maxsize=4096)
def text_width_in(text: str, size_pt: float) -> float:
    """Measure a line of type of this size [in]."""
    with _MEASURING:
        font = _font()
        font.set_size(size_pt, 72.0)
        font.set_text(text, 0.0, flags=LoadFlags.NO_HINTING)
        return float(font.get_width_height()[0]) / 64.0 / 72.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A text of a picture's head or foot."""

    text: str  # What; nothing is set when empty
    size_pt: float = 12.0  # Type size [pt]
    bold: bool = False  # True for the heavy weight
    gid: str = ""  # Name of the text in an SVG

    @property
    def lines(self) -> list[str]:
        """The text in lines that fit the picture's width."""
        # The heavy weight is about an eighth wider than the one that is measured.
        measured = self.size_pt * (1.14 if self.bold else 1.0)
        room = WIDTH_IN - 2.0 * LEFT_IN
        by_width = partial(text_width_in, size_pt=measured)
        return wrapped(drawable(self.text), room, by_width) if self.text else []

    @property
    def height_in(self) -> float:
        """Height when set [in]."""
        return 1.35 * self.size_pt / 72.0 * len(self.lines)

    def write(self, figure: Figure, top_in: float) -> float:
        """Set it at the left edge; return how far what follows is from the top [in]."""
        if self.text:
            label = figure.text(
                LEFT_IN / WIDTH_IN,
                1.0 - top_in / float(figure.get_size_inches()[1]),
                "\n".join(self.lines),
                fontsize=self.size_pt,
                va="top",
                linespacing=1.25,
                weight="bold" if self.bold else "normal",
            )
            label.set_gid(self.gid or None)
        return top_in + self.height_in


def axes_at(figure: Figure, top_in: float, height_in: float) -> Axes:
    """Place axes ``top_in`` below the figure's top, leaving room for ticks at the left [in]."""
    whole, left = float(figure.get_size_inches()[1]), 0.95
    wide = (WIDTH_IN - left - LEFT_IN) / WIDTH_IN
    bottom = 1.0 - (top_in + height_in) / whole
    return figure.add_axes((left / WIDTH_IN, bottom, wide, height_in / whole))


def scale_colours(count: int) -> list[str]:
    """Give a perceptually even, colour-blind safe scale from pale to deep.

    Notes
    -----
    A straight line in Oklab from warm white to blue green; lightness alone carries the order, so
    it reads in grey and with any colour vision.

    References
    ----------
    .. [1] Ottosson B. (2020) A perceptual color space for image processing.

    Examples
    --------
    >>> scale_colours(2)
    ['#f6efe4', '#5192a8']
    """
    pale, deep = np.array([0.955, 0.003, 0.017]), np.array([0.625, -0.055, -0.05])
    to_lms = np.array([
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ])
    to_rgb = np.array([
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ])
    shares = np.linspace(0.0, 1.0, max(2, count))[:count, None]
    linear = np.clip(((pale + shares * (deep - pale)) @ to_lms.T) ** 3 @ to_rgb.T, 0.0, 1.0)
    curved = 1.055 * linear ** (1.0 / 2.4) - 0.055  # sRGB, IEC 61966-2-1
    screen = np.where(linear <= 0.0031308, 12.92 * linear, curved)
    return ["#" + "".join(f"{round(255 * float(v)):02x}" for v in row) for row in screen]
