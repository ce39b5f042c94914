"""The style of a drawing's elements: attributes, style sheets and ``style``, by the CSS cascade."""

from __future__ import annotations

import functools
import re
from collections import defaultdict
from collections.abc import Mapping
from typing import Any, NamedTuple
from xml.etree.ElementTree import Element

import tinycss2
import tinycss2.color4

from calib.errors import BadFile, shown
from calib.texts.say import say

# Bounds on what a style sheet may ask for.
_LONGEST_SHEET = 500_000
_MAX_TRIED = 1_000_000
_MAX_ANCESTORS = 4
_LONGEST_CLASSES = 1000
# An element's name or *, then classes and ids. Selectors by attribute, child, sibling or state
# aren't followed, and said.
_COMPOUND = re.compile(r"(?=.)(\*|[a-zA-Z][\w-]*+)?((?:[.#][\w-]++)*+)")
_PART = re.compile(r"[.#][\w-]++")

Declared = tuple[tuple[str, str, bool], ...]  # name, value, whether it is !important


class _Selector(NamedTuple):
    rank: tuple[int, int, int, int]  # ids, classes, elements, and its place in the document
    needs: tuple[frozenset[str], ...]  # of an ancestor, of the next one inside, …, of the element
    said: Declared


class Styles:
    """What attributes, the document's style sheets and ``style`` say of each element."""

    def __init__(self, root: Element) -> None:
        self.skipped_rules = self._count = self._tried = 0
        # Each selector stands under one name that an element has to have.
        self._selectors: defaultdict[str, list[_Selector]] = defaultdict(list)
        text = "\n".join("".join(e.itertext()) for e in root.iter("style"))
        if len(text) > _LONGEST_SHEET:
            raise BadFile(say("jobs.style_sheet_is_long", count=len(text), most=_LONGEST_SHEET))
        for rule in tinycss2.parse_stylesheet(text, True, True) if text.strip() else ():
            self._add(rule)
        every = (selector for selectors in self._selectors.values() for selector in selectors)
        inner = any(len(selector.needs) > 1 for selector in every)
        self._parents = {child: above for above in root.iter() for child in above} if inner else {}

    def _add(self, rule: Any) -> None:
        if rule.type == "at-rule" and rule.lower_at_keyword == "import":
            raise BadFile(say("jobs.drawings_style_sheet_refers_to_another"))
        if rule.type != "qualified-rule":
            self.skipped_rules += rule.type == "at-rule" and rule.lower_at_keyword == "media"
            return
        said = declared(tinycss2.serialize(rule.content))
        for text in tinycss2.serialize(rule.prelude).split(","):
            words = [_COMPOUND.fullmatch(word) for word in text.split()[: _MAX_ANCESTORS + 1]]
            if not 0 < len(words) <= _MAX_ANCESTORS or None in words:
                self.skipped_rules += 1
                continue
            parts = [(match[1] or "*", *_PART.findall(match[2])) for match in words if match]
            names = [name for part in parts for name in part]
            counts = [sum(name[0] == mark for name in names) for mark in "#.*"]
            self._count += 1
            rank = (counts[0], counts[1], len(names) - sum(counts), self._count)
            key = max(parts[-1], key=lambda name: ".#".find(name[0]))
            needs = tuple(frozenset(part) for part in parts)
            self._selectors[key].append(_Selector(rank, needs, said))

    def of(self, element: Element) -> Mapping[str, str]:
        """Attributes and properties of an element, the strongest of each."""
        layers = [found.said for found in self._matching(element)] if self._selectors else []
        if style := element.get("style"):
            layers.append(declared(style))
        if not layers:
            return element.attrib
        own = dict(element.attrib)
        for strong in (False, True):
            for said in layers:
                own.update((key, value) for key, value, important in said if important == strong)
        return own

    def _matching(self, element: Element) -> list[_Selector]:
        names = _names(element)
        found = []
        for selector in (one for name in names for one in self._selectors.get(name, ())):
            self._tried += 1
            *outer, own = selector.needs
            above = element
            if own <= names:
                while outer and above in self._parents:
                    above = self._parents[above]
                    if outer[-1] <= _names(above):
                        outer.pop()
                if not outer:
                    found.append(selector)
        if self._tried > _MAX_TRIED:
            raise BadFile(say("jobs.drawings_style_sheet_asks_for_more", max_tried=_MAX_TRIED))
        return sorted(found)


def _names(element: Element) -> frozenset[str]:
    classes = (f".{word}" for word in element.get("class", "")[:_LONGEST_CLASSES].split())
    return frozenset(("*", element.tag, f"#{element.get('id')}", *classes))


@functools.lru_cache(maxsize=1024)
def declared(text: str) -> Declared:
    """Name, value and importance of each declaration."""
    return tuple(
        (said.lower_name, tinycss2.serialize(said.value).strip(), said.important)
        for said in tinycss2.parse_blocks_contents(text, True, True)
        if said.type == "declaration"
    )


@functools.lru_cache(maxsize=1024)
def colour(text: str, current: str, opacity: str) -> str:
    """A paint as #rrggbb or ``url(#…)``; ``none`` when nothing is painted.

    ``current`` is what ``currentColor`` stands for.
    """
    word = text.strip()
    if word.lower() == "none" or share(opacity) <= 0.0:
        return "none"
    if word.lower().startswith("url("):
        return word.partition(")")[0].replace('"', "").replace("'", "")[:80] + ")"
    try:
        found = tinycss2.color4.parse_color(current if word.lower() == "currentcolor" else word)
        alpha, parts = found.alpha, found.to("srgb").coordinates
    except (AttributeError, NotImplementedError, ValueError, OverflowError):
        raise BadFile(say("jobs.drawing_holds_line_in_colour", word=shown(word))) from None
    if alpha <= 0.0:
        return "none"
    return "#" + "".join(f"{round(255.0 * min(max(part, 0.0), 1.0)):02x}" for part in parts)


def share(text: str) -> float:
    """An opacity: a number or a percentage; 1 when it can't be read."""
    try:
        return float(text.rstrip("% ")) / (100.0 if "%" in text else 1.0)
    except ValueError:
        return 1.0
