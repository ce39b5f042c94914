"""The errors that calib raises; each message says what was given, what is allowed, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from calib.texts.say import say

# More of what was given than this tells nobody what is wrong with it [characters].
_LONGEST_SHOWN = 120


def shown(value: object) -> str:
    """Write what was given into a message: in quotation marks if it is text, long ones cut.

    Examples
    --------
    >>> shown("oak 4"), shown("a" * 500)[-4:]
    ("'oak 4'", 'aaa…')
    """
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "…"


class CalibError(Exception):
    """Base of every error that calib raises on purpose.

    Attributes
    ----------
    ask
        The field that would answer it, where there is one; shells say how it is given.
    """

    ask = ""

    def __init__(self, message: str = "", *, ask: str = "") -> None:
        super().__init__(message)
        self.ask = ask or self.ask


@dataclass(frozen=True)
class Misfit:
    """One field that holds what it may not hold."""

    field: str
    value: object
    allowed: str  # What may be given, as an order: ``give a number from 0 to 99``
    missing: bool = False
    sentence: str = ""  # Says it whole, where what was typed couldn't be read

    def said(self, name: str, value: str = "") -> str:
        """The sentence; field and value as the reader knows and typed them."""
        if self.sentence:
            return self.sentence
        given = say("errors.isnt_given") if self.missing else f"is {value or shown(self.value)}"
        return f"{name} {given}: {self.allowed}."


class InvalidRecord(CalibError, ValueError):
    """Raised when fields of a record hold values that they may not hold."""

    misfits: tuple[Misfit, ...] = ()

    @classmethod
    def of(cls, record: str, misfits: Iterable[Misfit]) -> InvalidRecord:
        """Make the error of some fields of a record."""
        found = tuple(misfits)
        error = cls(" ".join(each.said(f"{record}.{each.field}".lstrip(".")) for each in found))
        error.misfits = found
        return error


def unfit(field: str, value: object, allowed: str) -> InvalidRecord:
    """The error of one value that what is asked for can't have; ``allowed`` is an order."""
    return InvalidRecord.of("", [Misfit(field, value, allowed)])


class InvalidQuantity(CalibError, ValueError):
    """Raised when a typed length, speed or share can't be read or has the wrong unit."""


class RefusedMaterial(CalibError):
    """Raised when the material must never go under a laser; no option lifts it."""


class DeclarationNeeded(CalibError):
    """Raised when the material isn't known and the user hasn't declared what it holds."""

    ask = "declaration"


class BoardDoesNotFit(CalibError):
    """Raised when the planned cells don't fit the offcut or the bed.

    Attributes
    ----------
    cells_that_fit
        How many cells would fit.
    """

    def __init__(self, message: str, cells_that_fit: int = 0) -> None:
        super().__init__(message)
        self.cells_that_fit = cells_that_fit


class MachineLimit(CalibError):
    """Raised when something would need more than the machine record allows or says."""


class BadFile(CalibError, ValueError):
    """Raised when a file that was handed in can't be taken as a whole; nothing is stored then."""


class NeedsYes(CalibError):
    """Raised when something speaks against what was asked, and nobody said yes to it all the same.

    Attributes
    ----------
    doubts
        What speaks against it, in sentences.
    """

    def __init__(self, doubts: Sequence[str]) -> None:
        super().__init__(" ".join(doubts) + say("errors.nothing_was_changed"))
        self.doubts = tuple(doubts)


class NotEnoughEvidence(CalibError):
    """Raised when nothing can honestly be stated from the burns at hand.

    Attributes
    ----------
    next_burns
        The settings that it takes, best first (may be empty).
    """

    def __init__(self, message: str, next_burns: Sequence[Any] = ()) -> None:
        super().__init__(message)
        self.next_burns = tuple(next_burns)


class NoFiniteEstimate(CalibError, ValueError):
    """Raised when maximum likelihood has no finite answer: separated grades, collinear columns."""


class LogbookError(CalibError):
    """Raised when the logbook can't be opened, isn't of this version, or lacks what was asked."""


class NearMiss(LogbookError):
    """Raised when a name isn't in the logbook and one that is there is like it.

    Attributes
    ----------
    given, like
        The name that was given, and the one that may be meant.
    """

    def __init__(self, what: str, given: str, like: str) -> None:
        super().__init__(
            say("errors.there_is_no_in_logbook", what=what, given=shown(given), like=shown(like))
        )
        self.given, self.like = given, like
