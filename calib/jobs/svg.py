"""An SVG document from an unknown hand: checked, then walked into a flat list of drawn paths."""

from __future__ import annotations

import functools
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import BinaryIO, NamedTuple
from xml.etree.ElementTree import Element, ParseError, TreeBuilder

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser
from svgelements import Matrix, Viewbox

from calib.errors import BadFile, shown
from calib.jobs.css import Styles, colour, share
from calib.jobs.outlines import Dashes
from calib.jobs.paths import NUMBER
from calib.texts.say import say
from calib.units import MM_PER_INCH

# Bounds on what a file may ask for. A drawing of ten megabytes has at most some 200,000 elements.
MAX_BYTES = 16_000_000
MAX_ELEMENTS = 200_000
MAX_NESTING = 100
# Elements that appear through references; a drawing of one shape used a thousand times is fine.
MAX_REUSED = 20_000

# CSS Values and Units: 96 px to the inch of 25.4 mm, exactly. (The library's rounded millimetre is
# 5e-7 large, so lengths are read here.)
MM_PER_PX = MM_PER_INCH / 96.0
_PX_PER = {
    "": 1.0, "px": 1.0, "mm": 1.0 / MM_PER_PX, "cm": 10.0 / MM_PER_PX, "q": 0.25 / MM_PER_PX,
    "in": 96.0, "pt": 96.0 / 72.0, "pc": 16.0,
}  # fmt: skip
_REAL_UNITS = ("mm", "cm", "q", "in", "pt", "pc")
_DEGREES_PER = {"": 1.0, "deg": 1.0, "grad": 0.9, "turn": 360.0, "rad": 180.0 / math.pi}
_LENGTH = re.compile(rf"\s*+({NUMBER})\s*+([a-zA-Z%]{{0,8}}+)\s*+")
_MEASURE = re.compile(rf"({NUMBER})([a-zA-Z%]*+)")
_ZERO = re.compile(r"\s*+[-+]?0*+\.?0*+\s*+[a-zA-Z%]*+\s*+")
# What CSS takes when a drawing says neither its size nor its viewBox [px].
_NO_SIZE_PX = (300.0, 150.0)

_SVG = "{http://www.w3.org/2000/svg}"
_XLINK_HREF = "{http://www.w3.org/1999/xlink}href"
_SHAPES = {"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"}
_CONTAINERS = {"svg", "g", "a", "symbol", "switch"}
# Left out, with the words in which the user is told; what is in no list is left out quietly.
_LEFT_OUT = {
    "text": say("jobs.text_turn_it_into_paths"),
    "image": say("jobs.pictures_made_of_dots"),
    "foreignObject": say("jobs.foreign_content"),
    "script": "scripts",
}
_HIDDEN = say("jobs.hidden_shapes")
# Inherited properties and what they are when nobody says.
_INHERITED = {
    "stroke": "none", "fill": "black", "color": "black", "visibility": "visible",
    "stroke-opacity": "1", "fill-opacity": "1", "stroke-width": "1", "stroke-dasharray": "none",
    "stroke-dashoffset": "0",
}  # fmt: skip
_NOT_FOLLOWED = ("rotate", "scale", "translate", "offset-path")
_TRANSFORM = re.compile(
    r"\s*+(?:(matrix|translate[XY]?|scale[XY]?|rotate|skew[XY])\s*+\(([^()]*+)\)[\s,]*+)*+"
)
_ONE_TRANSFORM = re.compile(r"([a-zA-Z]++)\s*+\(([^()]*+)\)")
_LONGEST_TRANSFORM = 2000
_NUMBERS_OF = {"matrix": (6,), "translate": (1, 2), "scale": (1, 2), "rotate": (1, 3)}

Look = Mapping[str, str]


class Viewport(NamedTuple):
    """Size in its own units of the area that lengths in per cent refer to."""

    width: float
    height: float

    @property
    def diagonal(self) -> float:
        """What a radius in per cent refers to."""
        return math.hypot(self.width, self.height) / math.sqrt(2.0)


