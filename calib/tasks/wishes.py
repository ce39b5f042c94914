"""What is asked of a task and stands in no record of the logbook; each thing described once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from calib.errors import InvalidRecord
from calib.records import (
    THROUGH_GRADES,
    USUAL_RELIABILITY,
    Burn,
    ClassesBy,
    LaserSource,
    Operation,
    Setting,
)
from calib.records.advice import CHANCE, CharAtMost, Mark, MarkGrades, Wished
from calib.records.advice import RegionWish as RegionWish
from calib.records.burns import AirAssist, CharReadAt, Passes, Power, Speed
from calib.records.fields import Name, Number, Text, Whole, Words, misfit, record, says
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.tasks.pairs import OpenPair

Side = Annotated[Number, Field(gt=0, le=10_000)]
Offcut = Annotated[tuple[Side, Side] | None, says("Width x height of the piece at hand.")]
Reliability = Annotated[Wished, says("Chance, from 0 to 1, that it shall hold.", allowed=CHANCE)]


MarkGrade = Annotated[
    Mark,
    says("Wanted mark: 1 the faintest that shows, 2 clear, 3 the darkest that isn't scorched."),
]
Count = Annotated[Whole, Field(ge=0, le=1_000_000)]
Seed = Annotated[Whole, says("Shuffles the places.", ge=0, le=1_000_000_000)]
Paper = Annotated[Literal["a4", "letter"], says("Paper of what is printed.")]
PieceEdge = Annotated[
    bool, says("Also draw the edge of the piece, which isn't burnt, in a layer of its own.")
]


@record
class Named:
    """A machine and a sheet; left out where there is only one."""

    machine: Annotated[Name | None, says("Name of the machine.", unsaid="the only one")] = None
    sheet: Annotated[Name | None, says("Name of the sheet.", unsaid="the only one")] = None

    def of(self, book: Book) -> OpenPair:
        """The pair in a logbook."""
        from calib.tasks.pairs import OpenPair

        return OpenPair(book, self.machine, self.sheet, getattr(self, "operation", "cut"))


@record
class Pair(Named):
    """The same, and what is burnt."""

    operation: Annotated[Operation, says("What is burnt.")] = "cut"


@record
class MaterialWish:
    """What is asked of a material before a sheet of it is bought."""

    material: Annotated[Name, says("What it is made of, in plain words.")]
    source: Annotated[LaserSource, says("Kind of laser.")] = "co2"
    operation: Annotated[Operation | None, says("What is to be burnt.", unsaid="any")] = None
    declaration: Annotated[Words, says("Your statement on a material that calib doesn't know.")] = (
        ""
    )


@record
class BoardWish:
    """What a board is to be planned for."""

    burns: Annotated[
        Whole,
        says(
            "How many cells; of a cut three boards of two tell more than one of six.", ge=1, le=400
        ),
    ] = 8
    offcut_mm: Offcut = None
    split: Annotated[bool, says("Spread the burns over as many pieces as they need.")] = False
    more_offcuts_mm: Annotated[
        tuple[tuple[Side, Side], ...],
        says("Further pieces to spread over; else as many as the first as it takes."),
    ] = ()
    clamp_mm: Annotated[Number | None, says("Margin kept free at the edges.", ge=0, le=1000)] = None
    passes: Annotated[
        tuple[Passes, ...],
        says("Passes to try.", min_length=1, allowed="give whole numbers from 1 to 50"),
    ] = (1,)
    same_power: Annotated[
        bool, says("Keep to one power, so that only speeds are typed at the machine.")
    ] = False
    powers_pct: Annotated[
        tuple[Power, ...], says("A full grid: these powers with all the speeds.")
    ] = ()
    speeds_mm_s: Annotated[
        tuple[Speed, ...], says("A full grid: these speeds with all the powers.")
    ] = ()
    slowest_mm_s: Annotated[
        Number | None,
        says("A full grid down to this speed, at your own risk of fire.", gt=0, le=20_000),
    ] = None
    line_pitch_mm: Annotated[
        Number | None, says("Distance of the lines of an area mark.", ge=0.01, le=20)
    ] = None
    air: AirAssist = None
    reliability: Reliability = USUAL_RELIABILITY
    char_at_most: CharAtMost = None
    mark: MarkGrades = 2
    seed: Seed = 0

    def __post_init__(self) -> None:
        if bool(self.powers_pct) != bool(self.speeds_mm_s):
            one = "powers_pct" if self.powers_pct else "speeds_mm_s"
            needed = say("tasks.full_grid_needs_powers_and_speeds")
            misfit(self, one, getattr(self, one), needed)
        if self.more_offcuts_mm:
            object.__setattr__(self, "split", True)


@record
class FocusWish:
    """What a focus board is to be."""

    heights_mm: Annotated[
        tuple[Annotated[Number, Field(ge=-1000, le=1000)], ...],
        says("Focus heights against the usual one; more is farther away.", unsaid="-3 to 3 mm"),
    ] = ()
    offcut_mm: Offcut = None
    piece_edge: PieceEdge = False


@record
class FileWish:
    """How the files of a board are wanted."""

    paper: Paper = "a4"
    # For software that can't tell colours apart.
    one_file_per_setting: Annotated[
        bool, says("Also one drawing and program for each setting.")
    ] = False
    piece_edge: PieceEdge = False
    # Such as a page's address up to the board's code, which is added.
    address: Annotated[
        Text, says("Where boards are found.", unsaid="the command that shows the board")
    ] = ""

    def address_of(self, board_id: str) -> str:
        """Say where a board is found in the logbook, for the record sheet and its QR code."""
        return (self.address or "calib board show ") + board_id


@record
class TimedMoves:
    """What a stopwatch showed of the moves that tell the acceleration."""

    short_s: Annotated[Number, says("What the short moves took.", gt=0, le=1000)]
    long_s: Annotated[Number, says("What the long moves took.", gt=0, le=1000)]


@record
class ReadWish:
    """How a board was read."""

    char_at: CharReadAt = None


@record
class JobCounts:
    """How many parts of a job came out how."""

    through: Annotated[Count, says("Parts that fell free.")] = 0
    hanging: Annotated[Count, says("Parts that were pushed out.")] = 0
    no: Annotated[Count, says("Parts that were not cut.")] = 0
    cut_length_mm: Annotated[
        Number | None, says("Cut path of one part.", unsaid="about a coupon's", gt=0, le=1e7)
    ] = None

    def __post_init__(self) -> None:
        if not self.parts:
            raise InvalidRecord(say("tasks.no_part_is_counted"))

    @property
    def parts(self) -> int:
        """How many there are in all."""
        return self.through + self.hanging + self.no

    def burns(self, setting: Setting, session: str) -> tuple[Burn, ...]:
        """One burn per outcome that was seen."""
        return tuple(
            Burn(
                operation="cut",
                power_pct=setting.power_pct,
                speed_mm_s=setting.speed_mm_s,
                passes=setting.passes,
                through=grade,
                count=getattr(self, grade),
                cut_length_mm=self.cut_length_mm,
                source="job",
                session=session,
            )
            for grade in THROUGH_GRADES
            if getattr(self, grade)
        )


@record
class ProofWish:
    """How a board at the workshop's setting is wanted."""

    offcut_mm: Offcut = None
    # None: the kept one; of a new lot else the recommended one.
    setting: Annotated[Setting | None, says("The setting that the workshop works with.")] = None


