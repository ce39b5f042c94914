"""A setting with its stated chance."""

from __future__ import annotations

from typing import Annotated, Literal

from calib.records.burns import Setting
from calib.records.fields import Chance, Grade, Name, Number, record, says
from calib.records.words import Operation


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
