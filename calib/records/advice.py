"""What is asked of a setting, and a setting with its stated chance."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from calib.records.burns import Setting
from calib.records.costs import Costs
from calib.records.fields import Chance, Grade, Name, Number, Whole, misfit, record, says
from calib.records.words import (
    CHAR_SHORT,
    USUAL_RELIABILITY,
    Operation,
)
from calib.texts.say import say

Wished = Annotated[Number, Field(gt=0, lt=1)]
CHANCE = "give a chance between 0 and 1, such as 0.99"


def graded(words: tuple[str, ...]) -> str:
    """Grades with a word for each."""
    return ", ".join(f"{grade} {word}" for grade, word in enumerate(words))


CharAtMost = Annotated[
    Grade | None,
    says(f"Worst char that is fine: {graded(CHAR_SHORT)}.", unsaid="char doesn't matter"),
]
Mark = Annotated[Whole, Field(ge=1, le=3)]
WISHED_MARK = "give 1, 2 or 3, or two with a dash, such as 1-2"
MarkGrades = Annotated[
    Mark | tuple[Mark, Mark],
    says(
        "Wanted mark: 1 the faintest that shows, 2 clear, 3 the darkest that isn't scorched, 1-2"
        " even under paint or stain.",
        allowed=WISHED_MARK,
    ),
]


@record
class RegionWish:
    """What is asked of a setting of a region."""

    aim: Annotated[
        Literal["fastest", "cleanest", "cheapest"], says("What the setting is chosen for.")
    ] = "fastest"
    reliability: Annotated[
        Wished | None,
        says(
            "Chance, from 0 to 1, that a cut shall drop; for a mark, that it goes no deeper.",
            allowed=CHANCE,
            unsaid="0.99 for cuts; a mark has the highest chance there is",
        ),
    ] = None
    char_at_most: CharAtMost = None
    mark: MarkGrades = 2
    cut_length_mm: Annotated[
        Number | None, says("Chance of a whole job of this cut path, such as 4.2 m.", gt=0, lt=1e9)
    ] = None
    next_sheet: Annotated[bool, says("Chance of the next sheet of the lot.")] = False
    # None: as kept in the logbook.
    costs: Annotated[Costs | None, says("What things cost, for the cheapest.")] = None
    # None: as slow as cells that were burnt at the maker's wish, else none that may set the sheet
    # on fire.
    slowest_mm_s: Annotated[
        Number | None, says("Slowest speed that may be advised.", gt=0, le=20_000)
    ] = None

    def __post_init__(self) -> None:
        if self.cut_length_mm is not None and self.next_sheet:
            misfit(
                self,
                "cut_length_mm",
                self.cut_length_mm,
                say("records.chance_is_of_one"),
            )

    def asked_of(self, operation: Operation) -> float | None:
        """The chance that is asked for of an operation; None: no bound."""
        usual = self.reliability is None and operation == "cut"
        return USUAL_RELIABILITY if usual else self.reliability


@record
class Advice:
    """A setting with the chance that was stated of it before its results could come in."""

    operation: Annotated[Operation, says("What it is for.")]
    setting: Annotated[Setting, says("The setting.")]
    aim: Annotated[Name, says("What the setting was chosen for.")]
    reliability: Annotated[Chance, says("Chance that was asked for; 0 if none was.")]
    chance: Annotated[Chance, says("Chance that was stated.")]
    scope: Annotated[
        Literal["coupon", "job", "sheet"],
        says("The next coupon on this sheet, a whole job, or the next sheet."),
    ] = "coupon"
    char_at_most: Annotated[Grade | None, says("Worst char that it allows.")] = None
    mark: Annotated[
        Grade | tuple[Grade, Grade] | None,
        says("Grade of the mark that it is about, or the first and the last of some."),
    ] = None
    cut_length_mm: Annotated[
        Number | None, says("Length of the job; empty for a coupon.", gt=0, le=1e9)
    ] = None

    @property
    def wish(self) -> RegionWish:
        """What was asked when it was stated, for it to be asked again."""
        reliability = self.reliability or None
        if self.operation == "cut" and reliability == USUAL_RELIABILITY:
            reliability = None
        return RegionWish(
            aim="cleanest" if self.aim == "cleanest" else "fastest",
            reliability=reliability,
            char_at_most=self.char_at_most,
            mark=2 if self.mark is None else self.mark,
            cut_length_mm=self.cut_length_mm,
            next_sheet=self.scope == "sheet",
        )
