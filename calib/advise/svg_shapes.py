"""Shapes and lengths of an SVG document: plain shapes, or path data, in one kind of unit."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from calib.advise.plain_shapes import Corners, Oval
from calib.errors import BadFile
from calib.units import MM_PER_INCH

# CSS Values and Units: 96 px to the inch of 25.4 mm, exactly. (A library's rounded millimetre is
# 5e-7 large, so the units stand here.)
PX_PER_INCH = 96.0
MM_PER_PX = MM_PER_INCH / PX_PER_INCH
_PX_PER = {
    "": 1.0,
    "px": 1.0,
    "mm": PX_PER_INCH / MM_PER_INCH,
    "cm": 10.0 * PX_PER_INCH / MM_PER_INCH,
    "q": PX_PER_INCH / MM_PER_INCH / 4.0,
    "in": PX_PER_INCH,
    "pt": PX_PER_INCH / 72.0,
    "pc": PX_PER_INCH / 6.0,
}
_REAL_UNITS = ("mm", "cm", "q", "in", "pt", "pc")
# One number, of a bounded length.
NUMBER = r"[-+]?(?>\d{1,60}+\.?\d{0,60}+|\.\d{1,60}+)(?>[eE][-+]?\d{1,2})?+"
_LENGTH = re.compile(rf"\s*+({NUMBER})\s*+([a-zA-Z%]{{0,8}}+)\s*+")
_PLAIN = re.compile(rf"\s*+{NUMBER}\s*+")
_POINTS = re.compile(r"[-+0-9.eE,\s]*+")
# What CSS takes when a drawing says neither its size nor its viewBox [px].
_NO_SIZE_PX = (300.0, 150.0)

Matrix = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Viewport:
    """Size in its own units of the area that lengths in per cent refer to."""

    width: float
    height: float

    @property
    def diagonal(self) -> float:
        """What a radius in per cent refers to."""
        return math.hypot(self.width, self.height) / math.sqrt(2.0)


def composed(outer: Matrix, inner: Matrix) -> Matrix:
    """The way through two matrices, first the inner one.

    Examples
    --------
    >>> composed((2.0, 0.0, 0.0, 2.0, 1.0, 0.0), (1.0, 0.0, 0.0, 1.0, 3.0, 4.0))
    (2.0, 0.0, 0.0, 2.0, 7.0, 8.0)
    """
    a, b, c, d, e, f = outer
    p, q, r, s, t, u = inner
    return (
        a * p + c * q,
        b * p + d * q,
        a * r + c * s,
        b * r + d * s,
        a * t + c * u + e,
        b * t + d * u + f,
    )


def length_px(text: str, whole: float) -> float:
    """Read a length of an SVG document.

    Raises BadFile when it isn't a length that can be read.

    Examples
    --------
    >>> length_px("1in", 0.0), length_px("50%", 30.0)
    (96.0, 15.0)
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if math.isfinite(value) and "_" not in text:
        return value
    match = _LENGTH.fullmatch(text) if len(text) <= 200 else None
    unit = match.group(2).lower() if match else "?"
    if match is None or (unit != "%" and unit not in _PX_PER):
        raise BadFile(
            f"the drawing holds the length {text[:40]!r}, which can't be read: use plain numbers,"
            " mm, cm, in, pt, px or %."
        )
    return float(match.group(1)) * (whole / 100.0 if unit == "%" else _PX_PER[unit])


def view_box(
    element: Element, outer: Viewport | None, size: tuple[str, str] = ("", "")
) -> tuple[Viewport, Matrix, bool]:
    """Where an ``svg`` or ``symbol`` element lies and how its units are scaled.

    Raises BadFile when the viewBox isn't four numbers with a width and a height.

    Notes
    -----
    SVG 2, coordinate systems, "equivalent transform": without ``preserveAspectRatio`` the
    smaller of the two scales holds for both axes, and the content is centred.
    """
    box = _box(element.get("viewBox"))
    around = outer or Viewport(*(box[2:] if box else _NO_SIZE_PX))
    width = length_px(size[0] or element.get("width", "100%"), around.width)
    height = length_px(size[1] or element.get("height", "100%"), around.height)
    x = y = 0.0
    if outer is not None:
        x = length_px(element.get("x", "0"), around.width)
        y = length_px(element.get("y", "0"), around.height)
    given = element.get("width", ""), element.get("height", "")
    has_size = all(text.strip().lower().endswith(_REAL_UNITS) for text in given)
    if box is None:
        return Viewport(width, height), (1.0, 0.0, 0.0, 1.0, x, y), has_size
    scale_x, scale_y = width / box[2], height / box[3]
    align, _, how = element.get("preserveAspectRatio", "").strip().partition(" ")
    if align != "none":
        fit = max if how.strip() == "slice" else min
        scale_x = scale_y = fit(scale_x, scale_y)
    room_x, room_y = width - box[2] * scale_x, height - box[3] * scale_y
    align = align.lower() or "xmidymid"
    shift_x = x + room_x * (0.0 if "xmin" in align else 1.0 if "xmax" in align else 0.5)
    shift_y = y + room_y * (0.0 if "ymin" in align else 1.0 if "ymax" in align else 0.5)
    matrix = (scale_x, 0.0, 0.0, scale_y, shift_x - box[0] * scale_x, shift_y - box[1] * scale_y)
    return Viewport(box[2], box[3]), matrix, has_size


