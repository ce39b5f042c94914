"""How times and texts are written down in the logbook, and found again."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from datetime import UTC, datetime

from calib.errors import InvalidRecord, LogbookError, shown
from calib.texts.say import say

# Letters that can't be kept: those that steer a terminal, and halves of letters.
UNFIT = re.compile("[\x00-\x1f\ud800-\udfff]")


def write_time(when: datetime) -> str:
    """Write a time as UTC text of fixed width, so that text order is time order."""
    if not isinstance(when, datetime) or when.tzinfo is None:
        raise InvalidRecord(say("logbook.when_is_give_date_and_time", when=when))
    try:
        text = when.astimezone(UTC).isoformat(timespec="microseconds")
    except OverflowError:
        raise InvalidRecord(say("logbook.when_is_give_year", when=when)) from None
    return text.removesuffix("+00:00") + "Z"


def read_time(text: str) -> datetime:
    """Read what `write_time` wrote."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (TypeError, ValueError, OverflowError):
        raise Unreadable(text) from None


class Unreadable(LogbookError):
    """Raised when something in the logbook can't be read: it is damaged, or was tampered with."""

    def __init__(self, content: object) -> None:
        super().__init__(say("logbook.logbook_holds_where_that_cant", content=repr(content)[:60]))


def material_key(material: str) -> str:
    """Write a material so that case and spaces don't matter."""
    return " ".join(material.casefold().split())


def check_text(field: str, text: str, *, longest: int = 2000) -> str:
    """The user's own words, where they can be kept."""
    if not isinstance(text, str) or len(text) > longest or UNFIT.search(text):
        given = shown(text)
        raise InvalidRecord(
            say("logbook.is_give_one_line_of_text", field=field, given=given, longest=longest)
        )
    return text


def known_names(what: str, name: str, known: Iterable[str]) -> str:
    """Say that a name isn't in the logbook, and which ones are near it."""
    names = sorted(known)
    near = difflib.get_close_matches(name, names, n=3, cutoff=0.5) or names[:5]
    if not near:
        return say("logbook.there_is_no_in_logbook", what=what, name=shown(name))
    near_it = ", ".join(map(repr, near))
    return say("logbook.there_is_no_in_logbook_2", what=what, name=shown(name), near=near_it)