class DrawnPath(NamedTuple):
    """One shape of the drawing: its lines, the way to millimetres, its paint, group and dashes."""

    data: str
    matrix: Matrix
    paint: str
    group: str
    dashes: Dashes | None


@dataclass(slots=True)
class DrawnPage:
    """What a document draws, in its order; whether it says how large that is."""

    has_size: bool
    paths: list[DrawnPath] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the walk stands: everything that an element inherits."""

    matrix: Matrix
    viewport: Viewport
    look: Look
    group: str
    used: tuple[str, ...] = ()  # ids of the references that led here
    size: tuple[str, str] = ("", "")  # width and height that a reference asks for


def read_page(source: bytes | BinaryIO) -> DrawnPage:
    """Read an SVG document, of which no more than ``MAX_BYTES`` are read, without trusting it."""
    data = source if isinstance(source, bytes) else source.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise BadFile(say("jobs.drawing_is_larger_than_mb", max_bytes=MAX_BYTES / 1000000.0))
    if data[:2] == b"\x1f\x8b":
        raise BadFile(say("jobs.drawing_is_packed_gzip"))
    # A document type may be named, as older programs do; entities and anything outside may not.
    parser = DefusedXMLParser(target=_Counted(), forbid_entities=True, forbid_external=True)
    try:
        parser.feed(data)
        root: Element = parser.close()
    except DefusedXmlException:
        raise BadFile(say("jobs.drawing_declares_entities_or_refers")) from None
    except (ParseError, ValueError, LookupError) as error:
        if isinstance(error, BadFile):
            raise
        raise BadFile(say("jobs.drawing_isnt_well_formed_xml", error=error)) from None
    if root.tag != "svg":
        raise BadFile(say("jobs.files_outermost_element", tag=root.tag[:40]))
    return _Walk(root).page


class _Counted(TreeBuilder):
    """Builds the tree, SVG's own elements by short names, and stops when it grows too large."""

    def __init__(self) -> None:
        super().__init__()
        self.elements = self.depth = 0

    def start(self, tag: str, attrs: dict[str, str], /) -> Element:
        self.elements += 1
        self.depth += 1
        if self.elements > MAX_ELEMENTS or self.depth > MAX_NESTING:
            raise BadFile(
                say("jobs.drawing_has_more_than_elements", most=MAX_ELEMENTS, deep=MAX_NESTING)
            )
        return super().start(tag.removeprefix(_SVG), attrs)

    def end(self, tag: str, /) -> Element:
        self.depth -= 1
        return super().end(tag.removeprefix(_SVG))


