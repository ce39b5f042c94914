"""What a person types for a field of a record, read with its unit."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Literal, get_args, get_origin

from calib.errors import InvalidQuantity, shown
from calib.records.fields import FieldOf, bare
from calib.texts.say import say
from calib.units import (
    parse_length_mm,
    parse_number,
    parse_percent,
    parse_power_w,
    parse_signed_mm,
    parse_size_mm,
    parse_speed_mm_s,
    parse_whole,
)

_QUANTITIES: dict[str, Callable[[str], float]] = {
    "mm": parse_length_mm,
    "mm/s": parse_speed_mm_s,
    "%": parse_percent,
    "W": parse_power_w,
}
_WORDS: dict[str, Any] = {"yes": True, "no": False}
# What the trade calls marks.
_ALSO = {"score": "line_mark", "engrave": "area_mark"}


def read(field: FieldOf, text: str) -> Any:
    """Read what was typed for a field; raises InvalidQuantity when it can't be read.

    Lists are joined by commas, pairs as ``600 x 400`` or ``20:9``; for words, case, spaces and
    dashes don't matter.
    """
    parts = get_args(field.bare)
    if get_origin(field.bare) is not tuple:
        return _one(field, field.bare, text)
    if parts[-1] is Ellipsis or len(parts) > 2:
        kind = bare(parts[0])
        if kind is str and not text.strip():
            return ()
        return tuple(_one(field, kind, part.strip()) for part in text.split(","))
    if field.unit == "mm" and _signed(field):
        return _pair(field, text, ",", parse_signed_mm, say("typed.and_y"))
    return parse_size_mm(text)


def _one(field: FieldOf, kind: Any, text: str) -> Any:
    if get_origin(kind) is tuple and field.unit == "mm":
        return parse_size_mm(text)
    if get_origin(kind) is tuple:
        return _pair(field, text, ":", parse_number, say("typed.pairs_of_numbers"))
    if kind is float and field.unit == "mm" and _signed(field):
        return parse_signed_mm(text)
    if kind is float:
        return _QUANTITIES.get(field.unit, parse_number)(text)
    if kind is int:
        return parse_whole(text)
    if field.is_span:
        first, dash, last = text.partition("-")
        return (parse_whole(first), parse_whole(last)) if dash else parse_whole(text)
    words = {one.casefold(): one for one in get_args(kind)} if get_origin(kind) is Literal else {}
    if kind is bool:
        words = _WORDS
    elif not words:
        return text
    word = re.sub(r"[\s-]+", "_", text.strip()).casefold()
    word = _ALSO[word] if _ALSO.get(word) in words else word
    if word not in words:
        allowed = ", ".join(one for one in words if one)
        raise InvalidQuantity(
            say("typed.cant_be_read", field=field, text=shown(text), allowed=allowed)
        )
    return words[word]


def _pair(
    field: FieldOf, text: str, between: str, parse: Callable[[str], float], allowed: str
) -> tuple[float, float]:
    first, sign, second = text.partition(between)
    try:
        if sign:
            return parse(first), parse(second)
    except InvalidQuantity:
        pass
    raise InvalidQuantity(
        say("typed.cant_be_read_2", field=field, text=shown(text), allowed=allowed)
    )


def _signed(field: FieldOf) -> bool:
    return float(field.bounds.get("ge", 0.0)) < 0.0


def write(field: FieldOf, value: Any) -> str:
    """Write a value as it would be typed; nothing for what isn't given.

    Examples
    --------
    >>> from calib.records import Machine
    >>> from calib.records.fields import fields_of
    >>> bed = next(field for field in fields_of(Machine) if field.name == "bed_mm")
    >>> write(bed, (600.0, 400.0))
    '600 x 400'
    """
    if isinstance(value, tuple) and field.is_span:
        return "-".join(_written(field, part) for part in value)
    if isinstance(value, tuple):
        listed = get_args(field.bare)[-1] is Ellipsis or len(value) > 2
        parts = [_written(field, part) for part in value]
        return ",".join(parts) if listed else _joined(field, parts)
    return _written(field, value)


def _written(field: FieldOf, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return _joined(field, [_written(field, part) for part in value])
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _joined(field: FieldOf, pair: list[str]) -> str:
    between = ":" if field.unit != "mm" else "," if _signed(field) else " x "
    return between.join(pair)
