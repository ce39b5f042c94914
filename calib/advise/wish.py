"""What is asked of a setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calib.errors import unfit
from calib.records import USUAL_RELIABILITY

if TYPE_CHECKING:
    from calib.advise.cheapest import PricedJob

ONE_SCOPE = (
    "a chance is of the next coupon, of a whole job on this sheet, or of the next sheet; ask for"
    " one of them"
)
AIMS = ("fastest", "cleanest", "cheapest")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is asked of a setting; most fields are the arguments of ``recommend``.

    ``reliability`` None: no bound. ``asked``: what was asked for where no more than ``reliability``
    can be promised. ``least_exactly``: for marks, the fastest with that chance of the grade.
    """

    aim: str = "fastest"
    reliability: float | None = USUAL_RELIABILITY
    char_at_most: int | None = None
    mark: int = 2
    cut_length_mm: float | None = None
    next_sheet: bool = False
    slowest_mm_s: float | None = None
    priced: PricedJob | None = None
    asked: float | None = None
    least_exactly: float | None = None

    def __post_init__(self) -> None:
        if self.aim not in AIMS:
            raise unfit("aim", self.aim, f"give one of {', '.join(AIMS)}")
        if self.reliability is not None and not 0.0 < self.reliability < 1.0:
            chance = "give a chance between 0 and 1, such as 0.99"
            raise unfit("reliability", self.reliability, chance)
        for name in ("char_at_most", "mark"):
            grade = getattr(self, name)
            if grade is not None and (isinstance(grade, bool) or grade not in range(5)):
                raise unfit(name, grade, "give a whole number from 0 to 4")
        if self.cut_length_mm is not None and not 0 < self.cut_length_mm < 1e9:
            raise unfit("cut_length_mm", self.cut_length_mm, "give a length above 0")
        slowest = self.slowest_mm_s
        if slowest is not None and not 0 < slowest < 1e9:
            raise unfit("slowest_mm_s", slowest, "give a speed above 0")
        if self.cut_length_mm is not None and self.next_sheet:
            raise unfit("cut_length_mm", self.cut_length_mm, ONE_SCOPE)


def asked_of(operation: str, reliability: float | None) -> float | None:
    """The chance that is asked for: as given, else the usual one for cuts and none for marks."""
    return USUAL_RELIABILITY if reliability is None and operation == "cut" else reliability