class _Walk:
    """One pass over the tree, with an explicit stack: depth is data, not recursion."""

    def __init__(self, root: Element) -> None:
        self.styles = Styles(root)
        self.by_id = {e.get("id", ""): e for e in root.iter() if e.get("id")}
        self.layers = _layers(root)
        self.reused = 0
        own = self.styles.of(root)
        if own.get("transform", "none") != "none":
            raise BadFile(say("jobs.drawings_outermost_element_has_transform"))
        viewport, matrix, has_size = view_box(own, None)
        self.page = DrawnPage(has_size)
        self.page.left_out[say("jobs.style_rules_for_special_cases")] += self.styles.skipped_rules
        stack = []
        if (look := self._look(own, _INHERITED)) is not None:
            place = _Place(matrix * Matrix.scale(MM_PER_PX), viewport, look, "")
            stack = [(element, place) for element in reversed(root)]
        while stack:
            element, place = stack.pop()
            stack.extend(self._visit(element, place))

    def _visit(self, element: Element, place: _Place) -> Iterator[tuple[Element, _Place]]:
        name = element.tag
        if place.used:
            self.reused += 1
            if self.reused > MAX_REUSED:
                raise BadFile(
                    say("jobs.drawings_references_make_more_than_copies", max_reused=MAX_REUSED)
                )
        if name in _LEFT_OUT:
            self.page.left_out[_LEFT_OUT[name]] += 1
        if name not in _SHAPES and name not in _CONTAINERS and name != "use":
            return
        own = self.styles.of(element)
        look = self._look(own, place.look)
        if look is None:
            self.page.left_out[_HIDDEN] += 1
            return
        for key in ("clip-path", "mask"):
            if own.get(key, "none") != "none":
                self.page.left_out[say("jobs.clips_and_masks_what_they_hide")] += 1
        matrix = place.matrix
        if own.get("transform", "none").strip() not in ("", "none"):
            if not _ZERO.fullmatch(own.get("transform-origin", "0").replace(" ", "")):
                raise BadFile(say("jobs.drawing_moves_shape", key="transform-origin"))
            matrix = transform_of(own["transform"]) * matrix
        for key in _NOT_FOLLOWED:
            if own.get(key, "none") != "none":
                raise BadFile(say("jobs.drawing_moves_shape", key=key))
        if name in _SHAPES:
            self._draw(name, own, replace(place, matrix=matrix, look=look))
            return
        group = self.layers.get(element, place.group)
        inside = replace(place, matrix=matrix, look=look, group=group, size=("", ""))
        if name == "use":
            yield self._follow(element, own, inside)
            return
        if name == "symbol" and not place.used:
            return
        if name in ("svg", "symbol"):
            viewport, matrix, _ = view_box(own, place.viewport, place.size)
            inside = replace(inside, matrix=matrix * inside.matrix, viewport=viewport)
        children = list(element)
        if name == "switch":
            asking = ("requiredExtensions", "systemLanguage")
            children = [c for c in children if not any(map(c.get, asking))][:1] or children[:1]
        for child in reversed(children):
            yield child, inside

    def _look(self, own: Mapping[str, str], above: Look) -> Look | None:
        """Inherited properties; None when neither it nor anything inside it is drawn."""
        if own.get("display") == "none" or share(own.get("opacity", "1")) <= 0.0:
            return None
        said = {key: own[key].strip() for key in _INHERITED.keys() & own.keys()}
        for key, value in tuple(said.items()):
            if value in ("inherit", "unset") or (key, value.lower()) == ("color", "currentcolor"):
                del said[key]
            elif value == "initial":
                said[key] = _INHERITED[key]
        return {**above, **said} if said else above

    def _draw(self, name: str, own: Mapping[str, str], place: _Place) -> None:
        look = place.look
        paint = colour(look["stroke"], look["color"], look["stroke-opacity"])
        if paint != "none" and _ZERO.fullmatch(look["stroke-width"]):
            self.page.left_out[say("jobs.lines_of_no_width")] += 1
            paint = "none"
        has_line = paint != "none"
        if not has_line and name != "line":
            fill = colour(look["fill"], look["color"], look["fill-opacity"])
            paint = fill if fill == "none" else say("jobs.fill", fill=fill)
        if paint == "none" or look["visibility"] != "visible":
            self.page.left_out[_HIDDEN] += 1
            return
        data = shape_of(name, own, place.viewport)
        if not data:
            return
        dashes = None
        if has_line and look["stroke-dasharray"] not in ("none", ""):
            whole = place.viewport.diagonal
            words = look["stroke-dasharray"].replace(",", " ").split()
            pattern = tuple(length_px(word, whole) for word in words)
            if min(pattern) >= 0.0 and sum(pattern) > 0.0:
                offset = length_px(look["stroke-dashoffset"], whole)
                counts_as = length_px(own["pathLength"], 0.0) if "pathLength" in own else None
                dashes = Dashes(pattern, offset, counts_as)
                self.page.left_out[say("jobs.gaps_of_dashed_lines")] += 1
        self.page.paths.append(DrawnPath(data, place.matrix, paint, place.group, dashes))

    def _follow(
        self, element: Element, own: Mapping[str, str], place: _Place
    ) -> tuple[Element, _Place]:
        href = (element.get("href") or element.get(_XLINK_HREF) or "").strip()
        if not href.startswith("#"):
            raise BadFile(say("jobs.drawing_uses_outside_itself", href=shown(href[:60])))
        wanted = href[1:]
        target = self.by_id.get(wanted)
        if target is None:
            raise BadFile(say("jobs.drawing_refers_to_shape_that_isnt", wanted=wanted[:40]))
        used = (*place.used, wanted)
        if wanted in place.used or len(used) > MAX_NESTING:
            raise BadFile(
                say("jobs.drawings_shape_refers_to_itself", wanted=wanted[:40], deep=MAX_NESTING)
            )
        x = length_px(own.get("x", "0"), place.viewport.width)
        y = length_px(own.get("y", "0"), place.viewport.height)
        matrix = Matrix.translate(x, y) * place.matrix
        size = own.get("width", ""), own.get("height", "")
        return target, replace(place, matrix=matrix, used=used, size=size)


