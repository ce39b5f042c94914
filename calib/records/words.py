"""Operations, grades, and the standard coupon."""

from __future__ import annotations

import math
import re
from typing import Literal, NamedTuple, get_args

Operation = Literal["cut", "line_mark", "area_mark"]
Through = Literal["no", "hanging", "through"]
BurnSource = Literal["board", "stair", "job", "check_strip"]
LaserSource = Literal["co2", "diode"]
Air = Literal["on", "low", "off"]
CharAt = Literal["top", "edge", "underside"]
ClassesBy = Literal["colour", "group"]
Corner = Literal["lower_left", "lower_right", "upper_left", "upper_right"]

OPERATIONS: tuple[Operation, ...] = get_args(Operation)
THROUGH_GRADES: tuple[Through, ...] = get_args(Through)
AIRS: tuple[Air, ...] = get_args(Air)
CHAR_PLACES: tuple[CharAt, ...] = get_args(CharAt)
CHAR_WORDS = (
    "clean",
    "tan",
    "brown",
    "black, wipes off on a finger",
    "flaking, flared or burnt back",
)
MARK_WORDS = ("nothing", "faint", "clear", "heavy (deep, or a dark halo)", "scorched or cut")
# Grades of char and of a mark: as many of the one as of the other.
GRADES = range(len(MARK_WORDS))
# What is told in grades, and what each grade means.
SCALES: dict[str, tuple[str, ...]] = {"char": CHAR_WORDS, "mark": MARK_WORDS}
GRADES_SAID = f"{GRADES[0]} to {GRADES[-1]}"


def short_words(scale: tuple[str, ...]) -> tuple[str, ...]:
    """The first word of each grade.

    Examples
    --------
    >>> short_words(CHAR_WORDS)[3]
    'black'
    """
    return tuple(re.split("[, ]", words)[0] for words in scale)


def scale_ends(scale: tuple[str, ...]) -> str:
    """The first and the last grade, such as "0 clean to 4 flaking"."""
    words = short_words(scale)
    return f"{GRADES[0]} {words[0]} to {GRADES[-1]} {words[-1]}"


CHAR_SHORT, MARK_SHORT = short_words(CHAR_WORDS), short_words(MARK_WORDS)

# A wanted mark: a grade, or any from one to another.
Grades = int | tuple[int, int]


def grade_ends(grades: Grades) -> tuple[int, int]:
    """The lowest and the highest of the grades that are wanted."""
    ends = grades if isinstance(grades, tuple) else (grades, grades)
    return min(ends), max(ends)


def grades_typed(grades: Grades) -> str:
    """Wanted grades as they are typed.

    Examples
    --------
    >>> grades_typed(2), grades_typed((1, 2))
    ('2', '1-2')
    """
    low, high = grade_ends(grades)
    return str(low) if low == high else f"{low}-{high}"


def mark_words(grades: Grades, scale: tuple[str, ...] = MARK_WORDS) -> str:
    """Wanted grades in words, of the scale of a material.

    Examples
    --------
    >>> mark_words(2), mark_words((1, 2)), mark_words(3)
    ('clear', 'faint or clear', 'heavy (deep, or a dark halo)')
    """
    low, high = grade_ends(grades)
    if low == high:
        return scale[low]
    return " or ".join(scale[grade].split(" (")[0] for grade in range(low, high + 1))


def outcome_order(name: str) -> tuple[int, str]:
    """Sort key of outcomes in a list: what fell, what hung, what wasn't cut, then by grade.

    Examples
    --------
    >>> sorted(["char 1", "char 0", "no", "hanging", "through"], key=outcome_order)
    ['through', 'hanging', 'no', 'char 0', 'char 1']
    """
    places: dict[str, int] = {grade: -place for place, grade in enumerate(THROUGH_GRADES)}
    return places.get(name, 1), name


class Kind(NamedTuple):
    """What an operation is: ``doing`` is what a maker does, ``to`` the same to a sheet."""

    doing: str
    to: str
    means: str
    shape: Literal["outline", "line", "area"]  # What one cell of it is
    read: tuple[str, ...]  # What is read off each of its cells, in the order in which it is asked
    turn: int  # Its turn in a job
    air: Air  # Air assist that it usually has


KINDS: dict[Operation, Kind] = {
    "cut": Kind("cut", "cut", "go through", "outline", ("through", "char"), 2, "on"),
    "line_mark": Kind(
        "mark lines", "mark lines on", "one visible line", "line", ("mark",), 1, "low"
    ),
    "area_mark": Kind(
        "mark areas", "mark areas on", "a surface of close lines", "area", ("mark",), 0, "low"
    ),
}


def unusual(air: Air | None, operation: Operation) -> Air | None:
    """An air that isn't the usual one of an operation; None where it is, or wasn't said.

    Examples
    --------
    >>> unusual("on", "cut"), unusual("on", "line_mark"), unusual(None, "cut")
    (None, 'on', None)
    """
    return None if air == KINDS[operation].air else air


# The chance that is asked for of a cut when nobody says another one.
USUAL_RELIABILITY = 0.99

# The standard coupon: wide enough to lie across the slats of common beds (common practice, no
# source), corners rounded so that the head need not stop there.
COUPON_MM = 16.0
COUPON_CORNER_MM = 3.0
# Outline of the standard coupon [mm]: four sides less what the four quarter circles save.
COUPON_CUT_MM = 4.0 * COUPON_MM - (8.0 - 2.0 * math.pi) * COUPON_CORNER_MM
