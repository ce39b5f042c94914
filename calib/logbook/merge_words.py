"""How differences between two books are named, compared and described."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from calib.logbook.layout import Part

Row = Mapping[str, Any]

_SAID = {
    "sittings": ("focus_mm", "air", "lens_cleaned", "support", "masked", "note"),
    "readings": ("through", "char", "mark", "width_mm", "height_mm", "note"),
    "settled": ("power_pct", "speed_mm_s", "passes", "line_pitch_mm", "lot"),
}


def chain_key(part: Part, slot: tuple[str, ...], names: Mapping[str, str]) -> str:
    """Name a chain as the user knows it."""
    kind = {
        "setups": "set-up", "sittings": "sitting", "versions": "lot", "readings": "reading",
        "settled": "settled",
    }  # fmt: skip
    words = [names.get(step, step) for step in slot]
    joint = " / " if part.name == "settled" else " "
    return f"{kind[part.name]} {joint.join(words)}"


def _said(part: Part, row: Row) -> dict[str, Any]:
    if part.name in ("setups", "versions"):
        record = dict(json.loads(row["record"]))
        del record["name"]
        return record
    return {name: row[name] for name in _SAID[part.name]}


def says_the_same(part: Part, mine: Row, theirs: Row) -> bool:
    """Say whether two rows of a chain say the same, whenever and why ever they were taken down."""
    return _said(part, mine) == _said(part, theirs)


def describe(part: Part, mine: Row, theirs: Row) -> tuple[str, str]:
    """Say in which fields two rows of a chain differ."""
    here, there = _said(part, mine), _said(part, theirs)
    names = [name for name in here if here[name] != there.get(name)]
    return _words(mine, here, names), _words(theirs, there, names)


def _words(row: Row, said: Row, names: list[str]) -> str:
    at = row.get("at") or row["since"]
    shown = [f"{name} {said.get(name)}" for name in names]
    return f"{', '.join(shown)} ({at[:10]} {at[11:16]} UTC)"
