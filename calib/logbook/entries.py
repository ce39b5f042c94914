"""What the logbook hands back, as frozen records; times are in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from calib.errors import InvalidRecord
from calib.records import (
    THROUGH_GRADES,
    Burn,
    Machine,
    Operation,
    Promise,
    Reading,
    Setting,
    Sheet,
)

SetupChange = Literal["first", "lens", "focus", "air", "mirror", "tube", "other", "undo"]
Support = Literal["", "pins", "flat", "slats"]
KINDS = ("board", "job", "check_strip", "note")
OUTCOMES = (
    *THROUGH_GRADES,
    *(f"char {grade}" for grade in range(5)),
    *(f"mark {grade}" for grade in range(5)),
    "unread",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupEntry:
    """One dated set-up of a machine; the last one is the current one."""

    machine: Machine
    what: str
    since: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetEntry:
    """One dated version of a sheet: its lot and measured thickness; the last is current."""

    sheet: Sheet
    since: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """Burns made in one go with one set-up; None and empty mean not taken down."""

    label: str
    focus_mm: float | None = None
    air: bool | None = None
    lens_cleaned: bool | None = None
    support: Support = ""
    masked: bool | None = None
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

    # Words that stand, all of them, in a code, a name, a material, a lot or a note
    text: str | None = None
    material: str | None = None  # Whatever its case
    thickness_mm: float | None = None  # Nominal or measured thickness, within 0.05 mm [mm]
    # machine, sheet, operation: By name
    machine: str | None = None
    sheet: str | None = None
    operation: str | None = None
    # since, until: Planned or run from then on; before then
    since: datetime | None = None
    until: datetime | None = None
    # ``no``, ``hanging``, ``through``, ``char 0``…``char 4``, ``mark 0``…``mark 4`` on some part of
    # it, or ``unread``: a board of which nothing was read
    outcome: str | None = None
    kinds: tuple[str, ...] = KINDS  # ``board``, ``job``, ``check_strip``, ``note``

    def __post_init__(self) -> None:
        if self.outcome is not None and self.outcome not in OUTCOMES:
            raise InvalidRecord(f"outcome is {self.outcome!r}: give one of {', '.join(OUTCOMES)}.")
        if wrong := [kind for kind in self.kinds if kind not in KINDS]:
            raise InvalidRecord(f"kind is {wrong[0]!r}: give one of {', '.join(KINDS)}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a list: a board, a job, a check strip or a note.

    ``cells`` and ``read`` count the planned and the read ones; ``outcomes`` counts parts by
    ``no``, ``hanging``, ``through``, ``char 0``…``char 4`` and ``mark 0``…``mark 4``.
    """

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
    cells: int = 0
    read: int = 0
    outcomes: Mapping[str, int] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Some lines of a list, newest first, and how many there are in all."""

    entries: tuple[Entry, ...]
    total: int
    offset: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PromiseEntry:
    """A promise as it was stored, and the jobs that were run on it since."""

    id: str
    promise: Promise
    machine: str
    sheet: str
    lot: str
    at: datetime
    jobs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The setting that was settled on for a machine, a sheet and an operation.

    ``lot`` is the one at hand when it was settled, ``promised_lot`` the one it was promised for.
    """

    machine: str
    sheet: str
    material: str
    thickness_mm: float
    lot: str
    operation: Operation
    setting: Setting
    at: datetime
    promise: Promise | None = None
    note: str = ""
    promised_at: datetime | None = None
    promised_lot: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A chance stated before burning, and what came out; None when it wasn't read."""

    chance: float
    outcome: bool | None
    event: str
    board: str
    cell: str
    machine: str
    sheet: str
    operation: Operation
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PromisedJob:
    """A job that was run on a promise, with the promise and what came out."""

    promise: Promise
    promised_at: datetime
    job: str
    at: datetime
    machine: str
    sheet: str
    burns: tuple[Burn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryLine:
    """One thing that was taken down about a pair; ``superseded`` ones no longer count."""

    at: datetime
    kind: str
    text: str
    board: str = ""
    cell: str = ""
    reading: Reading | None = None
    sitting: str = ""
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
class Conflict:
    """Something on which two books differ; nothing of it is taken over until it is answered.

    ``key`` is what an answer is given for; ``answers`` are the ones that are possible.
    """

    key: str
    here: str
    there: str
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import did: rows added, already there and held back, by kind, and conflicts."""

    added: Mapping[str, int]
    already: Mapping[str, int]
    held_back: Mapping[str, int]
    conflicts: tuple[Conflict, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Undoable:
    """What an undo would take back: the change, in words, and how many readings or parts it is."""

    change_id: str
    words: str
    things: int
