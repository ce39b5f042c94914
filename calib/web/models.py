"""What the JSON interface takes and gives, where the records themselves won't do."""

from __future__ import annotations

import dataclasses
from typing import Annotated

from pydantic import Field

from calib.logbook import Photograph
from calib.logbook.entries import Line
from calib.records import Cell, Operation, Outcome, Reading, Setting
from calib.records.fields import Number, Text, Words, record, says
from calib.tasks.regions import ReadOut
from calib.web.forms import Asked

Key = Annotated[str, says("New for every tap.", pattern=r"^[0-9A-Za-z-]{8,64}$")]
# Ids of all looks at a cell, of 45 characters each, joined.
Seen = Annotated[Text, Field(max_length=400)]


@record
class LookOut(Reading):
    """One look at a cell, whole; None means not read, never "no"."""

    id: str


@record
class CellOutcome(LookOut):
    """What counts of a cell, and the id by which it is said that it was seen.

    ``apart`` holds the looks that differ and of which neither saw the other: the cell counts as
    not read until one of them, or another answer, is tapped.
    """

    apart: tuple[LookOut, ...] = ()


@record
class FieldError:
    """What is wrong with one field of what was sent."""

    field: str
    message: str


@record
class Problem:
    """Why something wasn't done; every error has these keys."""

    kind: str
    message: str
    fields: tuple[FieldError, ...] = ()
    next_burns: tuple[Setting, ...] = ()
    reading: CellOutcome | None = None


@record
class ErrorBody:
    """The one shape of every error."""

    error: Problem


@record
class Tap(Outcome):
    """One look at a cell, whole: a grade that is left out was not read.

    With nothing but a note the look stays; with nothing at all the cell wasn't read after all.
    """

    key: Key
    cell: Annotated[str, Field(min_length=1, max_length=8)]
    note: Words = ""
    saw: Annotated[Seen, says("Id of what was seen of the cell, or key of the own tap before.")] = (
        ""
    )
    board: Annotated[Seen, says("Tells the board from one of its code in another logbook.")] = ""
    age_s: Annotated[
        Number,
        says("How long ago it was tapped: it may have waited for a connection.", ge=0, le=1e8),
    ] = 0.0


@record
class TapDone:
    """What counts of the cell now, the id of what was tapped, and how far the board is read."""

    reading: CellOutcome
    look: str
    stored: bool
    again: bool
    read: int
    cells: int


@record
class TakeBack:
    """Takes one tap back."""

    key: Key
    target: Key


@record
class TakenBack:
    """The cell as it is now; none when the tap had stored nothing."""

    done: tuple[TapDone, ...]


@dataclasses.dataclass(frozen=True, kw_only=True)
class BoardOut:
    """A board as it lies, what was read off it, and its photographs."""

    board_id: str
    machine: str
    sheet: str
    operation: Operation
    round: int
    board_mm: tuple[float, float]
    cells: tuple[Cell, ...]
    readings: tuple[CellOutcome, ...]
    photographs: tuple[Photograph, ...]


@dataclasses.dataclass(frozen=True, kw_only=True)
class LogbookPage:
    """Some lines of the logbook, newest first, and how many there are in all."""

    entries: tuple[Line, ...]
    total: int
    offset: int


@dataclasses.dataclass(frozen=True, kw_only=True)
class ReadOutOut(ReadOut):
    """What holds at one setting, and the same in words."""

    words: dict[str, str]


@record
class Keeping(Asked):
    """What is asked, and the setting that was seen: kept if it is still what is recommended."""

    seen: Annotated[Setting, says("The setting that was recommended.")]
    note: Annotated[Words, says("Your own words.")] = ""
    sure: Annotated[bool, says("Whether to keep it whatever speaks against it.")] = False


@record
class AdvisedOut:
    """A recommended setting, with its stated chance."""

    setting: Setting
    chance: float
    words: str
    notes: tuple[str, ...]
