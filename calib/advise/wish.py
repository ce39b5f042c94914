"""What is asked of a setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calib.errors import InvalidRecord

if TYPE_CHECKING:
    from calib.advise.cheapest import PricedJob

AIMS = ("fastest", "cleanest", "cheapest")


# The chance that is asked for when nobody says another one.
USUAL_RELIABILITY = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is asked of a setting; the fields are the arguments of ``recommend``."""

    aim: str = "fastest"
    reliability: float = USUAL_RELIABILITY
    char_at_most: int | None = None
    mark: int = 2
    cut_length_mm: float | None = None
    next_sheet: bool = False
    slowest_mm_s: float | None = None
    priced: PricedJob | None = None

    def __post_init__(self) -> None:
        if self.aim not in AIMS:
            raise InvalidRecord(f"aim is {self.aim!r}: give one of {', '.join(AIMS)}.")
        if not 0.0 < self.reliability < 1.0:
            raise InvalidRecord(
                f"reliability is {self.reliability!r}: give a chance between 0 and 1, such as 0.99."
            )
        for name in ("char_at_most", "mark"):
            grade = getattr(self, name)
            if grade is not None and (isinstance(grade, bool) or grade not in range(5)):
                raise InvalidRecord(f"{name} is {grade!r}: give a whole number from 0 to 4.")
        if self.cut_length_mm is not None and not 0 < self.cut_length_mm < 1e9:
            raise InvalidRecord(f"cut_length_mm is {self.cut_length_mm!r}: give a length above 0.")
        slowest = self.slowest_mm_s
        if slowest is not None and not 0 < slowest < 1e9:
            raise InvalidRecord(f"slowest_mm_s is {slowest!r}: give a speed above 0.")
