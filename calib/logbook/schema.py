"""The JSON Schema of the exchange document, made from the tables and records themselves.

``python -m calib.logbook.schema`` writes it out; the package holds it as ``exchange_schema.json``.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import types
import typing
from pathlib import Path
from typing import Any, Literal

import sqlalchemy as sa

from calib.logbook.entries import SetupChange, Support
from calib.logbook.keeping import KINDS
from calib.logbook.layout import FORMAT, PARTS, VERSION, Part
from calib.records import OPERATIONS, THROUGH_GRADES, Machine, Sheet

SCHEMA_FILE = Path(__file__).parent / "exchange_schema.json"

Schema = dict[str, Any]

_UUID = "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"
_TIME = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z$"
_IDS = {"id", "change_id", "follows", "follows_too", "undoes"}
_TIMES = {"at", "since", "planned_at"}
_WORDS: dict[str, tuple[str, ...]] = {
    "operation": OPERATIONS,
    "through": THROUGH_GRADES,
    "what": typing.get_args(SetupChange),
    "support": typing.get_args(Support),
    "scope": ("coupon", "job", "sheet"),
    "source": ("board", "job", "check_strip"),
    "media_type": ("image/png", "image/jpeg", "image/webp"),
}
_KINDS = {
    "changes": ("machine", "set-up", "sheet", "lot", "sitting", "description", "board",
                "reading", "promise", "job", "check_strip", "settled", "note", "photograph",
                "kept", "withdrawal", "import"),
    "jobs": ("job", "check_strip"),
    "kept": KINDS,
    "withdrawals": ("run", "note", "photograph", "kept"),
    "aliases": ("machine", "sheet", "board"),
}  # fmt: skip
_LONGEST = {"text": 10_000, "note": 2000, "why": 2000, "cell": 8, "label": 200, "code": 40}
# What the names don't say by themselves.
_MEANING = {
    "id": "UUID; the same in every book that holds this row",
    "change_id": "the change with which the row came into the book",
    "follows": "id of the row of the same list that this one supersedes",
    "follows_too": "id of a second one, where two books had gone apart",
    "at": "UTC",
    "since": "UTC",
    "planned_at": "UTC",
    "power_pct": "% of full power",
    "speed_mm_s": "mm/s, as set",
    "passes": "how often the path is burnt",
    "x_mm": "mm from the board's left edge to the cell's",
    "y_mm": "mm from the board's top edge to the cell's",
    "burn_order": "from 1",
    "through": "did the coupon come loose",
    "char": "0 clean, 1 tan, 2 brown, 3 black, 4 flaking, flared or burnt back",
    "mark": "0 nothing, 1 faint, 2 clear, 3 heavy, 4 scorched or cut",
    "chance": "0 to 1, as stated before burning",
    "event": "what the chance is of",
    "record": "all fields of the record, as at that time",
    "content": "the file, base64",
    "undoes": "id of the change that this one takes back",
    "count": "how many equal parts",
    "lot": "lot or delivery",
    "why": "the user's reason",
    "what": "what was changed",
    "foreign_id": "id that another book has for it",
    "local_id": "id that this book has for it",
    "target_id": "id of what was taken back",
}


def build_schema() -> Schema:
    """Make the schema."""
    head: Schema = {"format": {"const": FORMAT}, "version": {"const": VERSION}}
    lists = {part.name: _list_of(part) for part in PARTS}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A calib logbook for exchange",
        "description": "Lists are in the order in which things were taken down; of rows that"
        " follow one another the last one counts. What was not read or not known is left out.",
        **_object({**head, **lists}, [*head, *(p.name for p in PARTS if not p.optional)]),
        "$defs": {"machine": _record(Machine), "sheet": _record(Sheet)},
    }


def _object(properties: Schema, required: list[str]) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _list_of(part: Part) -> Schema:
    properties = {name: _column(part, name) for name in part.columns}
    required = [name for name in part.columns if not part.table.c[name].nullable]
    for inner in part.parts:
        properties[inner.name] = _list_of(inner)
        required.append(inner.name)
    for inner in part.parts:
        if inner.name in ("setups", "versions", "cells", "burns"):
            properties[inner.name]["minItems"] = 1
    return {"type": "array", "items": _object(properties, required)}


def _column(part: Part, name: str) -> Schema:
    meaning = {"description": _MEANING[name]} if name in _MEANING else {}
    return {**_type(part, name), **meaning}


def _type(part: Part, name: str) -> Schema:
    column = part.table.c[name]
    if name in part.json:
        if part.name == "kept":
            return {"type": "object", "description": "the fields of what was kept"}
        if name == "notes":
            return {"type": "array", "items": _text(2000)}
        kind = "machine" if name == "machine" or part.name == "setups" else "sheet"
        return {"$ref": f"#/$defs/{kind}"}
    if name in _IDS or name.endswith("_id"):
        return {"type": "string", "pattern": _UUID}
    if name in _TIMES:
        return {"type": "string", "pattern": _TIME}
    words = _KINDS.get(part.name) if name == "kind" else _WORDS.get(name)
    if words is not None:
        return {"enum": list(words)}
    if isinstance(column.type, sa.LargeBinary):
        return {"type": "string", "contentEncoding": "base64"}
    if isinstance(column.type, sa.Text):
        return _text(_LONGEST.get(name, 200))
    return _number(name, column)


def _text(longest: int) -> Schema:
    return {"type": "string", "maxLength": longest}


def _number(name: str, column: sa.Column[Any]) -> Schema:
    if isinstance(column.type, sa.Boolean):
        return {"type": "boolean"}
    if name in ("char", "mark", "char_at_most"):
        return {"type": "integer", "minimum": 0, "maximum": 4}
    if isinstance(column.type, sa.Integer):
        return {"type": "integer", "minimum": 0, "maximum": 1_000_000}
    return {"type": "number", "minimum": -1e9, "maximum": 1e9}


def _record(kind: type) -> Schema:
    hints = typing.get_type_hints(kind)
    names = [field.name for field in dataclasses.fields(kind)]
    required = [
        field.name for field in dataclasses.fields(kind) if field.default is dataclasses.MISSING
    ]
    return _object({name: _hint(hints[name]) for name in names}, required)


def _hint(hint: Any) -> Schema:
    """Turn a type hint of a record's field into a schema."""
    plain: dict[Any, Schema] = {
        str: _text(1000),
        float: {"type": "number"},
        int: {"type": "integer"},
        bool: {"type": "boolean"},
    }
    if hint in plain:
        return plain[hint]
    arguments = typing.get_args(hint)
    if typing.get_origin(hint) is Literal:
        return {"enum": list(arguments)}
    if typing.get_origin(hint) in {types.UnionType, typing.Union}:
        (inner,) = [part for part in arguments if part is not type(None)]
        return {"anyOf": [_hint(inner), {"type": "null"}]}
    if typing.get_origin(hint) is tuple and arguments[-1] is Ellipsis:
        return {"type": "array", "items": _hint(arguments[0])}
    if typing.get_origin(hint) is tuple:
        return {
            "type": "array",
            "prefixItems": [_hint(part) for part in arguments],
            "minItems": len(arguments),
            "maxItems": len(arguments),
        }
    raise TypeError(f"no JSON Schema for {hint!r}: add it here")


def schema_text() -> str:
    """Write the schema as the text of the published file."""
    return json.dumps(build_schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
