"""The words of calib as frozen records; each checks itself once, when made."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NoReturn, TypeGuard, get_args

from calib.errors import InvalidRecord, shown

Operation = Literal["cut", "line_mark", "area_mark"]
Through = Literal["no", "hanging", "through"]
BurnSource = Literal["board", "job", "check_strip"]
LaserSource = Literal["co2", "diode"]
Corner = Literal["lower_left", "lower_right", "upper_left", "upper_right"]

OPERATIONS: tuple[Operation, ...] = get_args(Operation)
THROUGH_GRADES: tuple[Through, ...] = get_args(Through)
CHAR_WORDS = (
    "clean",
    "tan",
    "brown",
    "black, wipes off on a finger",
    "flaking, flared or burnt back",
)
MARK_WORDS = ("nothing", "faint", "clear", "heavy (deep, or a dark halo)", "scorched or cut")

# The standard coupon: wide enough to lie across the slats of common beds (common practice, no
# source), corners rounded so that the head need not stop there.
COUPON_MM = 16.0
COUPON_CORNER_MM = 3.0
# Outline of the standard coupon [mm]: four sides less what the four quarter circles save.
COUPON_CUT_MM = 4.0 * COUPON_MM - (8.0 - 2.0 * math.pi) * COUPON_CORNER_MM


def _fail(record: object, field: str, value: object, allowed: str) -> NoReturn:
    raise InvalidRecord(f"{type(record).__name__}.{field} is {shown(value)}: {allowed}.")


def _is_number(value: object) -> TypeGuard[float]:
    """True for what is finite; a whole number may be too long for `math.isfinite`."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < math.inf


def _number(
    record: object,
    field: str,
    low: float,
    high: float,
    *,
    above: bool = False,
    none_ok: bool = False,
) -> None:
    """Check a number [unit of the field] against ``low`` (exclusive if ``above``) and ``high``."""
    value = getattr(record, field)
    if value is None and none_ok:
        return
    words = ("above", "and at most") if above else ("from", "to")
    allowed = f"give a number {words[0]} {low:g} {words[1]} {high:g}"
    if not _is_number(value):
        _fail(record, field, value, allowed)
    if not (low < value if above else low <= value) or value > high:
        _fail(record, field, value, allowed)


def _whole(record: object, field: str, low: int, high: int, *, none_ok: bool = False) -> None:
    value = getattr(record, field)
    if value is None and none_ok:
        return
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        _fail(record, field, value, f"give a whole number from {low} to {high}")


def _word(record: object, field: str, allowed: Iterable[object]) -> None:
    value = getattr(record, field)
    choices = tuple(allowed)
    if value not in choices:
        _fail(record, field, value, "give one of " + ", ".join(str(c) for c in choices))


def _text(record: object, field: str, *, needed: bool = False, longest: int = 200) -> None:
    value = getattr(record, field)
    if not isinstance(value, str) or len(value) > longest or any(ord(c) < 32 for c in value):
        _fail(record, field, value, f"give one line of text of at most {longest} characters")
    if needed and not value.strip():
        _fail(record, field, value, "give a name")


