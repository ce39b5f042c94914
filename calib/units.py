"""Quantities as people type them, turned into the units that calib works in: mm, mm/s, W, %."""

from __future__ import annotations

import re
from fractions import Fraction

from calib.errors import InvalidQuantity, shown
from calib.texts.say import say

# International inch, exact: 25.4 mm (NIST Handbook 44, appendix C).
MM_PER_INCH = 25.4

_LENGTH_UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, '"': MM_PER_INCH}
_SPEED_UNITS = {
    "mm/s": 1.0,
    "mm/min": 1.0 / 60.0,
    "in/s": MM_PER_INCH,
    "in/min": MM_PER_INCH / 60.0,
}
_POWER_UNITS = {"W": 1.0, "w": 1.0}
# Units that fractions are likely meant in, by the unit of a plain number.
_OF_FRACTIONS = {"mm": "in", "mm/s": "in/s"}
# Other ways to write a unit that is named already.
_NOT_NAMED = ('"', "w")
_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d*)?|[.,]\d+)"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*([a-z/\"%]*)\s*$", re.IGNORECASE | re.ASCII)
# A number with the letter or unit it is known by: ``1000``, ``S1000``, ``3000 mm/s²``, ``95 %``.
_PLAIN = re.compile(
    r"[sS]?\s*(-?\d{1,9}(?:[.,]\d{0,9})?)\s*(%|mm/s(?:²|2|\^2)|nm|s|s/m)?", re.ASCII
)
# Longer text is no quantity; the bound keeps the pattern cheap on hostile input.
_MAX_CHARACTERS = 40


def _number(text: str) -> float:
    *whole, part = text.replace(",", ".").split()
    return float(Fraction(part)) + sum(map(float, whole))


def _quantity(text: str, units: dict[str, float], default: str, what: str) -> float:
    allowed = ", ".join(unit for unit in units if unit not in _NOT_NAMED)
    match = _QUANTITY.match(text) if len(text) <= _MAX_CHARACTERS else None
    unit = (match.group(2).lower() or default) if match else ""
    if match is None or unit not in units:
        given = text if len(text) <= _MAX_CHARACTERS else text[:_MAX_CHARACTERS] + "…"
        if "," not in allowed:
            raise InvalidQuantity(
                say("units.not_in_its_one_unit", what=what, given=given, default=default)
            )
        raise InvalidQuantity(
            say("units.cant_be_read", what=what, given=given, allowed=allowed, default=default)
        )
    # Who types a fraction thinks in inches: taken as mm it would be off by 25 times, unnoticed.
    if default in _OF_FRACTIONS and "/" in match.group(1) and not match.group(2):
        typed = match.group(1)
        raise InvalidQuantity(
            say(
                "units.is_fraction_without_unit",
                what=what,
                text=text,
                typed=typed,
                of_fractions=_OF_FRACTIONS[default],
                default=default,
            )
        )
    try:
        value = _number(match.group(1)) * units[unit]
    except ZeroDivisionError:
        raise InvalidQuantity(say("units.divides_by_zero", what=what, text=text)) from None
    return value


def parse_length_mm(text: str) -> float:
    """Read a length: ``3``, ``3 mm``, ``0.3 cm``, ``1/4 in``, ``1 1/2 in``.

    Raises InvalidQuantity when it isn't a number with a known unit of length.

    Examples
    --------
    >>> parse_length_mm("1/4 in")
    6.35
    """
    return _quantity(text, _LENGTH_UNITS, "mm", "length")


def parse_speed_mm_s(text: str) -> float:
    """Read a speed: ``12``, ``12 mm/s``, ``720 mm/min``, ``0.5 in/s``, ``30 in/min``.

    Raises InvalidQuantity when it isn't a number with a known unit of speed.

    Examples
    --------
    >>> parse_speed_mm_s("720 mm/min")
    12.0
    """
    return _quantity(text, _SPEED_UNITS, "mm/s", "speed")


