"""What the logbook hands back, as frozen records; times are in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from calib.errors import InvalidRecord
from calib.records import (
    GRADES,
    SCALES,
    THROUGH_GRADES,
    Advice,
    Burn,
    Machine,
    Operation,
    Reading,
    Setting,
    Sheet,
)
from calib.texts.say import say

KINDS = ("board", "job", "check_strip", "note")
OUTCOMES = (*THROUGH_GRADES, *(f"{name} {grade}" for name in SCALES for grade in GRADES), "unread")


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupEntry:
    """One dated set-up of a machine; the last one is the current one."""

    id: str
    machine: Machine
    what: str
    since: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetEntry:
    """One dated version of a sheet: its lot and measured thickness; the last is current."""

    id: str
    sheet: Sheet
    since: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What `record` did: how many cells were new, corrected, or already so."""

    added: int = 0
    corrected: int = 0
    unchanged: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """What to look for; None finds all."""

    text: str | None = None  # Words, all of them: in a code, name, material, lot or note
    material: str | None = None  # Whatever its case
    thickness_mm: float | None = None  # Nominal or measured thickness, within 0.05 mm [mm]
    machine: str | None = None  # By name, as sheet and operation
    sheet: str | None = None
    operation: str | None = None
    since: datetime | None = None  # Planned or run from then on
    until: datetime | None = None  # Before then
    outcome: str | None = None  # One of OUTCOMES on some part; ``unread``: a board without any
    kinds: tuple[str, ...] = KINDS  # ``board``, ``job``, ``check_strip``, ``note``

    def __post_init__(self) -> None:
        given, may = self.outcome, ", ".join(OUTCOMES)
        if given is not None and given not in OUTCOMES:
            raise InvalidRecord(say("logbook.outcome_is_give_one", given=given, may=may))
        if wrong := [kind for kind in self.kinds if kind not in KINDS]:
            may = ", ".join(KINDS)
            raise InvalidRecord(say("logbook.kind_is_give_one", wrong=wrong, kinds=may))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a list: a board, a job, a check strip or a note."""

    kind: Literal["board", "job", "check_strip", "note"]
    id: str
    at: datetime
    machine: str = ""
    sheet: str = ""
    material: str = ""
    thickness_mm: float | None = None
    lot: str = ""
    operation: str = ""
    round: int | None = None
    cells: int = 0  # Planned ones, and those that were read
    read: int = 0
    outcomes: Mapping[str, int] = field(default_factory=dict)  # Parts by one of OUTCOMES
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Some lines of a list, newest first, and how many there are in all."""

    entries: tuple[Line, ...]
    total: int
    offset: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The setting that is kept for a machine, a sheet and an operation."""

    id: str
    machine: str
    sheet: str
    operation: Operation
    setting: Setting
    advice: Advice | None = None  # What was stated of it; None for one that was kept by hand
    lot: str  # The one that it is for
    at: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A chance stated before burning, and what came out; None when it wasn't read."""

    chance: float
    outcome: bool | None
    event: str
    board: str
    cell: str
    notes: tuple[str, ...] = ()  # Those of the board


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedJob:
    """A job that was run at a kept setting, with what had been stated and what came out."""

    advice: Advice
    advised_at: datetime
    job: str
    burns: tuple[Burn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryLine:
    """One thing that was said of a pair; ``superseded`` ones no longer count."""

    id: str
    at: datetime
    kind: str
    text: str
    board: str = ""
    cell: str = ""
    reading: Reading | None = None
    session: str = ""
    why: str = ""
    superseded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """A picture that was attached to a board, or to a cell of it; `Book.photograph` reads it."""

    id: str
    board: str
    cell: str
    filename: str
    media_type: str
    size_bytes: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What counts of a cell, with the id by which somebody says that they saw it."""

    id: str
    reading: Reading
    apart: tuple[Looked, ...] = ()  # Looks that differ, unknown to one another: it isn't read yet

    @property
    def is_blank(self) -> bool:
        """True when nothing counts of it: nothing was read, measured or noted."""
        reading = self.reading
        return reading.is_empty and not any((reading.note, reading.width_mm, reading.height_mm))

    @property
    def is_said(self) -> bool:
        """True when something was said of it, if in two ways."""
        return bool(self.apart) or not self.is_blank


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """What became of a tap."""

    look: str  # Id of what it stored
    looked: Looked  # What counts of the cell now
    stored: bool  # Whether this call changed the cell
    again: bool = False  # Whether the tap had been stored before
    read: int  # Cells that are read, of how many
    cells: int

    @property
    def reading(self) -> Reading:
        """What counts of the cell now."""
        return self.looked.reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """One thing that is stored beside the burns."""

    id: str  # Its code
    kind: str  # kind, label: What it is
    label: str
    machine: str | None  # What it is about; None where it is about the whole workshop
    sheet: str | None
    at: datetime
    content: Mapping[str, Any]  # Its fields, as JSON holds them
    note: str = ""  # The user's own words


@dataclass(frozen=True, slots=True, kw_only=True)
class Undoable:
    """What an undo would take back: the change, in words, and how many readings or parts it is."""

    change_id: str
    words: str
    things: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something that was said in two ways, neither knowing of the other; both are kept."""

    key: str  # What an answer is given for
    said: tuple[str, ...]  # The ways
    answers: tuple[str, ...]  # What may be answered


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import did: entries added and already there, by kind, and what is to be answered."""

    added: Mapping[str, int]
    already: Mapping[str, int]
    questions: tuple[Question, ...] = ()
