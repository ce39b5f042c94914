"""Inputs to send to a reader: grown from a grammar of its format, or bent from another input."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from random import Random
from typing import Any

Grammar = Mapping[str, Sequence[str]]

NUMBERS = (
    "0", "-0", "1", "3", "0.25", "12,5", ".5", "5.", "1.2.3", "-1", "+2", "1e3", "1e308", "1e999",
    "1e-320", "nan", "inf", "-inf", "99999999999999999999", "0x10", "1_000", "٣", "²", "½", "1/0",
    "1/4", "1 1/2", "7" * 60, "4" * 4400, "",
)  # fmt: skip
TEXTS = (
    "birch plywood", "x", " ", "", "\t", "\r\n", "\x00", "\x1b[31m", "\x85", "\u2028", "\u202e",
    "\ud800", "\ufeff", "'", '"', "'=1+1", "=1+1", "@", "../../etc/passwd", "%00", "ſ", "İ", "𝟛",
    "ẞ" * 40, "a" * 300, "{}", "[]", "null", "<b>", "]]>", "\\", "--help", "~nobody-of-that-name",
)  # fmt: skip
# Said of numbers and texts alike by any grammar as $number and $text.
COMMON: Grammar = {
    "number": (*("3", "12.5", "60", "0.1", "400") * 6, *NUMBERS),
    "text": (*("birch plywood", "bench", "oak 4") * 8, *TEXTS),
}

_NAME = re.compile(r"\$([a-z_]+)")
_TOKEN = re.compile(rb"[A-Za-z_]+|\d+(?:\.\d+)?|\s+|.", re.DOTALL)
_DEEPEST = 12


def grow(grammar: Grammar, random: Random, name: str = "start", depth: int = 0) -> str:
    """Grow a text: each ``$name`` becomes one of its alternatives; below a depth, the first."""
    known = grammar.get(name) or COMMON[name]
    chosen = known[0] if depth > _DEEPEST else random.choice(known)
    return _NAME.sub(lambda match: grow(grammar, random, match[1], depth + 1), chosen)


def encoded(text: str, random: Random) -> bytes:
    """Text as UTF-8, seldom in another encoding, and lone surrogates as the bytes they would be."""
    encoding = random.choice(("utf-8",) * 12 + ("utf-16", "latin-1"))
    return text.encode(encoding, "surrogatepass" if encoding != "latin-1" else "replace")


def bend(data: bytes, random: Random, words: Sequence[str]) -> bytes:
    """Change an input here and there, a word or a number at a time."""
    tokens = _TOKEN.findall(data[:20_000])
    for _ in range(random.randint(1, 4)):
        at = random.randrange(len(tokens) + 1)
        kind = random.randrange(7)
        word = random.choice((*words, *NUMBERS, *TEXTS)).encode("utf-8", "surrogatepass")
        if kind == 0:
            tokens.insert(at, word)
        elif kind == 1:
            tokens[at : at + random.randint(1, 5)] = []
        elif kind == 2:
            tokens[at : at + 1] = tokens[at : at + 1] * random.choice((2, 3, 200))
        elif kind == 3:
            piece = tokens[at : at + random.randint(1, 30)]
            other = random.randrange(len(tokens) + 1)
            tokens[other:other] = piece
        elif kind == 4 and random.random() < 0.3:
            del tokens[at:]
        elif kind == 5:
            numbers = [i for i, token in enumerate(tokens) if token[:1].isdigit()] or [at]
            at = random.choice(numbers)
            tokens[at : at + 1] = [random.choice(NUMBERS).encode()]
        else:
            tokens[at : at + 1] = [word]
    return b"".join(tokens)


def lengthen(data: bytes, random: Random, longest: int) -> bytes:
    """Repeat a piece of an input until it is long: what takes too long then, grows too fast."""
    begin, end = sorted((random.randrange(len(data) + 1), random.randrange(len(data) + 1)))
    piece = data[begin:end] or b"a"
    return data[:end] + piece * ((longest - len(data)) // len(piece)) + data[end:]


def edit_json(text: str, random: Random, words: Sequence[str]) -> str:
    """Change one to three places of a JSON document, which stays JSON."""
    document = json.loads(text)
    for _ in range(random.randint(1, 3)):
        places = list(_places(document))
        if places:
            _edit(document, random.choice(places), random.choice(places), random, words)
    return json.dumps(document, ensure_ascii=random.random() < 0.5)


Place = tuple[Any, Any]


def _places(value: Any) -> Any:
    """Every place inside a document: what holds it, and under which key."""
    keys = value.keys() if isinstance(value, dict) else range(len(value))
    for key in list(keys):
        yield value, key
        if isinstance(value[key], (dict, list)):
            yield from _places(value[key])


def _edit(document: Any, place: Place, other: Place, random: Random, words: Sequence[str]) -> None:
    holder, key = place
    text = random.choice((*words, *NUMBERS, *TEXTS))
    kind = random.randrange(6)
    if kind == 0:
        del holder[key]
    elif kind == 1:
        holder[key] = json.loads(json.dumps(other[0][other[1]]))
    elif kind == 2 and isinstance(holder, dict):
        holder[text] = 1
    elif kind == 2:
        holder.insert(key, json.loads(json.dumps(holder[key])))
    elif kind == 3:
        holder[key] = random.choice((
            None,
            True,
            0,
            -1,
            1e308,
            1e-320,
            10**400,
            2**63,
            0.1,
            [],
            {},
            [[]],
            [1, 2],
        ))
    elif kind == 4 and isinstance(holder[key], str):
        holder[key] = holder[key][: len(holder[key]) // 2] + text
    else:
        holder[key] = text