@functools.lru_cache(maxsize=4096)
def transform_of(text: str) -> Matrix:
    """The matrix of a transform, as the attribute and as CSS write it."""
    good = len(text) <= _LONGEST_TRANSFORM and _TRANSFORM.fullmatch(text) is not None
    readable = ""
    for name, inside in _ONE_TRANSFORM.findall(text) if good else ():
        measures = _MEASURE.findall(inside)
        stray = _MEASURE.sub("", inside).replace(",", " ").strip()
        units = _DEGREES_PER if name.startswith(("rotate", "skew")) else {"": 1.0}
        if name.startswith("translate"):
            units = _PX_PER
        good = good and not stray and len(measures) in _NUMBERS_OF.get(name, (1,))
        good = good and all(unit.lower() in units for _, unit in measures)
        if good:
            numbers = [float(number) * units[unit.lower()] for number, unit in measures]
            readable += f"{name}({' '.join(map(repr, numbers))})"
    if not good:
        raise BadFile(say("jobs.drawing_holds_transform", text=text[:60]))
    # The library skips what it can't read, so it gets nothing but the numbers that were found.
    return Matrix(readable)


def length_px(text: str, whole: float) -> float:
    """A length with or without a unit [px, 96 to the inch]; ``whole`` is what 100 % is [px].

    Examples
    --------
    >>> length_px("1in", 0.0), length_px("50%", 30.0)
    (96.0, 15.0)
    """
    match = _LENGTH.fullmatch(text) if len(text) <= 200 else None
    unit = match[2].lower() if match else "?"
    if match is None or (unit != "%" and unit not in _PX_PER):
        raise BadFile(say("jobs.drawing_holds_length", text=text[:40]))
    return float(match[1]) * (whole / 100.0 if unit == "%" else _PX_PER[unit])


def view_box(
    own: Mapping[str, str], outer: Viewport | None, size: tuple[str, str] = ("", "")
) -> tuple[Viewport, Matrix, bool]:
    """Where an ``svg`` or ``symbol`` element lies and how its units are scaled.

    Gives the viewport inside, the way to the one around it (None: the outermost) [px], and whether
    the size is in units of real length. ``size`` is what a reference asks for, before its own.
    """
    box: tuple[float, ...] | None = None
    if (text := own.get("viewBox")) is not None:
        words = text[:400].replace(",", " ").split()
        if len(words) == 4 and all(re.fullmatch(NUMBER, word) for word in words):
            box = tuple(float(word) for word in words)
        if box is None or min(box[2:]) <= 0.0:
            raise BadFile(say("jobs.drawings_viewbox", text=text[:40]))
    around = outer or Viewport(*(box[2:] if box else _NO_SIZE_PX))
    given = [own.get(key, "auto").strip() for key in ("width", "height")]
    asked = [
        one or ("100%" if two == "auto" else two) for one, two in zip(size, given, strict=True)
    ]
    width, height = (length_px(*pair) for pair in zip(asked, around, strict=True))
    x = y = 0.0
    if outer is not None:
        x = length_px(own.get("x", "0"), around.width)
        y = length_px(own.get("y", "0"), around.height)
    has_size = all(text.lower().endswith(_REAL_UNITS) for text in given)
    if box is None:
        return Viewport(width, height), Matrix.translate(x, y), has_size
    aspect = " ".join(own.get("preserveAspectRatio", "").split()) or None
    transform = Viewbox.viewbox_transform(x, y, width, height, *box, aspect)
    return Viewport(box[2], box[3]), Matrix(transform), has_size


