"""A promised setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calib.records.burns import Setting
from calib.records.checks import check_number, check_text, check_whole, check_word
from calib.records.words import OPERATIONS, Operation


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What was promised of a setting before its results could come in."""

    # operation, setting: What is promised of
    operation: Operation
    setting: Setting
    aim: str  # What the setting was chosen for
    # Chance that was asked for; 0 when none was, as of a mark that may also go deeper
    reliability: float
    chance: float  # Chance that was stated
    # ``coupon``: the next coupon on this sheet; ``job``: a whole job; ``sheet``: the next sheet
    scope: Literal["coupon", "job", "sheet"] = "coupon"
    # char_at_most, mark: Grades that are part of the promise; None when they aren't
    char_at_most: int | None = None
    mark: int | None = None
    cut_length_mm: float | None = None  # Length of the job [mm]; None for a coupon

    def __post_init__(self) -> None:
        check_word(self, "operation", OPERATIONS)
        check_text(self, "aim", needed=True)
        check_number(self, "reliability", 0, 1)
        check_number(self, "chance", 0, 1)
        check_word(self, "scope", ("coupon", "job", "sheet"))
        check_whole(self, "char_at_most", 0, 4, none_ok=True)
        check_whole(self, "mark", 0, 4, none_ok=True)
        check_number(self, "cut_length_mm", 0, 1e9, above=True, none_ok=True)
