"""A setting, and what came of burning it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from calib.records.checks import check_number, check_text, check_whole, check_word, fail
from calib.records.words import OPERATIONS, THROUGH_GRADES, BurnSource, Operation, Through


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What is typed at the machine."""

    power_pct: float  # Power [% of full]
    speed_mm_s: float  # Speed as set [mm/s]
    passes: int = 1  # How often the same path is burnt
    line_pitch_mm: float | None = None  # Distance of the lines of an area mark [mm]; None otherwise

    def __post_init__(self) -> None:
        check_number(self, "power_pct", 0, 100, above=True)
        check_number(self, "speed_mm_s", 0, 20000, above=True)
        check_whole(self, "passes", 1, 50)
        check_number(self, "line_pitch_mm", 0, 20, above=True, none_ok=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Burn:
    """One cell that was run, with what came out."""

    operation: Operation  # ``cut``, ``line_mark`` or ``area_mark``
    # power_pct, speed_mm_s, passes, line_pitch_mm: The setting: [% of full], [mm/s], count, [mm]
    power_pct: float
    speed_mm_s: float
    passes: int = 1
    line_pitch_mm: float | None = None
    through: Through | None = None  # ``no``, ``hanging`` or ``through``; None when not read
    # char, mark: Grades 0…4; None when not read
    char: int | None = None
    mark: int | None = None
    count: int = 1  # How many equal parts of a job this line stands for
    cut_length_mm: float | None = None  # Cut path of one part [mm]; None means the standard coupon
    source: BurnSource = "board"  # ``board``, ``job`` or ``check_strip``
    sitting: str = ""  # Label of the sitting in which it was burnt
    # The lot it was burnt of, where that isn't the sheet's current one; None: the current one
    lot: str | None = None
    # x_mm, y_mm, burn_order: Where on the board [mm, origin top left] and when it was burnt; None
    # when not known
    x_mm: float | None = None
    y_mm: float | None = None
    burn_order: int | None = None

    def __post_init__(self) -> None:
        check_word(self, "operation", OPERATIONS)
        check_number(self, "power_pct", 0, 100, above=True)
        check_number(self, "speed_mm_s", 0, 20000, above=True)
        check_whole(self, "passes", 1, 50)
        check_number(self, "line_pitch_mm", 0, 20, above=True, none_ok=True)
        if self.operation == "area_mark" and self.line_pitch_mm is None:
            fail(self, "line_pitch_mm", None, "an area mark needs the distance of its lines in mm")
        check_word(self, "through", (*THROUGH_GRADES, None))
        check_whole(self, "char", 0, 4, none_ok=True)
        check_whole(self, "mark", 0, 4, none_ok=True)
        check_whole(self, "count", 1, 1_000_000)
        check_number(self, "cut_length_mm", 0, 1e7, above=True, none_ok=True)
        check_word(self, "source", get_args(BurnSource))
        check_text(self, "sitting")
        if self.lot is not None:
            check_text(self, "lot")
        check_number(self, "x_mm", -1e5, 1e5, none_ok=True)
        check_number(self, "y_mm", -1e5, 1e5, none_ok=True)
        check_whole(self, "burn_order", 1, 1_000_000, none_ok=True)

    @property
    def setting(self) -> Setting:
        """What was typed at the machine for this burn."""
        return Setting(
            power_pct=self.power_pct,
            speed_mm_s=self.speed_mm_s,
            passes=self.passes,
            line_pitch_mm=self.line_pitch_mm,
        )
