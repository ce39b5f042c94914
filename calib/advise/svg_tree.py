"""An SVG document from an unknown hand: checked, then walked into a flat list of drawn paths."""

from __future__ import annotations

import functools
import gc
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import BinaryIO, NamedTuple
from xml.etree.ElementTree import Element, ParseError, TreeBuilder

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser
from svgelements import Matrix as _TransformReader

from calib.advise.outlines import SAME_PLACE_MM
from calib.advise.plain_shapes import Corners, Oval, least_stretch
from calib.advise.svg_shapes import (
    MM_PER_PX,
    NUMBER,
    SHAPES,
    Matrix,
    Viewport,
    as_path,
    composed,
    length_px,
    shape_of,
    view_box,
)
from calib.advise.svg_style import Look, Stylesheet
from calib.errors import BadFile

# Bounds on what a file may ask for. A drawing of ten megabytes has at most some 200,000 elements.
MAX_BYTES = 16_000_000
MAX_ELEMENTS = 200_000
MAX_NESTING = 100
# Elements that appear through references; a drawing of one shape used a thousand times is fine.
MAX_REUSED = 20_000

# Shapes smaller than this are read as path data, which leaves dots out [mm].
_LEAST_MM = 10.0 * SAME_PLACE_MM

_SVG = "{http://www.w3.org/2000/svg}"
_HREF, _XLINK_HREF = "href", "{http://www.w3.org/1999/xlink}href"
# Attributes that call for a closer look at a shape.
_RARE = frozenset({_HREF, _XLINK_HREF, "clip-path", "mask", "transform"})
_CONTAINERS = {"svg", "g", "a", "symbol", "switch"}
# Left out, with the words in which the user is told; what is in neither list is left out quietly.
_LEFT_OUT = {
    "text": "text (turn it into paths in the drawing program)",
    "image": "pictures made of dots",
    "foreignObject": "foreign content",
    "script": "scripts",
}
_TRANSFORM = re.compile(
    r"\s*+(?:(matrix|translate|scale|rotate|skewX|skewY)\s*+\(([-+0-9.eE,\s]++)\)[\s,]*+)*+"
)
_LONGEST_TRANSFORM = 2000
# By far the commonest one, read without the library, which takes 30 times as long.
_USUAL_TRANSFORM = re.compile(
    r"translate\(([-+]?\d{1,9}(?:\.\d{1,9})?)(?:[ ,]([-+]?\d{1,9}(?:\.\d{1,9})?))?\)"
)
_ONE_NUMBER = re.compile(NUMBER)
_ONE_TRANSFORM = re.compile(r"([a-zA-Z]++)\s*+\(([^)]*+)\)")
_NUMBERS_OF = {
    "matrix": (6,),
    "translate": (1, 2),
    "scale": (1, 2),
    "rotate": (1, 3),
    "skewX": (1,),
    "skewY": (1,),
}


class DrawnPath(NamedTuple):  # made a hundred thousand times, which a dataclass is too slow for
    """One shape of the drawing: its lines, the way to millimetres, its colours and layer."""

    data: Oval | Corners | str
    matrix: Matrix
    stroke: str
    fill: str
    group: str


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
    """Read an SVG document without trusting it.

    Raises BadFile when it is too large or too deep, isn't SVG, declares entities, refers to other
    files or to itself, or holds something that can't be read as a length.
    """
    with _without_collector():
        root = _tree(_bounded(source))
        if root.tag != "svg":
            raise BadFile(
                f"the file's outermost element is {root.tag[:40]!r}, not 'svg': save the drawing"
                " as plain SVG."
            )
        return _Walk(root).page


