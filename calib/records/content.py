"""What a record says, for codes and ids that are made of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

# Fields that records did without at first: as long as they are at their default they are left out,
# so that codes and ids made before them stay what they were.
_ADDED_LATER = {"air_low_word", "wavelength_nm"}


def content_of(value: Any) -> Any:
    """Turn records inside a value into dicts, without later fields that are at their default."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: content_of(getattr(value, field.name))
            for field in dataclasses.fields(value)
            if field.name not in _ADDED_LATER or getattr(value, field.name) != field.default
        }
    if isinstance(value, Mapping):
        return {key: content_of(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [content_of(part) for part in value]
    return value
