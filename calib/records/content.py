"""What a record says, for codes and ids that are made of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

# Of a field that records did without at first: as long as it is at its default it is left out of
# `content_of`, so that codes and ids made before it stay what they were.
ADDED_LATER: Mapping[str, bool] = {"added_later": True}


def content_of(value: Any) -> Any:
    """Turn records inside a value into dicts, without later fields that are at their default."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: content_of(getattr(value, field.name))
            for field in dataclasses.fields(value)
            if "added_later" not in field.metadata or getattr(value, field.name) != field.default
        }
    if isinstance(value, Mapping):
        return {key: content_of(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [content_of(part) for part in value]
    return value