def _pair(record: object, field: str, low: float, high: float) -> None:
    value = getattr(record, field)
    good = isinstance(value, tuple) and len(value) == 2
    good = good and all(_is_number(v) and low <= v <= high for v in value)
    if not good:
        _fail(
            record,
            field,
            value,
            f"give two numbers from {low:g} to {high:g}, such as (300.0, 200.0)",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One laser with its set-up.

    Parameters
    ----------
    name
        What the workshop calls it.
    rated_w
        Rated optical power at 100 % [W].
    source
        ``co2`` or ``diode``.
    bed_mm
        Width and height that the head reaches [mm].
    max_speed_mm_s
        Top speed [mm/s].
    acceleration_mm_s2
        Acceleration of the head [mm/s²]; None when not known.
    beam_starts_pct
        Power below which no beam comes out [%]; the default is common practice, no source.
    ceiling_pct
        Highest power that plans and advice may use [%]; the default spares a tube (common
        practice, no source).
    power_curve
        Measured ((pct, watts), …), rising; empty when not measured.
    power_step_pct, speed_step_mm_s
        Smallest steps that the machine takes [%], [mm/s].
    power_word_full
        S word at 100 % power; None when not known: then no program can be written.
    beam_on_word
        ``M3``, or ``M4`` on controllers where power follows speed.
    lens_mm, beam_mm
        Focal length and beam diameter at the lens [mm]; None when not known.
    origin
        Corner of the board where the program's (0, 0) lies.
    y_up
        True when the program's y grows away from the operator.
    offset_mm
        Added to every x and y of the program [mm].
    air_on_word, air_off_word
        M words that switch the air assist; empty when it is switched by hand.
    power_follows_speed
        True when the controller lowers the power with the speed by itself.
    slat_gap_mm
        Opening between the bars of the bed [mm]; None when not known.
    area_both_ways
        True when the lines of an area mark are burnt there and back; False for one direction only,
        on machines with play.
    """

    name: str
    rated_w: float
    bed_mm: tuple[float, float]
    max_speed_mm_s: float
    source: LaserSource = "co2"
    acceleration_mm_s2: float | None = None
    beam_starts_pct: float = 10.0
    ceiling_pct: float = 80.0
    power_curve: tuple[tuple[float, float], ...] = ()
    power_step_pct: float = 1.0
    speed_step_mm_s: float = 0.1
    power_word_full: float | None = None
    beam_on_word: str = "M3"
    lens_mm: float | None = None
    beam_mm: float | None = None
    origin: Corner = "lower_left"
    y_up: bool = True
    offset_mm: tuple[float, float] = (0.0, 0.0)
    air_on_word: str = ""
    air_off_word: str = ""
    power_follows_speed: bool = False
    slat_gap_mm: float | None = None
    area_both_ways: bool = True

    def __post_init__(self) -> None:
        _text(self, "name", needed=True)
        _number(self, "rated_w", 0, 2000, above=True)
        _word(self, "source", get_args(LaserSource))
        _pair(self, "bed_mm", 10, 10000)
        _number(self, "max_speed_mm_s", 0, 20000, above=True)
        _number(self, "acceleration_mm_s2", 0, 1e6, above=True, none_ok=True)
        _number(self, "beam_starts_pct", 0, 99)
        _number(self, "ceiling_pct", 0, 100, above=True)
        _number(self, "power_step_pct", 0, 50, above=True)
        _number(self, "speed_step_mm_s", 0, 1000, above=True)
        _number(self, "power_word_full", 0, 1e6, above=True, none_ok=True)
        _word(self, "beam_on_word", ("M3", "M4"))
        _number(self, "lens_mm", 0, 1000, above=True, none_ok=True)
        _number(self, "beam_mm", 0, 100, above=True, none_ok=True)
        _word(self, "origin", get_args(Corner))
        _pair(self, "offset_mm", -10000, 10000)
        _number(self, "slat_gap_mm", 0, 1000, above=True, none_ok=True)
        self._check_air()
        self._check_curve()
        if self.ceiling_pct <= self.beam_starts_pct:
            _fail(self, "ceiling_pct", self.ceiling_pct, "it must lie above beam_starts_pct")
        if self.speed_step_mm_s > self.max_speed_mm_s:
            _fail(
                self, "speed_step_mm_s", self.speed_step_mm_s, "it must not exceed max_speed_mm_s"
            )

    def _check_air(self) -> None:
        for field in ("air_on_word", "air_off_word"):
            _word(self, field, ("", "M7", "M8", "M9"))

    def _check_curve(self) -> None:
        allowed = "give ((pct, watts), …), both rising, pct from above 0 to 100, watts above 0"
        try:
            points = [(float(pct), float(watts)) for pct, watts in self.power_curve]
        except (TypeError, ValueError, OverflowError):
            _fail(self, "power_curve", self.power_curve, allowed)
        rising = all(a[0] < b[0] and a[1] < b[1] for a, b in zip(points, points[1:], strict=False))
        inside = all(0 < pct <= 100 and 0 < watts < 4000 for pct, watts in points)
        if not (rising and inside):
            _fail(self, "power_curve", self.power_curve, allowed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A material at a nominal thickness.

    Parameters
    ----------
    name
        What the workshop calls it.
    material
        Its material, in plain words.
    thickness_mm
        Nominal thickness [mm].
    measured_mm
        Measured thickness [mm]; None when not measured.
    lot
        Lot or delivery.
    declaration
        The user's statement on a material that calib doesn't know.
    """

    name: str
    material: str
    thickness_mm: float
    measured_mm: float | None = None
    lot: str = ""
    declaration: str = ""

    def __post_init__(self) -> None:
        _text(self, "name", needed=True)
        _text(self, "material", needed=True)
        _number(self, "thickness_mm", 0, 60, above=True)
        _number(self, "measured_mm", 0, 60, above=True, none_ok=True)
        _text(self, "lot")
        _text(self, "declaration", longest=1000)

    @property
    def working_thickness_mm(self) -> float:
        """Measured thickness where there is one, else the nominal [mm]."""
        return self.thickness_mm if self.measured_mm is None else self.measured_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What is typed at the machine.

    Parameters
    ----------
    power_pct
        Power [% of full].
    speed_mm_s
        Speed as set [mm/s].
    passes
        How often the same path is burnt.
    line_pitch_mm
        Distance of the lines of an area mark [mm]; None otherwise.
    """

    power_pct: float
    speed_mm_s: float
    passes: int = 1
    line_pitch_mm: float | None = None

    def __post_init__(self) -> None:
        _number(self, "power_pct", 0, 100, above=True)
        _number(self, "speed_mm_s", 0, 20000, above=True)
        _whole(self, "passes", 1, 50)
        _number(self, "line_pitch_mm", 0, 20, above=True, none_ok=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Burn:
    """One cell that was run, with what came out.

    Parameters
    ----------
    operation
        ``cut``, ``line_mark`` or ``area_mark``.
    power_pct, speed_mm_s, passes, line_pitch_mm
        The setting: [% of full], [mm/s], count, [mm].
    through
        ``no``, ``hanging`` or ``through``; None when not read.
    char, mark
        Grades 0…4; None when not read.
    count
        How many equal parts of a job this line stands for.
    cut_length_mm
        Cut path of one part [mm]; None means the standard coupon.
    source
        ``board``, ``job`` or ``check_strip``.
    sitting
        Label of the sitting in which it was burnt.
    x_mm, y_mm, burn_order
        Where on the board [mm, origin top left] and when it was burnt; None when not known.
    """

    operation: Operation
    power_pct: float
    speed_mm_s: float
    passes: int = 1
    line_pitch_mm: float | None = None
    through: Through | None = None
    char: int | None = None
    mark: int | None = None
    count: int = 1
    cut_length_mm: float | None = None
    source: BurnSource = "board"
    sitting: str = ""
    x_mm: float | None = None
    y_mm: float | None = None
    burn_order: int | None = None

    def __post_init__(self) -> None:
        _word(self, "operation", OPERATIONS)
        _number(self, "power_pct", 0, 100, above=True)
        _number(self, "speed_mm_s", 0, 20000, above=True)
        _whole(self, "passes", 1, 50)
        _number(self, "line_pitch_mm", 0, 20, above=True, none_ok=True)
        if self.operation == "area_mark" and self.line_pitch_mm is None:
            _fail(self, "line_pitch_mm", None, "an area mark needs the distance of its lines in mm")
        _word(self, "through", (*THROUGH_GRADES, None))
        _whole(self, "char", 0, 4, none_ok=True)
        _whole(self, "mark", 0, 4, none_ok=True)
        _whole(self, "count", 1, 1_000_000)
        _number(self, "cut_length_mm", 0, 1e7, above=True, none_ok=True)
        _word(self, "source", get_args(BurnSource))
        _text(self, "sitting")
        _number(self, "x_mm", -1e5, 1e5, none_ok=True)
        _number(self, "y_mm", -1e5, 1e5, none_ok=True)
        _whole(self, "burn_order", 1, 1_000_000, none_ok=True)

    @property
    def setting(self) -> Setting:
        """What was typed at the machine for this burn."""
        return Setting(
            power_pct=self.power_pct,
            speed_mm_s=self.speed_mm_s,
            passes=self.passes,
            line_pitch_mm=self.line_pitch_mm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One place on the board with one setting.

    Parameters
    ----------
    label
        Code of the cell: a letter and digits.
    power_pct, speed_mm_s, passes, line_pitch_mm
        The setting: [% of full], [mm/s], count, [mm].
    x_mm, y_mm, width_mm, height_mm
        Box of the cell [mm], origin at the board's top left, y down; x and y are its top left.
    burn_order
        Place in the burning order, from 1.
    block
        Which of the board's blocks it belongs to, from 1.
    """

    label: str
    power_pct: float
    speed_mm_s: float
    passes: int = 1
    line_pitch_mm: float | None = None
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    burn_order: int
    block: int = 1

    @property
    def setting(self) -> Setting:
        """What is typed at the machine for this cell."""
        return Setting(
            power_pct=self.power_pct,
            speed_mm_s=self.speed_mm_s,
            passes=self.passes,
            line_pitch_mm=self.line_pitch_mm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A planned test grid: which cells, where, in what order.

    Parameters
    ----------
    board_id
        Short code that names this board; the same plan has the same code.
    machine, sheet, operation
        For whom it is.
    round
        Which grid of this pair it is, from 1.
    board_mm
        Width and height of the board [mm].
    cells
        The cells, in the order of their labels.
    label_setting
        The gentle setting at which the codes are marked; never a cell's.
    notes
        What the user must know, in sentences.
    """

    board_id: str
    machine: Machine
    sheet: Sheet
    operation: Operation
    round: int = 1
    board_mm: tuple[float, float]
    cells: tuple[Cell, ...]
    label_setting: Setting
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _word(self, "operation", OPERATIONS)
        _whole(self, "round", 1, 1000)
        _pair(self, "board_mm", 0, 100000)
        if not self.cells:
            _fail(self, "cells", self.cells, "a grid needs at least one cell")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What was read off one cell of a board after burning.

    Parameters
    ----------
    cell
        Code of the cell.
    through
        ``no``, ``hanging`` or ``through``; None when not read.
    char, mark
        Grades 0…4; None when not read.
    note
        The user's own words.
    width_mm, height_mm
        Coupon as measured with a caliper [mm]; None when not measured.
    """

    cell: str
    through: Through | None = None
    char: int | None = None
    mark: int | None = None
    note: str = ""
    width_mm: float | None = None
    height_mm: float | None = None

    def __post_init__(self) -> None:
        _text(self, "cell", needed=True, longest=8)
        _word(self, "through", (*THROUGH_GRADES, None))
        _whole(self, "char", 0, 4, none_ok=True)
        _whole(self, "mark", 0, 4, none_ok=True)
        _text(self, "note", longest=1000)
        _number(self, "width_mm", 0, 1000, above=True, none_ok=True)
        _number(self, "height_mm", 0, 1000, above=True, none_ok=True)

    @property
    def is_empty(self) -> bool:
        """True when nothing was read: the cell counts as not burnt."""
        return self.through is None and self.char is None and self.mark is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What was promised of a setting before its results could come in.

    Parameters
    ----------
    operation, setting
        What is promised of.
    aim
        What the setting was chosen for.
    reliability
        Chance that was asked for.
    chance
        Chance that was stated.
    scope
        ``coupon``: the next coupon on this sheet; ``job``: a whole job; ``sheet``: the next sheet.
    char_at_most, mark
        Grades that are part of the promise; None when they aren't.
    cut_length_mm
        Length of the job [mm]; None for a coupon.
    """

    operation: Operation
    setting: Setting
    aim: str
    reliability: float
    chance: float
    scope: Literal["coupon", "job", "sheet"] = "coupon"
    char_at_most: int | None = None
    mark: int | None = None
    cut_length_mm: float | None = None

    def __post_init__(self) -> None:
        _word(self, "operation", OPERATIONS)
        _text(self, "aim", needed=True)
        _number(self, "reliability", 0, 1)
        _number(self, "chance", 0, 1)
        _word(self, "scope", ("coupon", "job", "sheet"))
        _whole(self, "char_at_most", 0, 4, none_ok=True)
        _whole(self, "mark", 0, 4, none_ok=True)
        _number(self, "cut_length_mm", 0, 1e9, above=True, none_ok=True)
