"""What the JSON interface takes and gives, where the records themselves won't do."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from calib.records import Operation, Through

Grade = Annotated[int, Field(ge=0, le=4, strict=True)]
Key = Annotated[str, Field(pattern=r"^[0-9A-Za-z-]{8,64}$", description="New for every tap.")]
Words = Annotated[str, Field(max_length=1000)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _FromRecord(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class SettingOut(_FromRecord):
    """What is typed at the machine: [% of full], [mm/s], count, [mm]."""

    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None


class ReadingOut(_FromRecord):
    """What counts of a cell; None means not read, never "no"."""

    cell: str
    through: Through | None
    char: int | None
    mark: int | None
    note: str
    width_mm: float | None
    height_mm: float | None


class LookOut(ReadingOut):
    """One look at a cell, whole, with its id."""

    id: str


class CellOutcome(LookOut):
    """What counts of a cell, and the id by which it is said that it was seen.

    ``apart`` holds the looks that differ and of which neither saw the other: the cell counts as
    not read until one of them, or another answer, is tapped.
    """

    apart: list[LookOut] = []


class FieldError(BaseModel):
    """What is wrong with one field of what was sent."""

    field: str
    message: str


class Problem(BaseModel):
    """Why something wasn't done; every error has these keys."""

    kind: str
    message: str
    fields: list[FieldError] = []
    next_burns: list[SettingOut] = []
    reading: CellOutcome | None = None


class ErrorBody(BaseModel):
    """The one shape of every error."""

    error: Problem


class Tap(_Strict):
    """One look at a cell, whole: a grade that is left out was not read.

    With nothing but a note the look stays; with nothing at all the cell wasn't read after all.
    """

    key: Key
    cell: Annotated[str, Field(min_length=1, max_length=8)]
    through: Through | None = None
    char: Grade | None = None
    mark: Grade | None = None
    note: Words = ""
    saw: Annotated[str, Field(max_length=80)] = Field(
        "", description="Id of what was seen of the cell, or key of the own tap before it."
    )
    board: Annotated[str, Field(max_length=80)] = Field(
        "", description="Tells the board from one of the same code in another logbook."
    )
    age_s: Annotated[float, Field(ge=0, le=1e8, allow_inf_nan=False)] = Field(
        0.0, description="How long ago it was tapped [s]: it may have waited for a connection."
    )


class TapDone(BaseModel):
    """What counts of the cell now, the id of what was tapped, and how far the board is read."""

    reading: CellOutcome
    look: str
    stored: bool
    again: bool
    read: int
    cells: int


class TakeBack(_Strict):
    """Takes one tap back."""

    key: Key
    target: Key


class TakenBack(BaseModel):
    """The cell as it is now; none when the tap had stored nothing."""

    done: list[TapDone]


class CellOut(_FromRecord):
    """A cell of a board [mm], with its setting."""

    label: str
    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    burn_order: int
    block: int


class PhotographOut(_FromRecord):
    """A photograph of a board, or of one cell of it."""

    id: str
    cell: str
    filename: str
    media_type: str
    size_bytes: int


class BoardOut(BaseModel):
    """A board as it lies, what was read off it, and its photographs."""

    board_id: str
    machine: str
    sheet: str
    operation: Operation
    round: int
    board_mm: tuple[float, float]
    cells: list[CellOut]
    readings: list[CellOutcome]
    photographs: list[PhotographOut]


class EntryOut(_FromRecord):
    """One line of the logbook."""

    kind: Literal["board", "job", "check_strip", "note"]
    id: str
    at: str
    machine: str
    sheet: str
    material: str
    thickness_mm: float | None
    lot: str
    operation: str
    round: int | None
    cells: int
    read: int
    outcomes: dict[str, int]
    note: str


class LogbookPage(BaseModel):
    """Some lines of the logbook, newest first, and how many there are in all."""

    entries: list[EntryOut]
    total: int
    offset: int


class ReadOutOut(BaseModel):
    """What holds at one setting; chances [1], margin [%], time [s], and the same in words."""

    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None
    chance: float
    chance_words: str
    chance_not_deeper: float | None
    expected_char: float | None
    energy_margin_pct: float | None
    job_time_s: float | None
    tested: bool
    allowed: bool
    words: dict[str, str]


class PromisedOut(BaseModel):
    """A recommended setting, and the promise that was stored with it."""

    promise_id: str
    setting: SettingOut
    chance: float
    words: str
    notes: list[str]


class HazardOut(_FromRecord):
    """What is known of a material that isn't refused."""

    verdict: Literal["ok", "caution", "declared"]
    advice: tuple[str, ...]
    matched: tuple[str, ...]
