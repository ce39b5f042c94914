"""How records, times and ids are written down in the logbook."""

from __future__ import annotations

import dataclasses
import difflib
import json
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, TypeVar

from calib.errors import InvalidRecord, LogbookError, shown
from calib.records import Machine, Sheet, content_of

Record = TypeVar("Record")

# A fixed name space (RFC 9562, version 5): equal content gives the same id in every workshop,
# so the same row met twice is known to be the same.
_NAMESPACE = uuid.UUID("6d0c3f5e-51f4-5d0a-9c5b-2f8d2f6b7a41")

# No burn is older or later: a clock without a battery begins in 1970.
FIRST_YEAR, LAST_YEAR = 1968, 2200


def _plain(value: Any) -> Any:
    """Turn tuples into lists; whole numbers and -0.0 into one float."""
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return value + 0.0
    return value


def stable_id(kind: str, *content: object) -> str:
    """Make the id that a row of this kind and content has everywhere.

    Examples
    --------
    >>> stable_id("sheet", "birch 3", 3) == stable_id("sheet", "birch 3", 3.0)
    True
    """
    text = json.dumps([kind, _plain(content_of(content))], sort_keys=True, ensure_ascii=False)
    return str(uuid.uuid5(_NAMESPACE, text))


def write_time(when: datetime) -> str:
    """Write a time as UTC text of fixed width, so that text order is time order.

    Raises InvalidRecord when it isn't a time or has no zone.
    """
    if not isinstance(when, datetime) or when.tzinfo is None:
        raise InvalidRecord(f"when is {when!r}: give a date and time with its zone, such as UTC.")
    if not FIRST_YEAR < when.year < LAST_YEAR:
        raise InvalidRecord(
            f"when is {when!r}: give a year after {FIRST_YEAR} and before {LAST_YEAR}; is the"
            " computer's clock right?"
        )
    text = when.astimezone(UTC).isoformat(timespec="microseconds")
    return text.removesuffix("+00:00") + "Z"


def read_time(text: str) -> datetime:
    """Read what `write_time` wrote.

    Raises LogbookError when it can't be read: the file is damaged.

    Examples
    --------
    >>> read_time("2026-03-01T18:05:00.000000Z").hour
    18
    """
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (TypeError, ValueError, OverflowError):
        raise Unreadable(text) from None


def read_json(text: str) -> Any:
    """Read JSON that stands in the logbook.

    Raises LogbookError when it can't be read: the file is damaged.
    """
    try:
        return json.loads(text)
    except (TypeError, ValueError, RecursionError):
        raise Unreadable(text) from None


class Unreadable(LogbookError):
    """Raised when something in the logbook can't be read: it is damaged, or was tampered with.

    Parameters
    ----------
    content
        What stands there.
    """

    def __init__(self, content: object) -> None:
        super().__init__(
            f"The logbook holds {repr(content)[:60]} where that can't be: it is damaged, or was"
            " changed by another program. Restore the newest backup; the damaged file is kept."
        )


def write_record(record: Machine | Sheet) -> str:
    """Write a machine or sheet as JSON text with every field, defaults too.

    Defaults are written out so that a later change of a default can't change an old record.
    """
    return json.dumps(record_to_json(record), sort_keys=True, ensure_ascii=False)


def record_to_json(record: Any) -> dict[str, Any]:
    """Turn a record into what JSON can hold; tuples become lists."""
    return dict(json.loads(json.dumps(dataclasses.asdict(record))))


def _tuples(value: Any) -> Any:
    return tuple(_tuples(part) for part in value) if isinstance(value, list) else value


def record_from_json(kind: type[Record], fields: Mapping[str, Any]) -> Record:
    """Make a record from what `record_to_json` gave.

    Raises InvalidRecord when a field isn't known or a value isn't allowed.
    """
    known = {field.name for field in dataclasses.fields(kind)}  # type: ignore[arg-type]
    unknown = sorted(set(fields) - known)
    if unknown:
        raise InvalidRecord(f"{kind.__name__} has no field {unknown[0]!r}: leave it out.")
    try:
        return kind(**{name: _tuples(value) for name, value in fields.items()})
    except TypeError as error:
        raise InvalidRecord(f"{kind.__name__} can't be made: {error}.") from None


def read_record(kind: type[Record], text: str, *, name: str) -> Record:
    """Make a record from the JSON text that `write_record` wrote.

    Raises LogbookError when it can't be read: the file is damaged.
    """
    fields = read_json(text)
    if not isinstance(fields, dict):
        raise Unreadable(text)
    try:
        return record_from_json(kind, {**fields, "name": name})
    except InvalidRecord as error:
        raise Unreadable(text) from error


def material_key(material: str) -> str:
    """Write a material so that case and spaces don't matter.

    Examples
    --------
    >>> material_key(" Birch  Plywood")
    'birch plywood'
    """
    return " ".join(material.casefold().split())


def check_text(field: str, text: str, *, longest: int = 2000, lines: bool = False) -> str:
    """Check the user's own words.

    Raises InvalidRecord when they are too long or hold characters that can't be kept.
    """
    allowed = "\n" if lines else ""
    bad = not isinstance(text, str) or len(text) > longest
    if bad or any((ord(c) < 32 and c not in allowed) or 0xD800 <= ord(c) <= 0xDFFF for c in text):
        kind = "text" if lines else "one line of text"
        raise InvalidRecord(
            f"{field} is {shown(text)}: give {kind} of at most {longest} characters."
        )
    return text


def known_names(what: str, name: str, known: Iterable[str]) -> str:
    """Say that a name isn't in the logbook, and which ones are near it."""
    names = sorted(known)
    near = difflib.get_close_matches(name, names, n=3, cutoff=0.5) or names[:5]
    if not near:
        return f"There is no {what} {shown(name)} in the logbook, nor any other: add it first."
    return (
        f"There is no {what} {shown(name)} in the logbook; there is "
        + ", ".join(map(repr, near))
        + "."
    )
