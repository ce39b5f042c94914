"""A setting, and what came of burning it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any

from pydantic import Field

from calib.records.fields import Grade, Number, Text, Whole, fields_of, misfit, record, says
from calib.records.words import (
    GRADES_SAID,
    KINDS,
    Air,
    BurnSource,
    CharAt,
    Operation,
    Through,
    unusual,
)
from calib.texts.say import say

Power = Annotated[Number, says("Power, of full.", gt=0, le=100)]
Speed = Annotated[Number, says("Speed as set.", gt=0, le=20_000)]
Passes = Annotated[Whole, says("How often the same path is burnt.", ge=1, le=50)]
Pitch = Annotated[Number | None, says("Distance of the lines of an area mark.", gt=0, le=20)]
# None, also where the usual one is given.
AirAssist = Annotated[
    Air | None, says("Air assist that it is burnt with.", unsaid="on for cuts, low for marks")
]
CharReadAt = Annotated[
    CharAt | None, says("Where on the piece char was read.", unsaid="it isn't said")
]
Place = Annotated[Number, Field(ge=-100_000, le=100_000)]


@record
class Setting:
    """What is typed at the machine."""

    power_pct: Power
    speed_mm_s: Speed
    passes: Passes = 1
    line_pitch_mm: Pitch = None


def setting_of(record: Any) -> Setting:
    """The setting among a record's fields."""
    return Setting(
        power_pct=record.power_pct,
        speed_mm_s=record.speed_mm_s,
        passes=record.passes,
        line_pitch_mm=record.line_pitch_mm,
    )


@record
class Outcome:
    """What was read off a cell or part; None: it wasn't read."""

    through: Annotated[Through | None, says("Whether it fell; empty if not read.")] = None
    char: Annotated[Grade | None, says(f"Char, {GRADES_SAID}; empty if not read.")] = None
    mark: Annotated[Grade | None, says(f"Mark, {GRADES_SAID}; empty if not read.")] = None
    char_at: CharReadAt = None

    @property
    def is_empty(self) -> bool:
        """True when nothing was read: it counts as not burnt."""
        return all(getattr(self, name) is None for name in READ_OFF)


# What may be read off a cell: the grades among the fields of `Outcome`.
READ_OFF = tuple(field.name for field in fields_of(Outcome) if field.name != "char_at")


@record
class Burn(Outcome):
    """One cell that was run, with what came out."""

    operation: Annotated[Operation, says("What was burnt.")]
    power_pct: Power
    speed_mm_s: Speed
    passes: Passes = 1
    line_pitch_mm: Pitch = None
    count: Annotated[
        Whole, says("How many equal parts of a job this stands for.", ge=1, le=1_000_000)
    ] = 1
    cut_length_mm: Annotated[
        Number | None,
        says("Cut path of one part; empty: the standard coupon.", gt=0, le=10_000_000),
    ] = None
    source: Annotated[BurnSource, says("Where it was burnt.")] = "board"
    fails_at_mm_s: Annotated[
        Number | None,
        says(
            "Of a stair that came out so to this speed: the next step's, which was less.",
            gt=0,
            le=20_000,
        ),
    ] = None
    begins_at_mm_s: Annotated[
        Number | None,
        says("Of a stair that was cut so: its first step's speed.", gt=0, le=20_000),
    ] = None
    session: Annotated[Text, says("What was burnt in one go with one set-up.")] = ""
    lot: Annotated[
        Text | None, says("The lot it was burnt of, where that isn't the sheet's current one.")
    ] = None
    air: AirAssist = None
    x_mm: Annotated[Place | None, says("Where on the board, from its top left.")] = None
    y_mm: Annotated[Place | None, says("Where on the board, from its top left.")] = None
    burn_order: Annotated[Whole | None, says("When it was burnt, from 1.", ge=1, le=1_000_000)] = (
        None
    )

    def __post_init__(self) -> None:
        if KINDS[self.operation].shape == "area" and self.line_pitch_mm is None:
            misfit(self, "line_pitch_mm", None, say("records.area_mark_needs_distance_of_its"))
        object.__setattr__(self, "air", unusual(self.air, self.operation))

    @property
    def setting(self) -> Setting:
        """What was typed at the machine for this burn."""
        return setting_of(self)

    @property
    def burnt_speeds_mm_s(self) -> tuple[float, ...]:
        """The speed, of a stair those of its first step and of the one that failed too."""
        speeds = (self.speed_mm_s, self.begins_at_mm_s, self.fails_at_mm_s)
        return tuple(speed for speed in speeds if speed is not None)


def counted_burns(burns: Iterable[Burn]) -> str:
    """Say how many burns there are; a stair is one stair, however many steps it has.

    Examples
    --------
    >>> from dataclasses import replace
    >>> cut = Burn(operation="cut", power_pct=60.0, speed_mm_s=12.5, through="through")
    >>> counted_burns([cut]), counted_burns([replace(cut, source="stair"), cut, cut])
    ('1 burn', 'a stair and 2 burns')
    """
    stairs = ends = count = 0
    for burn in burns:
        if burn.source != "stair":
            count += burn.count
        elif burn.operation == "cut":
            stairs += 1
        else:  # Of marks its two ends are burns, and each change of grade.
            ends += burn.fails_at_mm_s is None
    stairs += (ends + 1) // 2
    several = "1 burn" if count == 1 else say("records.burns", count=count)
    if not stairs:
        return several
    steps = "a stair" if stairs == 1 else say("records.stairs", stairs=stairs)
    return say("records.stairs_and_burns", steps=steps, several=several) if count else steps


def burns_with_airs(burns: Sequence[Burn], operation: Operation) -> str:
    """Say how many burns there are with which air."""
    airs, usual = dict.fromkeys(burn.air for burn in burns), KINDS[operation].air
    return " and ".join(
        say(
            "records.burns_with_air",
            burns=counted_burns(burn for burn in burns if burn.air == air),
            air=air or usual,
        )
        for air in airs
    )


def burns_to_advise_from(burns: Sequence[Burn], operation: Operation) -> str:
    """Say how many burns there are; with which air, where some had another than the usual one, and
    where none had that, that only it is advised."""
    if not any(burn.air for burn in burns):
        return counted_burns(burns)
    said = burns_with_airs(burns, operation)
    if all(burn.air for burn in burns):
        return say("records.none_with_usual_air", burns=said, usual=KINDS[operation].air)
    return said
