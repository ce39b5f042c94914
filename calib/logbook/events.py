"""The events that can be forecast of a cell, and whether a reading says that they happened.

``through`` · ``hanging_or_through`` · ``char_at_most_2`` · ``through_and_char_at_most_2`` ·
``mark_2`` (exactly this grade) · ``mark_at_most_2``; the grades go from 0 to 4.
"""

from __future__ import annotations

import re

from calib.errors import InvalidRecord
from calib.records import GRADES, GRADES_SAID, Reading
from calib.texts.say import say

_GRADE = f"({'|'.join(map(str, GRADES))})"
_EVENT = re.compile(
    rf"(through|hanging_or_through)|(through_and_)?char_at_most_{_GRADE}|mark_(at_most_)?{_GRADE}"
)


def check_event(event: str) -> str:
    """Check that an event is one that readings can decide."""
    if not isinstance(event, str) or not _EVENT.fullmatch(event):
        raise InvalidRecord(say("logbook.event_isnt_known", event=event, grades_said=GRADES_SAID))
    return event


def outcome_of(event: str, reading: Reading) -> bool | None:
    """Say whether an event happened.

    Examples
    --------
    >>> outcome_of("mark_at_most_2", Reading(cell="A1", mark=3))
    False
    >>> outcome_of("through", Reading(cell="A1", char=1)) is None
    True
    """
    match = _EVENT.fullmatch(check_event(event))
    plain, joint, char, at_most, mark = match.groups("") if match else (event, "", "", "", "")
    if plain:
        wanted = ("through",) if plain == "through" else ("hanging", "through")
        return None if reading.through is None else reading.through in wanted
    if mark:
        if reading.mark is None:
            return None
        return reading.mark <= int(mark) if at_most else reading.mark == int(mark)
    loose = reading.through in ("hanging", "through")
    clean = reading.char <= int(char) if reading.char is not None and loose else None
    if not joint or reading.through == "through":
        return clean
    return None if reading.through is None else False