def _box(text: str | None) -> tuple[float, float, float, float] | None:
    if text is None:
        return None
    words = text[:400].replace(",", " ").split()
    if len(words) == 4 and all(_PLAIN.fullmatch(word) for word in words):
        x, y, width, height = (float(word) for word in words)
        if width > 0.0 and height > 0.0:
            return x, y, width, height
    raise BadFile(
        f"the drawing's viewBox is {text[:40]!r}: four numbers are needed, the last two above 0."
    )


def shape_of(element: Element, name: str, viewport: Viewport) -> Oval | Corners | str:
    """What a shape element draws.

    Raises BadFile when one of its lengths can't be read.

    Examples
    --------
    >>> from xml.etree.ElementTree import Element
    >>> as_path(shape_of(Element("rect", width="3", height="2"), "rect", Viewport(9.0, 9.0)))
    'M0.0 0.0L3.0 0.0L3.0 2.0L0.0 2.0z'
    """
    return SHAPES[name](element, viewport)


def as_path(shape: Oval | Corners) -> str:
    """Write a plain shape as path data."""
    if isinstance(shape, Oval):
        arc = f"a{shape.rx!r} {shape.ry!r} 0 0 1 "
        start = f"M{shape.cx + shape.rx!r} {shape.cy!r}"
        return f"{start}{arc}{-2.0 * shape.rx!r} 0{arc}{2.0 * shape.rx!r} 0z"
    points = zip(shape.numbers[0::2], shape.numbers[1::2], strict=True)
    return "M" + "L".join(f"{x!r} {y!r}" for x, y in points) + ("z" if shape.closed else "")


def _x(element: Element, key: str, viewport: Viewport) -> float:
    return length_px(element.get(key, "0"), viewport.width)


def _y(element: Element, key: str, viewport: Viewport) -> float:
    return length_px(element.get(key, "0"), viewport.height)


def _path(element: Element, viewport: Viewport) -> str:
    data = element.get("d", "")
    return "" if data.strip() in ("", "none") else data


def _rect(element: Element, viewport: Viewport) -> Corners | str:
    x, y = _x(element, "x", viewport), _y(element, "y", viewport)
    width, height = _x(element, "width", viewport), _y(element, "height", viewport)
    if width <= 0.0 or height <= 0.0:
        return ""
    given_x, given_y = element.get("rx", "auto"), element.get("ry", "auto")
    if given_x == given_y == "auto":
        right, bottom = x + width, y + height
        return Corners((x, y, right, y, right, bottom, x, bottom), closed=True)
    rx = length_px(given_y if given_x == "auto" else given_x, viewport.width)
    ry = length_px(given_x if given_y == "auto" else given_y, viewport.height)
    rx, ry = min(abs(rx), width / 2.0), min(abs(ry), height / 2.0)
    across, down = width - 2.0 * rx, height - 2.0 * ry
    arc = f"a{rx!r} {ry!r} 0 0 1 "
    return (
        f"M{x + rx!r} {y!r}h{across!r}{arc}{rx!r} {ry!r}v{down!r}{arc}{-rx!r} {ry!r}"
        f"h{-across!r}{arc}{-rx!r} {-ry!r}v{-down!r}{arc}{rx!r} {-ry!r}z"
    )


def _oval(cx: float, cy: float, rx: float, ry: float) -> Oval | str:
    return Oval(cx, cy, rx, ry) if rx > 0.0 and ry > 0.0 else ""


def _circle(element: Element, viewport: Viewport) -> Oval | str:
    r = length_px(element.get("r", "0"), viewport.diagonal)
    return _oval(_x(element, "cx", viewport), _y(element, "cy", viewport), r, r)


def _ellipse(element: Element, viewport: Viewport) -> Oval | str:
    rx, ry = _x(element, "rx", viewport), _y(element, "ry", viewport)
    return _oval(_x(element, "cx", viewport), _y(element, "cy", viewport), rx, ry)


def _line(element: Element, viewport: Viewport) -> Corners:
    x1, y1 = _x(element, "x1", viewport), _y(element, "y1", viewport)
    x2, y2 = _x(element, "x2", viewport), _y(element, "y2", viewport)
    return Corners((x1, y1, x2, y2), closed=False)


def _polyline(element: Element, viewport: Viewport) -> str:
    points = element.get("points", "")
    if _POINTS.fullmatch(points) is None:
        raise BadFile(
            f"the drawing holds the points {points[:40]!r}, which aren't numbers: save it again."
        )
    return f"M{points}" if points.strip() else ""


def _polygon(element: Element, viewport: Viewport) -> str:
    data = _polyline(element, viewport)
    return f"{data}z" if data else ""


SHAPES: dict[str, Callable[[Element, Viewport], Oval | Corners | str]] = {
    "path": _path,
    "rect": _rect,
    "circle": _circle,
    "ellipse": _ellipse,
    "line": _line,
    "polyline": _polyline,
    "polygon": _polygon,
}