def shape_of(name: str, own: Mapping[str, str], viewport: Viewport) -> str:
    """What a shape element draws, as path data; empty when that is nothing."""
    wide, high = viewport

    def at(key: str, whole: float) -> float:
        return length_px(own.get(key, "0"), whole)

    if name == "path":
        data = own.get("d", "")
        return "" if data.strip() in ("", "none") else data
    if name in ("polyline", "polygon"):
        points = own.get("points", "")
        if re.search(r"[^-+0-9.eE,\s]", points):
            raise BadFile(say("jobs.drawing_holds_points", points=points[:40]))
        return f"M{points}{'z' * (name == 'polygon')}" if points.strip() else ""
    if name == "line":
        return f"M{at('x1', wide)!r} {at('y1', high)!r}L{at('x2', wide)!r} {at('y2', high)!r}"
    if name == "circle":
        rx = ry = at("r", viewport.diagonal)
    else:
        # Of two radii one stands for the other when only it is given.
        radii = [own.get(key, "auto").strip() for key in ("rx", "ry")]
        given = [text for text in radii if text != "auto"] or ["0"]
        rx, ry = length_px(given[0], wide), length_px(given[-1], high)
    if name in ("circle", "ellipse"):
        x, y = at("cx", wide), at("cy", high)
        arc = f"A{rx!r} {ry!r} 0 1 1 "
        oval = f"M{x + rx!r} {y!r}{arc}{x - rx!r} {y!r}{arc}{x + rx!r} {y!r}z"
        return oval if rx > 0.0 and ry > 0.0 else ""
    x, y, width, height = at("x", wide), at("y", high), at("width", wide), at("height", high)
    if width <= 0.0 or height <= 0.0:
        return ""
    rx, ry = min(rx, width / 2.0), min(ry, height / 2.0)
    across, down = width - 2.0 * rx, height - 2.0 * ry
    if rx <= 0.0 or ry <= 0.0:
        return f"M{x!r} {y!r}h{width!r}v{height!r}h{-width!r}z"
    arc = f"a{rx!r} {ry!r} 0 0 1 "
    return (
        f"M{x + rx!r} {y!r}h{across!r}{arc}{rx!r} {ry!r}v{down!r}{arc}{-rx!r} {ry!r}"
        f"h{-across!r}{arc}{-rx!r} {-ry!r}v{-down!r}{arc}{rx!r} {-ry!r}z"
    )


def _layers(root: Element) -> dict[Element, str]:
    """Names of the groups that split the drawing, found below groups that hold everything."""

    def groups(element: Element) -> list[Element]:
        return [child for child in element if child.tag == "g"]

    level = root
    while True:
        drawn = [c for c in level if c.tag in _SHAPES | _CONTAINERS | {"use"}]
        if len(drawn) == 1 and drawn[0].tag == "g" and groups(drawn[0]):
            level = drawn[0]
        else:
            break
    names = {}
    for number, group in enumerate(groups(level), 1):
        # Its title, a label attribute of any program, or its id.
        titles = [child.text or "" for child in group if child.tag == "title"]
        labels = [value for key, value in group.attrib.items() if key.endswith("}label")]
        words = (" ".join(text.split())[:80] for text in (*titles, *labels, group.get("id", "")))
        names[group] = next(filter(None, words), say("jobs.group", i=number))
    return names
