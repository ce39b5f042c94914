"""Every sentence that a person reads, by its key; the sentences stand beside it, a file a room."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files


@cache
def _sentences(room: str) -> dict[str, str]:
    text = (files("calib.texts") / "en" / f"{room}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def say(key: str, /, **values: object) -> str:
    """The sentence of a key, ``room.words``, with its values put in.

    Examples
    --------
    >>> say("errors.no_such", what="sheet", given="'oak 4'")
    "There is no sheet 'oak 4' in the logbook."
    """
    room, words = key.split(".")
    return _sentences(room)[words].format(**values)
