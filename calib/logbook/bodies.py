"""What the bodies of entries hold: a record for each kind, and which kind is of which.

A body is what `to_json` makes of its record. Whoever changes a record here so that old bodies no
longer fit raises its version and reads the old ones by a step of their own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import field
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from calib.errors import InvalidRecord, shown
from calib.logbook.coding import Unreadable
from calib.logbook.events import check_event
from calib.logbook.ledger import WITHDRAW, Entry, canonical
from calib.records import Advice, Burn, Grid, Machine, Operation, Outcome, Setting, Sheet
from calib.records.boards import Caliper
from calib.records.fields import Name, Number, Text, Whole, Words, from_json, misfit, record, says
from calib.texts.say import say

SetupChange = Literal["first", "lens", "focus", "air", "mirror", "tube", "other"]
Support = Literal["", "pins", "flat", "slats"]
MediaType = Literal["image/png", "image/jpeg", "image/webp"]

# Longest content of what is kept beside the burns [characters]; a comb with every reading of it
# has some ten thousand.
LONGEST_CONTENT = 200_000
LONGEST_NOTE = 10_000


def _lines(value: object) -> object:
    bad = isinstance(value, str) and any(
        (ord(c) < 32 and c != "\n") or 0xD800 <= ord(c) <= 0xDFFF for c in value
    )
    if bad:
        raise ValueError(say("logbook.characters_that_cant_be_kept"))
    return value


Id = Annotated[Text, Field(pattern=r"^([0-9]{20}-[0-9a-f]{24})?$")]
Lines = Annotated[str, BeforeValidator(_lines), Field(strict=True, max_length=LONGEST_NOTE)]


@record
class SetUp:
    """A machine as it is from now on."""

    machine: Annotated[Machine, says("The machine with all its fields.")]
    what: Annotated[SetupChange, says("What was changed.")] = "first"


@record
class Lot:
    """A sheet as it is from now on: its lot, what it measures."""

    sheet: Annotated[Sheet, says("The sheet with all its fields.")]


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
    support: Annotated[Support, says("What the sheet lay on.", option="--on")] = ""
    masked: Annotated[
        bool | None, says("Whether the face was masked.", option="--masked/--bare")
    ] = None
    note: Annotated[Words, says("Your own words.")] = ""


@record
class Board:
    """A planned board, and what was said of its cells before anything could come out."""

    grid: Annotated[Grid, says("The board with every cell.")]
    lot: Annotated[Id, says("The entry of the lot that it is planned for.")]
    forecasts: Annotated[
        dict[str, dict[str, Annotated[Whole, Field(ge=0, le=1000)]]],
        says("Chance of each event, by cell, in thousandths."),
    ] = field(default_factory=dict)

    def __post_init__(self) -> None:
        labels = [cell.label for cell in self.grid.cells]
        for cell in self.grid.cells:
            _ = cell.setting  # says what can't be typed at the machine
            if labels.count(cell.label) > 1:
                raise InvalidRecord(
                    say("logbook.cell_stands_twice_on_board", cell=cell, grid=self.grid)
                )
        for label, events in self.forecasts.items():
            if label not in labels:
                raise InvalidRecord(
                    say(
                        "logbook.forecast_is_given_for_cell",
                        label=label,
                        grid=self.grid,
                        labels=", ".join(sorted(labels)),
                    )
                )
            for event in events:
                check_event(event)


@record
class Look(Outcome):
    """What came out of one cell, whole; nothing at all: the cell was not read after all."""

    session: Annotated[Text, says("Label of the session in which it was burnt.")] = ""
    setup: Annotated[Id, says("The entry of the set-up that it was burnt with.")]
    lot: Annotated[Id, says("The entry of the lot that it was burnt on.")]


@record
class Size:
    """What a coupon measures."""

    width_mm: Caliper = None
    height_mm: Caliper = None


@record
class CellNote:
    """Words on one cell."""

    note: Annotated[Words, says("Your own words.")] = ""


@record
class Run:
    """A job or a check strip: burns that no planned board holds."""

    burns: Annotated[tuple[Burn, ...], says("What was burnt, equal parts together.")]
    kept: Annotated[Id, says("The entry of the kept setting that it was run at.")] = ""
    note: Annotated[Words, says("Your own words.")] = ""
    setup: Annotated[Id, says("The entry of the set-up that it was burnt with.")]
    lot: Annotated[Id, says("The entry of the lot that it was burnt on.")]

    def __post_init__(self) -> None:
        kinds = {burn.source for burn in self.burns}
        if kinds not in ({"job"}, {"check_strip"}):
            raise InvalidRecord(
                say("logbook.burns_are_of_source", kinds=", ".join(sorted(kinds)) or "none")
            )
        operations = {burn.operation for burn in self.burns}
        if len(operations) > 1:
            raise InvalidRecord(
                say("logbook.burns_are_of_operations", operations=", ".join(sorted(operations)))
            )

    @property
    def operation(self) -> Operation:
        """What all of its burns are."""
        return self.burns[0].operation


@record
class KeptSetting:
    """The setting that is used from now on for a pair; none: no longer any."""

    operation: Annotated[Operation, says("What it is for.")]
    setting: Annotated[Setting | None, says("The setting.")] = None
    advice: Annotated[
        Advice | None, says("The advice that it rests on, before its results could come in.")
    ] = None
    setup: Annotated[Id, says("The entry of the set-up that it is for.")]
    lot: Annotated[Id, says("The entry of the lot that it is for.")]
    note: Annotated[Words, says("Your own words.")] = ""

    def __post_init__(self) -> None:
        said = self.advice and (self.advice.operation, self.advice.setting)
        if said is not None and said != (self.operation, self.setting):
            raise InvalidRecord(say("logbook.advice_is_of_another_operation"))


@record
class Note:
    """Words on a machine, a sheet, a pair, a board, or the workshop."""

    text: Annotated[Lines, says("Your own words.")]

    def __post_init__(self) -> None:
        if not self.text.strip():
            raise InvalidRecord(say("logbook.text_is_empty"))


@record
class Picture:
    """A photograph of a board or of one of its cells; the file itself is kept by its digest."""

    cell: Annotated[Text, says("Code of the cell; empty for the board.")] = ""
    filename: Annotated[Name, says("The file's name, without folders.")]
    media_type: Annotated[MediaType, says("What kind of picture it is.")]
    size_bytes: Annotated[Whole, says("How long the file is.", ge=0)]
    digest: Annotated[Text, says("SHA-256 of the file.", pattern="^[0-9a-f]{64}$")]

    def __post_init__(self) -> None:
        if re.search(r"[/\\]", self.filename) or self.filename in (".", ".."):
            misfit(self, "filename", self.filename, say("logbook.give_files_name_without_folders"))


@record
class Content:
    """What is kept beside the burns: costs, a timed job, a comb, its readings, a kerf."""

    label: Annotated[Text, says("What tells it from others of its kind.")] = ""
    content: Annotated[dict[str, Any], says("Its fields.")]
    note: Annotated[Words, says("Your own words.")] = ""

    def __post_init__(self) -> None:
        try:
            fits = len(canonical(self.content)) <= LONGEST_CONTENT
        except (TypeError, ValueError, RecursionError):
            fits = False
        if not fits:
            raise InvalidRecord(
                say(
                    "logbook.content_cant_be_kept",
                    content=str(self.content)[:60],
                    longest_content=LONGEST_CONTENT,
                )
            )


@record
class NewName:
    """What a machine, sheet or board is called from now on."""

    name: Annotated[Name, says("The new name.")]


@record
class Same:
    """Two things that were said apart are one."""

    other: Annotated[Id, says("First id of the other one.")]


KINDS: Mapping[str, type[Any]] = {
    "machine": SetUp,
    "setup": SetUp,
    "sheet": Lot,
    "lot": Lot,
    "session": Session,
    "board": Board,
    "look": Look,
    "size": Size,
    "cell_note": CellNote,
    "job": Run,
    "check_strip": Run,
    "kept": KeptSetting,
    "note": Note,
    "photograph": Picture,
    **dict.fromkeys(("costs", "timed_job", "comb", "comb_readings", "kerf"), Content),
    "name": NewName,
    "same": Same,
}


def newer_version(kind: str, v: int) -> str:
    """Say that a kind or a version is a newer calib's; empty when it isn't."""
    if v == 1 and kind in (WITHDRAW, *KINDS):
        return ""
    return say("logbook.entry_of_kind", kind=kind, v=v)


def checked(entry: Entry) -> Any:
    """The record of an entry that comes from elsewhere; InvalidRecord when it isn't one."""
    if newer := newer_version(entry.kind, entry.v):
        raise InvalidRecord(newer)
    for name in ("slot", "about", "machine", "sheet", "batch", "why", "kind", "at"):
        text = getattr(entry, name)
        if not isinstance(text, str) or len(text) > 2000 or not text.isprintable():
            raise InvalidRecord(
                say("logbook.is_give_one_line_of_text", name=name, text=shown(text))
            )
    if entry.kind != WITHDRAW:
        return from_json(KINDS[entry.kind], entry.body)
    if entry.body:
        raise InvalidRecord(say("logbook.withdrawal_has_no_content"))
    return None


def body_of(entry: Entry) -> Any:
    """The record of an entry that the book holds; LogbookError when it can't be read."""
    try:
        return from_json(KINDS[entry.kind], entry.body)
    except (InvalidRecord, KeyError) as error:
        raise Unreadable(entry.body) from error
