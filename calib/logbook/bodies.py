"""What the bodies of entries hold: a record for each kind, and which kind is of which.

A body is what `to_json` makes of its record; ``setup`` and ``lot`` are ids of the entries of what
it was burnt with and on. Whoever changes a record here so that old bodies no longer fit raises its
version and reads the old ones by a step of their own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from calib.errors import InvalidRecord
from calib.logbook.coding import UNFIT, Unreadable, check_text
from calib.logbook.ledger import WITHDRAW, Entry, canonical
from calib.records import (
    GRADES,
    GRADES_SAID,
    Advice,
    Burn,
    Grid,
    Machine,
    Operation,
    Outcome,
    Reading,
    Setting,
    Sheet,
)
from calib.records.boards import Caliper
from calib.records.fields import Name, Number, Text, Whole, Words, from_json, misfit, record, says
from calib.texts.say import say

SetupChange = Literal["first", "lens", "focus", "air", "mirror", "tube", "other"]

# Longest content of what is kept beside the burns [characters]; a comb with every reading of it
# has some ten thousand.
LONGEST_CONTENT = 200_000
LONGEST_NOTE = 10_000

# What can be forecast of a cell: ``through`` · ``hanging_or_through`` · ``char_at_most_2`` ·
# ``through_and_char_at_most_2`` · ``mark_2`` (exactly this grade) · ``mark_at_most_2``.
_GRADE = f"({'|'.join(map(str, GRADES))})"
_EVENT = re.compile(
    rf"(through|hanging_or_through)|(through_and_)?char_at_most_{_GRADE}|mark_(at_most_)?{_GRADE}"
)


def outcome_of(event: str, reading: Reading) -> bool | None:
    """Say whether what can be forecast of a cell happened; None when the reading doesn't tell.

    Examples
    --------
    >>> outcome_of("mark_at_most_2", Reading(cell="A1", mark=3))
    False
    >>> outcome_of("through", Reading(cell="A1", char=1)) is None
    True
    """
    plain, joint, char, at_most, mark = _parts(event)
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


def _parts(event: str) -> tuple[Any, ...]:
    if not isinstance(event, str) or not (match := _EVENT.fullmatch(event)):
        raise InvalidRecord(say("logbook.event_isnt_known", event=event, grades_said=GRADES_SAID))
    return match.groups("")


def _lines(value: object) -> object:
    if isinstance(value, str) and UNFIT.search(value.replace("\n", "")):
        raise ValueError(say("logbook.characters_that_cant_be_kept"))
    return value


Id = Annotated[Text, Field(pattern=r"^([0-9]{20}-[0-9a-f]{24})?$")]
Lines = Annotated[str, BeforeValidator(_lines), Field(strict=True, max_length=LONGEST_NOTE)]


@record
class SetUp:
    """A machine as it is from now on."""

    machine: Machine
    what: SetupChange = "first"


@record
class Lot:
    """A sheet as it is from now on: its lot, what it measures."""

    sheet: Sheet


@record
class Session:
    """Burns made in one go with one set-up; None and empty mean not recorded."""

    label: Annotated[Name, says("What you call it, as burns carry it.")]
    who: Annotated[Text, says("Who burnt, where many work at one machine.")] = ""
    focus_mm: Annotated[
        # Further from focus than any bed moves.
        Number | None, says("Height from the usual focus.", ge=-1000, le=1000)
    ] = None
    air: Annotated[bool | None, says("Whether the air was on.")] = None
    lens_cleaned: Annotated[
        bool | None,
        says("Whether the lens was cleaned before.", option="--lens-cleaned/--lens-not-cleaned"),
    ] = None
    support: Annotated[
        Literal["", "pins", "flat", "slats"], says("What the sheet lay on.", option="--on")
    ] = ""
    masked: Annotated[
        bool | None, says("Whether the face was masked.", option="--masked/--bare")
    ] = None
    note: Annotated[Words, says("Your own words.")] = ""


@record
class Board:
    """A planned board; the chance of each event, by cell, said before anything could come out."""

    grid: Grid
    lot: Id
    # In thousandths, so that every book writes them the same.
    forecasts: dict[str, dict[str, Annotated[Whole, Field(ge=0, le=1000)]]] = field(
        default_factory=dict
    )

    def __post_init__(self) -> None:
        grid = self.grid
        labels = [cell.label for cell in grid.cells]
        for cell in grid.cells:
            _ = cell.setting  # says what can't be typed at the machine
            if labels.count(cell.label) > 1:
                raise InvalidRecord(say("logbook.cell_stands_twice_on_board", cell=cell, grid=grid))
        for label, events in self.forecasts.items():
            if label not in labels:
                known = ", ".join(sorted(labels))
                raise InvalidRecord(
                    say("logbook.forecast_is_given_for_cell", label=label, grid=grid, known=known)
                )
            for event in events:
                _parts(event)


@record
class Look(Outcome):
    """What came out of one cell, whole; nothing at all: the cell was not read after all."""

    session: Text = ""
    setup: Id
    lot: Id


@record
class Size:
    """What a coupon measures."""

    width_mm: Caliper = None
    height_mm: Caliper = None


@record
class CellNote:
    """Words on one cell."""

    note: Words = ""


@record
class Run:
    """A job or a check strip: burns that no planned board holds, equal parts together."""

    burns: tuple[Burn, ...]
    kept: Id = ""  # The entry of the kept setting that it was run at
    note: Words = ""
    setup: Id
    lot: Id

    def __post_init__(self) -> None:
        kinds = {burn.source for burn in self.burns}
        if kinds not in ({"job"}, {"check_strip"}):
            given = ", ".join(sorted(kinds)) or "none"
            raise InvalidRecord(say("logbook.burns_are_of_source", kinds=given))
        operations = {burn.operation for burn in self.burns}
        if len(operations) > 1:
            given = ", ".join(sorted(operations))
            raise InvalidRecord(say("logbook.burns_are_of_operations", operations=given))


@record
class KeptSetting:
    """The setting that is used from now on for a pair; none: no longer any."""

    operation: Operation
    setting: Setting | None = None
    advice: Advice | None = None  # What it rests on, before its results could come in
    setup: Id
    lot: Id
    note: Words = ""

    def __post_init__(self) -> None:
        said = self.advice and (self.advice.operation, self.advice.setting)
        if said is not None and said != (self.operation, self.setting):
            raise InvalidRecord(say("logbook.advice_is_of_another_operation"))


@record
class Note:
    """Words on a machine, a sheet, a pair, a board, or the workshop."""

    text: Lines

    def __post_init__(self) -> None:
        if not self.text.strip():
            raise InvalidRecord(say("logbook.text_is_empty"))


@record
class Picture:
    """A photograph of a board or of one of its cells; the file itself is kept by its digest."""

    cell: Text = ""
    filename: Name
    media_type: Literal["image/png", "image/jpeg", "image/webp"]
    size_bytes: Annotated[Whole, Field(ge=0)]
    digest: Annotated[Text, Field(pattern="^[0-9a-f]{64}$")]

    def __post_init__(self) -> None:
        if re.search(r"[/\\]", self.filename) or self.filename in (".", ".."):
            misfit(self, "filename", self.filename, say("logbook.give_files_name_without_folders"))


@record
class Content:
    """What is kept beside the burns: costs, a timed job, a comb, its readings, a kerf."""

    label: Text = ""  # What tells it from others of its kind
    content: dict[str, Any]
    note: Words = ""

    def __post_init__(self) -> None:
        try:
            fits = len(canonical(self.content)) <= LONGEST_CONTENT
        except (TypeError, ValueError, RecursionError):
            fits = False
        if not fits:
            given = str(self.content)[:60]
            raise InvalidRecord(
                say("logbook.content_cant_be_kept", given=given, longest=LONGEST_CONTENT)
            )


@record
class NewName:
    """What a machine, sheet or board is called from now on."""

    name: Name


@record
class Same:
    """Two things that were said apart are one; the first id of the other one."""

    other: Id


@dataclass(frozen=True)
class Kind:
    """What entries of one kind hold, and what is done with them."""

    holds: type[Any] | None  # The record of the body; None: it is empty
    called: str  # In a history
    about: str = "nothing"  # What it may be about: kinds, as words
    told_of: str = ""  # Whose history tells it, as words: of a machine, a sheet, a pair
    undone: bool = True  # Whether an undo takes it back
    asked: bool = False  # Whether it is a question when it is said in two ways
    teaches: bool = True  # Whether it may change what burns teach


KINDS: Mapping[str, Kind] = {
    "machine": Kind(SetUp, "set-up", undone=False),
    "setup": Kind(SetUp, "set-up", "machine", "machine"),
    "sheet": Kind(Lot, "lot", undone=False),
    "lot": Kind(Lot, "lot", "sheet", "sheet"),
    "session": Kind(Session, "session", "machine", asked=True, teaches=False),
    # Boards and names stay: what rests on them would be left hanging.
    "board": Kind(Board, "board", told_of="pair", undone=False, teaches=False),
    "look": Kind(Look, "reading", "board", "pair", asked=True),
    "size": Kind(Size, "reading", "board", "pair", asked=True),
    "cell_note": Kind(CellNote, "reading", "board", "pair", teaches=False),
    "job": Kind(Run, "job", told_of="pair"),
    "check_strip": Kind(Run, "check_strip", told_of="pair"),
    "kept": Kind(KeptSetting, "kept setting", told_of="pair", asked=True, teaches=False),
    "note": Kind(Note, "note", "board nothing", "machine sheet pair", teaches=False),
    "photograph": Kind(Picture, "photograph", "board", "pair", teaches=False),
    "costs": Kind(Content, "costs", asked=True),
    "timed_job": Kind(Content, "timed job", told_of="machine", asked=True),
    "comb": Kind(Content, "comb", told_of="pair", asked=True),
    "comb_readings": Kind(Content, "comb readings", told_of="pair", asked=True),
    "kerf": Kind(Content, "kerf", told_of="pair", asked=True),
    "name": Kind(NewName, "name", "machine sheet board", undone=False),
    "same": Kind(Same, "same", "machine sheet board", undone=False),
    WITHDRAW: Kind(
        None, "withdrawal", "machine sheet board nothing", "machine sheet pair", undone=False
    ),
}


def newer_version(kind: str, v: int) -> str:
    """Say that a kind or a version is a newer calib's; empty when it isn't."""
    if v == 1 and kind in KINDS:
        return ""
    return say("logbook.entry_of_kind", kind=kind, v=v)


def checked(entry: Entry) -> Any:
    """The record of an entry that comes from elsewhere; InvalidRecord when it isn't one."""
    if newer := newer_version(entry.kind, entry.v):
        raise InvalidRecord(newer)
    for name in ("slot", "about", "machine", "sheet", "batch", "why", "kind", "at"):
        check_text(name, getattr(entry, name))
    if holds := KINDS[entry.kind].holds:
        return from_json(holds, entry.body)
    if entry.body:
        raise InvalidRecord(say("logbook.withdrawal_has_no_content"))
    return None


def body_of(entry: Entry) -> Any:
    """The record of an entry that the book holds; LogbookError when it can't be read."""
    try:
        return from_json(KINDS[entry.kind].holds or dict, entry.body)
    except (InvalidRecord, KeyError) as error:
        raise Unreadable(entry.body) from error