@contextmanager
def _without_collector() -> Iterator[None]:
    """Don't look for circles of references meanwhile: there are none, and it takes a third."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _bounded(source: bytes | BinaryIO) -> bytes:
    data = source if isinstance(source, bytes) else source.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise BadFile(
            f"the drawing is larger than {MAX_BYTES / 1e6:g} MB, the most that is read: simplify"
            " its paths or split it."
        )
    if data[:2] == b"\x1f\x8b":
        raise BadFile("the drawing is packed (gzip): save it as plain SVG, not as a packed one.")
    return data


class _Names(dict[str, str]):
    """From names as the parser gives them, ``uri}name``, to names as a tree has them."""

    def __missing__(self, raw: str) -> str:
        self[raw] = "{" + raw if "}" in raw else raw
        return self[raw]


class _Counted(TreeBuilder):
    """Builds the tree and stops as soon as it grows too large or too deep."""

    def __init__(self) -> None:
        super().__init__()
        self.elements = 0
        self.depth = 0
        self.names = _Names()

    def begin(self, tag: str, attrs: list[str]) -> None:
        """Begin an element; the attributes come as name, value, name, value, …"""
        self.elements += 1
        self.depth += 1
        if self.elements > MAX_ELEMENTS or self.depth > MAX_NESTING:
            raise BadFile(
                f"the drawing has more than {MAX_ELEMENTS} elements or is nested more than"
                f" {MAX_NESTING} deep: simplify it or split it."
            )
        names = self.names
        keys = map(names.__getitem__, attrs[::2])
        # Shapes are known by their short names; elements of other namespaces keep long ones.
        self.start(names[tag].removeprefix(_SVG), dict(zip(keys, attrs[1::2], strict=True)))

    def finish(self, tag: str) -> None:
        """End an element."""
        self.depth -= 1
        self.end(self.names[tag].removeprefix(_SVG))


def _tree(data: bytes) -> Element:
    # A document type may be named, as older programs do; entities and anything outside may not.
    builder = _Counted()
    parser = DefusedXMLParser(target=builder, forbid_entities=True, forbid_external=True)
    # Straight from the parser to the builder: half the time for very many small elements.
    parser.parser.StartElementHandler = builder.begin
    parser.parser.EndElementHandler = builder.finish
    try:
        parser.feed(data)
        root: Element = parser.close()
    except DefusedXmlException:
        raise BadFile(
            "the drawing declares entities or refers to another file, which is never followed:"
            " save it as plain SVG."
        ) from None
    except (ParseError, ValueError, LookupError) as error:
        if isinstance(error, BadFile):
            raise
        raise BadFile(f"the drawing isn't well-formed XML ({error}): save it again.") from None
    return root


class _Walk:
    """One pass over the tree, with an explicit stack: depth is data, not recursion."""

    def __init__(self, root: Element) -> None:
        sheets = [e.text or "" for e in root.iter() if e.tag == "style"]
        self.rules = Stylesheet(sheets)
        self.by_id = {e.get("id", ""): e for e in root.iter() if e.get("id")}
        self.layers = _layers(root)
        self.reused = 0
        place, has_size = self._page_place(root)
        self.page = DrawnPage(has_size)
        stack = [(element, place) for element in reversed(root)]
        while stack:
            element, place = stack.pop()
            if not place.used and element.tag in SHAPES and _RARE.isdisjoint(element.attrib):
                self._draw_plainly(element, place)
            else:
                stack.extend(self._visit(element, place))

    def _page_place(self, root: Element) -> tuple[_Place, bool]:
        viewport, matrix, has_size = view_box(root, None)
        to_mm = composed((MM_PER_PX, 0.0, 0.0, MM_PER_PX, 0.0, 0.0), matrix)
        return _Place(to_mm, viewport, self.rules.look(root, root.tag, Look()), ""), has_size

    def _visit(self, element: Element, place: _Place) -> Iterator[tuple[Element, _Place]]:
        name = element.tag
        if place.used:
            self._count_reuse()
        if name in _LEFT_OUT:
            self.page.left_out[_LEFT_OUT[name]] += 1
        if name != "a":
            _refuse_outside(element)
        if name not in SHAPES and name not in _CONTAINERS and name != "use":
            return iter(())
        look = self.rules.look(element, name, place.look)
        if not look.shown:
            self.page.left_out["hidden shapes"] += 1
            return iter(())
        if element.get("clip-path") or element.get("mask"):
            self.page.left_out["clips and masks (what they hide is read too)"] += 1
        transform = element.get("transform")
        matrix = composed(place.matrix, _transform(transform)) if transform else place.matrix
        if name in SHAPES:
            self._draw(element, name, matrix, look, place)
            return iter(())
        group = self.layers.get(element, place.group)
        inside = replace(place, matrix=matrix, look=look, group=group)
        if name == "use":
            return self._follow(element, inside)
        if name == "symbol" and not place.used:
            return iter(())
        return self._children(element, name, inside)

    def _count_reuse(self) -> None:
        self.reused += 1
        if self.reused > MAX_REUSED:
            raise BadFile(
                f"the drawing's references make more than {MAX_REUSED} copies of shapes: turn"
                " the copies into paths, or draw fewer."
            )

    def _children(
        self, element: Element, name: str, place: _Place
    ) -> Iterator[tuple[Element, _Place]]:
        if name in ("svg", "symbol"):
            viewport, matrix, _ = view_box(element, place.viewport, place.size)
            place = replace(place, matrix=composed(place.matrix, matrix), viewport=viewport)
        if any(place.size):
            place = replace(place, size=("", ""))
        if name == "switch":
            return ((child, place) for child in element[:1])
        return ((child, place) for child in reversed(element))

    def _draw_plainly(self, element: Element, place: _Place) -> None:
        """Draw a shape without anything unusual about it: the same as a visit, only faster."""
        look = self.rules.look(element, element.tag, place.look)
        if look.shown:
            self._draw(element, element.tag, place.matrix, look, place)
        else:
            self.page.left_out["hidden shapes"] += 1

    def _draw(self, element: Element, name: str, matrix: Matrix, look: Look, place: _Place) -> None:
        if not look.visible or (look.stroke == "none" and look.fill == "none"):
            self.page.left_out["hidden shapes"] += 1
            return
        data = shape_of(element, name, place.viewport)
        if not isinstance(data, str) and data.size * least_stretch(matrix) < _LEAST_MM:
            # Flattened to a line or a dot: the general way copes with that.
            data = as_path(data)
        if data:
            self.page.paths.append(DrawnPath(data, matrix, look.stroke, look.fill, place.group))

    def _follow(self, element: Element, place: _Place) -> Iterator[tuple[Element, _Place]]:
        wanted = _href(element)[1:]
        target = self.by_id.get(wanted)
        if target is None:
            raise BadFile(
                f"the drawing refers to a shape {wanted[:40]!r} that isn't in it: save it again"
                " as plain SVG."
            )
        if wanted in place.used:
            raise BadFile(
                f"the drawing's shape {wanted[:40]!r} refers to itself: turn the copies into paths."
            )
        x = length_px(element.get("x", "0"), place.viewport.width)
        y = length_px(element.get("y", "0"), place.viewport.height)
        matrix = composed(place.matrix, (1.0, 0.0, 0.0, 1.0, x, y))
        used = (*place.used, wanted)
        if len(used) > MAX_NESTING:
            raise BadFile(f"the drawing's references are nested more than {MAX_NESTING} deep.")
        size = element.get("width", ""), element.get("height", "")
        return iter(((target, replace(place, matrix=matrix, used=used, size=size)),))


def _href(element: Element) -> str:
    return (element.get(_HREF) or element.get(_XLINK_HREF) or "").strip()


def _refuse_outside(element: Element) -> None:
    href = _href(element)
    if href and not href.startswith(("#", "data:")):
        raise BadFile(
            f"the drawing refers to {href[:60]!r}, outside itself, which is never followed: embed"
            " it or leave it out."
        )


@functools.lru_cache(maxsize=4096)
def _transform(text: str) -> Matrix:
    if not text.strip():
        return (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    if (usual := _USUAL_TRANSFORM.fullmatch(text)) is not None:
        x, y = usual.groups()
        return (1.0, 0.0, 0.0, 1.0, float(x), float(y or 0.0))
    good, readable = len(text) <= _LONGEST_TRANSFORM and _TRANSFORM.fullmatch(text) is not None, ""
    for name, inside in _ONE_TRANSFORM.findall(text) if good else ():
        numbers = _ONE_NUMBER.findall(inside)
        stray = _ONE_NUMBER.sub("", inside).replace(",", " ").strip()
        good = good and not stray and len(numbers) in _NUMBERS_OF[name]
        readable += f"{name}({' '.join(repr(float(n)) for n in numbers)})"
    if not good:
        raise BadFile(
            f"the drawing holds the transform {text[:60]!r}, which can't be read: matrix,"
            " translate, scale, rotate, skewX and skewY with plain numbers are supported."
        )
    # The library skips what it can't read, so it gets nothing but the numbers that were found.
    matrix = _TransformReader(readable)
    return (matrix.a, matrix.b, matrix.c, matrix.d, matrix.e, matrix.f)


def _layers(root: Element) -> dict[Element, str]:
    """Names of the groups that split the drawing, found below groups that hold everything."""

    def groups(element: Element) -> list[Element]:
        return [child for child in element if child.tag == "g"]

    level = root
    while True:
        drawn = [c for c in level if c.tag in SHAPES or c.tag in _CONTAINERS | {"use"}]
        if len(drawn) == 1 and drawn[0].tag == "g" and groups(drawn[0]):
            level = drawn[0]
        else:
            return {g: _label(g) or f"group {i}" for i, g in enumerate(groups(level), start=1)}


def _label(group: Element) -> str:
    """Its title, a label attribute of any program, or its id."""
    titles = [child.text or "" for child in group if child.tag == "title"]
    labels = [value for key, value in group.attrib.items() if key.endswith("}label")]
    words = [" ".join(text.split())[:80] for text in (*titles, *labels, group.get("id", ""))]
    return next((text for text in words if text), "")