def parse_power_w(text: str) -> float:
    """Read an optical power: ``60``, ``60 W``, ``60w``.

    Raises InvalidQuantity when it isn't a number, with or without the unit.

    Examples
    --------
    >>> parse_power_w("60W")
    60.0
    """
    return _quantity(text, _POWER_UNITS, "W", "power")


def parse_percent(text: str) -> float:
    """Read a share in per cent: ``60`` or ``60 %``.

    Raises InvalidQuantity when it isn't a number, with or without a per cent sign.

    Examples
    --------
    >>> parse_percent("60 %")
    60.0
    """
    return _quantity(text, {"%": 1.0}, "%", "percentage")


def parse_size_mm(text: str) -> tuple[float, float]:
    """Read a width and a height: ``300x200``, ``300 x 200 mm``, ``12 in x 8 in``.

    Raises InvalidQuantity when there aren't two lengths joined by ``x``.

    Examples
    --------
    >>> parse_size_mm("300 x 200 mm")
    (300.0, 200.0)
    """
    parts = re.split(r"[x×*]", text.strip().lower()) if len(text) <= 2 * _MAX_CHARACTERS else []
    if len(parts) != 2:
        raise InvalidQuantity(say("units.size_cant_be_read", text=text[: 2 * _MAX_CHARACTERS]))
    unit = re.search(r'[a-z"]+\s*$', parts[1])
    first = (
        parts[0] if re.search(r'[a-z"]', parts[0]) else parts[0] + (unit.group() if unit else "")
    )
    return parse_length_mm(first), parse_length_mm(parts[1])


def parse_whole(text: str) -> int:
    """Read a whole number."""
    try:
        return int(text)
    except ValueError:
        raise InvalidQuantity(say("units.cant_be_read_2", text=shown(text))) from None


def parse_signed_mm(text: str) -> float:
    """Read a length with its sign [mm]: ``-2``, ``+1.5 mm``."""
    unsigned = text.strip()
    value = parse_length_mm(unsigned.lstrip("+-"))
    return -value if unsigned.startswith("-") else value


def parse_number(text: str) -> float:
    """Read a plain number, with the letter or unit that it is known by; ``95 %`` is 0.95."""
    found = _PLAIN.fullmatch(text.strip())
    if found is None:
        raise InvalidQuantity(say("units.cant_be_read_3", text=shown(text)))
    value = float(found[1].replace(",", "."))
    return value / 100.0 if found[2] == "%" else value


def show_chance(chance: float) -> str:
    """Write a chance in three figures; a sure thing is never said.

    Examples
    --------
    >>> show_chance(0.9909), show_chance(0.99987), show_chance(0.0002)
    ('99.1 %', 'over 99.9 %', 'under 0.1 %')
    """
    if chance > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if chance < 0.001 else f"{100.0 * chance:.1f} %"


def show_asked(chance: float) -> str:
    """Write a chance as it was asked for.

    Examples
    --------
    >>> show_asked(0.95), show_asked(0.9999)
    ('95 %', '99.99 %')
    """
    return f"{100.0 * chance:.10g} %"


def show_percent(share: float) -> str:
    """Write a share as a whole per cent.

    Examples
    --------
    >>> show_percent(0.803)
    '80 %'
    """
    return f"{100.0 * share:.0f} %"


def show_speed(speed_mm_s: float) -> str:
    """Write a speed the two ways it is typed at machines.

    Examples
    --------
    >>> show_speed(12.5)
    '12.5 mm/s (750 mm/min)'
    """
    return f"{_figure(speed_mm_s)} mm/s ({_figure(round(speed_mm_s * 60, 3))} mm/min)"


def _figure(value: float) -> str:
    """Write a number with at most four decimals and never an exponent; tiny ones with more."""
    decimals = 4 if value >= 1e-3 else 9
    return f"{value:.{decimals}f}".rstrip("0").rstrip(".")