@record
class CheckWish(ProofWish):
    """How the board of a check is wanted."""

    burns: Annotated[
        Whole | None, says("How many burns.", unsaid="the usual number", ge=1, le=400)
    ] = None


@record
class StairWish(CheckWish):
    """How a stair is wanted."""

    air: AirAssist = None


@record
class ElsewhereWish:
    """Where a sheet is to be carried over to, and what is asked of it there."""

    to_machine: Annotated[Name | None, says("Another machine of the logbook.", option="--to")] = (
        None
    )
    rated_w: Annotated[
        Number | None,
        says("Or somebody's machine: its rated power.", option="--watts", ge=0.01, le=2000),
    ] = None
    reliability: Reliability = USUAL_RELIABILITY
    mark: MarkGrade = 2
    offcut_mm: Offcut = None
    seed: Seed = 0

    def __post_init__(self) -> None:
        if (self.to_machine is None) == (self.rated_w is None):
            misfit(self, "to_machine", self.to_machine, say("tasks.give_machine_of_logbook"))


@record
class TrackRecordWish:
    """Which track record is wanted."""

    what: Annotated[
        Literal["through", "char", "mark", "jobs"],
        says("Forecasts of cells, or jobs: those that were run at a kept setting."),
    ] = "through"
    machine: Annotated[Name | None, says("Only of this machine.")] = None
    sheet: Annotated[Name | None, says("Only of this sheet; all if left out.")] = None
    leave_one_out: Annotated[
        bool, says("Forecast each board anew from the others of its pair.")
    ] = False

    def __post_init__(self) -> None:
        if self.leave_one_out and self.what == "jobs":
            misfit(self, "what", self.what, say("tasks.what_was_stated_of_jobs_cant"))


@record
class CombWish:
    """What a comb board is to be."""

    stock_mm: Annotated[
        Number | None,
        says("Thickness of the stock that sits in the slots.", unsaid="the sheet's", ge=0.2, le=50),
    ] = None
    # None: the kept one.
    setting: Annotated[Setting | None, says("At which it is cut.")] = None
    step_mm: Annotated[Number, says("From one width to the next.", ge=0.01, le=0.5)] = 0.05
    slots: Annotated[Whole, says("How many slots.")] = 9
    tongues: Annotated[Whole, says("How many tongues; 0 for none.")] = 9
    kerf_mm: Annotated[
        Number | None,
        says(
            "Kerf that the widths lie round.",
            unsaid="from measured coupons, else a guess",
            ge=0.02,
            le=1.5,
        ),
    ] = None
    offcut_mm: Offcut = None
    paper: Paper = "a4"
    piece_edge: PieceEdge = False


@record
class JobWish:
    """What is to be burnt of a drawing, and what is asked of it."""

    # None leaves a class out. Empty: only the classes are told.
    operations: Annotated[
        Mapping[str, Operation | None], says("Operation of each class of the drawing.")
    ] = field(default_factory=dict)
    classes_by: Annotated[ClassesBy, says("What tells classes apart.")] = "colour"
    # None: the kept one, else the cheapest.
    cut: Annotated[Setting | None, says("Setting of the cuts.")] = None
    # A class without one takes what is kept for its operation.
    marks: Annotated[Mapping[str, Setting], says("Settings of classes that aren't cut.")] = field(
        default_factory=dict
    )
    parts: Annotated[
        Whole | None, says("Parts that it yields.", unsaid="counted", ge=1, le=1_000_000)
    ] = None
    sheets: Annotated[Number, says("Sheets that it uses up, such as 0.25.", ge=0, le=1_000_000)] = (
        1.0
    )
    price: Annotated[Number | None, says("What the customer pays.", gt=0, le=1e9)] = None
    reliability: Annotated[
        Wished | None,
        says(
            "What cheapest, fastest and cleanest keep to.",
            allowed=CHANCE,
            unsaid="as kept, else 0.99",
        ),
    ] = None
    char_at_most: CharAtMost = None
