"""The record of a recommendation, and the plain words for its chance."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from calib.records import Advice, Grades, Operation, Setting
from calib.texts.say import say

# What holds more seldom than this isn't kept without a clear yes (own judgement, no source).
LIKELY_CHANCE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """A setting inside what was burnt, with what is stated of it."""

    # operation, power_pct, speed_mm_s, passes, line_pitch_mm: What is typed at the machine: [% of
    # full], [mm/s], [-], [mm]
    operation: Operation
    power_pct: float
    speed_mm_s: float
    passes: int
    line_pitch_mm: float | None
    # aim, reliability: What was asked for; reliability None for a mark that may also go deeper
    aim: str
    reliability: float | None
    scope: str  # ``coupon``, ``job`` or ``sheet``: which of the three it is for
    # Stated, after rounding: that a coupon (or job) drops, and under a char limit that it is
    # no blacker as well; for marks, that it comes out at exactly the wanted grade
    chance: float
    # For marks: that it goes no deeper than wanted; None for cuts
    chance_not_deeper: float | None = None
    # For a chance of cut and char: the bound max(0, p1 + p2 − 1) that holds whatever the two have
    # to do with one another; None otherwise
    chance_at_least: float | None = None
    # char_at_most, mark: Grades that are part of it; None when they aren't
    char_at_most: int | None = None
    mark: Grades | None = None
    expected_char: float | None = None  # Expected char grade, 0…4; None for marks
    # Spare energy: 100 (e^m − 1), m the median reach [%]; None for marks
    energy_margin_pct: float | None = None
    # Loss of delivered power after which half the coupons would still drop [%]; None for marks
    power_loss_survived_pct: float | None = None
    # Extra thickness at which half would still drop, if the power needed grows with thickness as
    # the family's does [mm]; None for marks
    extra_thickness_survived_mm: float | None = None
    # Length of the job that was asked about [mm]; None for a coupon
    cut_length_mm: float | None = None
    # expected_pushes, expected_pushes_interval: Parts of the job's length that need a push or a
    # knife, defects included, and the central 90 % interval; None without a length
    expected_pushes: float | None = None
    expected_pushes_interval: tuple[int, int] | None = None
    # How many of these are knots and glue pockets, which no chance counts; None without a length
    expected_defects: float | None = None
    # chance_no_push, chance_no_help: That the whole job falls free without a push, and the same
    # with defects counted; None without a length
    chance_no_push: float | None = None
    chance_no_help: float | None = None
    pushes_per_hour: float | None = None  # The same for an hour of cutting; None for marks
    coupons_per_hour: float | None = None  # How many coupons that hour cuts
    # Of the job, at what things were said to cost [money]; None unless the aim was the cheapest
    expected_cost: float | None = None
    # chance_if_scatter_doubled, setting_if_scatter_doubled: The chance, and the advice, if the
    # scatter assumed before the burns were twice as large
    chance_if_scatter_doubled: float | None = None
    setting_if_scatter_doubled: Setting | None = None
    # Of the fastest cut for a coupon: its pace over the one expected after two more rounds, at
    # most 1; None for everything else
    share_of_two_more_rounds: float | None = None
    notes: tuple[str, ...] = ()  # What the user must know, in sentences

    @property
    def setting(self) -> Setting:
        """What is typed at the machine."""
        return Setting(
            power_pct=self.power_pct,
            speed_mm_s=self.speed_mm_s,
            passes=self.passes,
            line_pitch_mm=self.line_pitch_mm,
        )

    @property
    def seconds_per_cm2(self) -> float | None:
        """Time for which a square centimetre of an area is burnt, without run-ups [s]."""
        if self.line_pitch_mm is None:
            return None
        return 100.0 * self.passes / (self.speed_mm_s * self.line_pitch_mm)

    @property
    def advice(self) -> Advice:
        """The setting with its stated chance, as the logbook keeps it."""
        return Advice(
            operation=self.operation,
            setting=self.setting,
            aim=self.aim,
            reliability=self.reliability or 0.0,
            chance=self.chance,
            scope=self.scope,  # type: ignore[arg-type]
            char_at_most=self.char_at_most,
            mark=self.mark,
            cut_length_mm=self.cut_length_mm,
        )

    @property
    def words(self) -> str:
        """The chance in plain words."""
        if self.operation != "cut":
            return say(
                "advice.come_out_as_wanted",
                about=about_words(self.chance),
                share=share_words(1.0 - (self.chance_not_deeper or 0.0)),
            )
        if self.scope == "job":
            blacker = "" if self.char_at_most is None else say("advice.or_come_out_blacker")
            return say(
                "advice.whole_jobs_will_need_push_somewhere",
                about=about_words(1.0 - self.chance),
                blacker=blacker,
            )
        if self.char_at_most is not None:
            return say("advice.will_need_push_or_come_out", about=about_words(1.0 - self.chance))
        return say("advice.will_need_push", about=about_words(1.0 - self.chance))


def scope_words(advice: Advice | Recommendation) -> str:
    """Say for what a chance holds, such as "a whole job of 4.2 m on this sheet"."""
    if advice.operation != "cut":
        return say("advice.next_mark_on_this_sheet")
    if advice.scope == "job":
        return say("advice.whole_job_of_m", cut_length_mm=(advice.cut_length_mm or 0.0) / 1000.0)
    if advice.scope == "sheet":
        return say("advice.coupon_on_next_sheet")
    return say("advice.next_coupon_on_this_sheet")


def about_words(share: float) -> str:
    """Write a share as one that is about so large; what is only bounded isn't "about" it.

    Examples
    --------
    >>> about_words(0.008), about_words(0.00001)
    ('about 1 in 125', 'fewer than 1 in 1000')
    """
    words = share_words(share)
    return words if " than " in words else say("advice.about", words=words)


def share_words(share: float) -> str:
    """Write a share as people count, in lowest terms: "1 in 125", "3 in 200".

    Examples
    --------
    >>> share_words(0.008), share_words(0.015), share_words(0.9), share_words(0.00001)
    ('1 in 125', '3 in 200', '9 in 10', 'fewer than 1 in 1000')
    """
    if share < 0.0005:
        return say("advice.fewer_than")
    if share >= 0.9995:
        return say("advice.more_than")
    for whole in (2, 10, 20, 50, 100, 200, 500, 1000):
        parts = share * whole
        if 0.9 <= parts < whole - 0.5 and abs(parts - round(parts)) < 0.12 * parts:
            break
    lowest = Fraction(max(round(share * whole), 1), whole)
    return f"{lowest.numerator} in {lowest.denominator}"
