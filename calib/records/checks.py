"""Checks of a record's fields; each says what was given and what is allowed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NoReturn, TypeGuard

from calib.errors import InvalidRecord, shown


def fail(record: object, field: str, value: object, allowed: str) -> NoReturn:
    """Raise what a field can't be, and what it can."""
    raise InvalidRecord(f"{type(record).__name__}.{field} is {shown(value)}: {allowed}.")


def is_number(value: object) -> TypeGuard[float]:
    """True for what is finite; a whole number may be too long for `math.isfinite`."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < math.inf


def check_number(
    record: object,
    field: str,
    low: float,
    high: float,
    *,
    above: bool = False,
    none_ok: bool = False,
) -> None:
    """Check a number [unit of the field] against ``low`` (exclusive if ``above``) and ``high``."""
    value = getattr(record, field)
    if value is None and none_ok:
        return
    words = ("above", "and at most") if above else ("from", "to")
    allowed = f"give a number {words[0]} {low:g} {words[1]} {high:g}"
    if not is_number(value):
        fail(record, field, value, allowed)
    if not (low < value if above else low <= value) or value > high:
        fail(record, field, value, allowed)


def check_whole(record: object, field: str, low: int, high: int, *, none_ok: bool = False) -> None:
    """Check a whole number, both bounds allowed."""
    value = getattr(record, field)
    if value is None and none_ok:
        return
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        fail(record, field, value, f"give a whole number from {low} to {high}")


def check_word(record: object, field: str, allowed: Iterable[object]) -> None:
    """Check that a value is one of some."""
    value = getattr(record, field)
    choices = tuple(allowed)
    if value not in choices:
        fail(record, field, value, "give one of " + ", ".join(str(c) for c in choices))


def check_text(record: object, field: str, *, needed: bool = False, longest: int = 200) -> None:
    """Check one line of text without control characters."""
    value = getattr(record, field)
    if not isinstance(value, str) or len(value) > longest or any(ord(c) < 32 for c in value):
        fail(record, field, value, f"give one line of text of at most {longest} characters")
    if needed and not value.strip():
        fail(record, field, value, "give a name")


def check_pair(record: object, field: str, low: float, high: float) -> None:
    """Check two numbers, both bounds allowed."""
    value = getattr(record, field)
    good = isinstance(value, tuple) and len(value) == 2
    good = good and all(is_number(v) and low <= v <= high for v in value)
    if not good:
        fail(
            record,
            field,
            value,
            f"give two numbers from {low:g} to {high:g}, such as (300.0, 200.0)",
        )
