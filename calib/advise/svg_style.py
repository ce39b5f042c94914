"""What decides how a shape of an SVG document looks: attributes, styles and simple rules."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from svgelements import Color

from calib.errors import BadFile

# Bounds on what a style sheet may ask for.
_MAX_RULES = 10_000
_LONGEST_NAMES = 10_000
_PROPERTIES = ("stroke", "fill", "display", "visibility")


@dataclass(frozen=True, slots=True)
class Look:
    """Colours as #rrggbb or ``none``; the defaults are those of the SVG recommendation."""

    # stroke, fill: Colours of the line and of the surface
    stroke: str = "none"
    fill: str = "#000000"
    visible: bool = True  # False when hidden; inherited, but a shape inside may be visible again
    # False when neither the element nor anything inside it is drawn; not inherited
    shown: bool = True


class Stylesheet:
    """The document's rules; those by *, element, .class and #id are followed, in this order."""

    def __init__(self, sheets: list[str]) -> None:
        self.rules: dict[str, dict[str, str]] = {}
        # Most shapes of a drawing look alike, so each look is worked out once.
        self._known: dict[tuple[object, ...], Look] = {}
        for text in sheets:
            self._read(text)

    def _read(self, text: str) -> None:
        if "@import" in text:
            raise BadFile(
                "the drawing's style sheet refers to another file (@import), which is never"
                " followed: save it as plain SVG."
            )
        for rule in _without_comments(text).split("}"):
            selectors, _, body = rule.partition("{")
            if len(self.rules) > _MAX_RULES or len(selectors) > _LONGEST_NAMES:
                raise BadFile(
                    f"the drawing's style sheet has more than {_MAX_RULES} rules, or one for more"
                    f" than {_LONGEST_NAMES} letters of names: save it as plain SVG."
                )
            for selector in selectors.split(","):
                self.rules.setdefault(selector.strip(), {}).update(_declarations(body))

    def look(self, element: Element, name: str, above: Look) -> Look:
        """How an element looks, from the weakest source to the strongest."""
        get = element.attrib.get
        own_id = get("id") if self.rules else None
        said = get("stroke"), get("fill"), get("display"), get("visibility"), get("style")
        key = (above, said, name, get("class"), own_id) if self.rules else (above, said)
        look = self._known.get(key)
        if look is None:
            look = self._known[key] = self._work_out(element, name, above)
        return look

    def _work_out(self, element: Element, name: str, above: Look) -> Look:
        found: dict[str, str] = {}
        for source in self._sources(element, name):
            found.update((key, source[key]) for key in _PROPERTIES if key in source)
        own = {key: text.strip() for key, text in found.items() if text.strip() != "inherit"}
        visible = own["visibility"] == "visible" if "visibility" in own else above.visible
        return Look(
            stroke=_colour(own["stroke"]) if "stroke" in own else above.stroke,
            fill=_colour(own["fill"]) if "fill" in own else above.fill,
            visible=visible,
            shown=own.get("display") != "none",
        )

    def _sources(self, element: Element, name: str) -> list[dict[str, str]]:
        sources: list[dict[str, str]] = [element.attrib]
        if self.rules:
            classes = (f".{word}" for word in element.get("class", "")[:_LONGEST_NAMES].split())
            keys = ("*", name, *classes, f"#{element.get('id')}")
            sources += [self.rules[key] for key in keys if key in self.rules]
        if "style" in element.attrib:
            sources.append(_declarations(element.attrib["style"]))
        return sources


def _without_comments(text: str) -> str:
    kept, at = [], 0
    while (begin := text.find("/*", at)) >= 0:
        kept.append(text[at:begin])
        end = text.find("*/", begin + 2)
        at = len(text) if end < 0 else end + 2
    return "".join((*kept, text[at:]))


@functools.lru_cache(maxsize=1024)
def _declarations(text: str) -> dict[str, str]:
    pairs = (part.partition(":") for part in text.split(";"))
    found = {key.strip().lower(): value.partition("!")[0].strip() for key, _, value in pairs}
    return {key: value for key, value in found.items() if key in _PROPERTIES and value}


@functools.lru_cache(maxsize=1024)
def _colour(text: str) -> str:
    """A colour as #rrggbb; ``none`` when nothing is painted; black for a pattern."""
    word = text.lower()
    if word in ("none", "transparent"):
        return "none"
    try:
        return str(Color(word).hexrgb or "#000000") if len(word) <= 60 else "#000000"
    except (ValueError, TypeError, IndexError):
        return "#000000"
