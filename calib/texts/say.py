"""Every sentence that a person reads, by its key; the sentences stand beside it, a file a room."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files


@cache
def sentences(room: str) -> dict[str, str]:
    """All sentences of a room, by their words in the key."""
    text = (files("calib.texts") / "en" / f"{room}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def say(key: str, /, **values: object) -> str:
    """The sentence of a key, ``room.words``, with its values put in.

    Examples
    --------
    >>> say("limits.is_slower", name="60 % at 1 mm/s", slowest_mm_s=2.0)
    '60 % at 1 mm/s is slower than 2 mm/s'
    """
    room, words = key.split(".")
    return sentences(room)[words].format(**values)
