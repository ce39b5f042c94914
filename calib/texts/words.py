"""How texts are set: tables of aligned columns, lists of sentences, settings and dates."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, cast

from calib.advice.recommendation import scope_words
from calib.boards.naming import setting_words as setting_words
from calib.materials import scales_of
from calib.records import Advice, Reading, short_words
from calib.records.advice import RegionWish
from calib.records.fields import FieldOf, fields_of
from calib.texts.say import say
from calib.typed import write
from calib.units import show_chance, show_speed

WIDTH = 96
_GAP = "  "


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Set a table: columns as wide as their longest entry, numbers where they stand.

    Examples
    --------
    >>> print(table(("cell", "power"), [("A1", "80 %"), ("B12", "5 %")]))
    cell  power
    A1    80 %
    B12   5 %
    """
    lines = [tuple(header), *(tuple(row) for row in rows)]
    widths = [max(len(line[n]) for line in lines) for n in range(len(header))]
    return "\n".join(
        _GAP.join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


def bullets(title: str, sentences: Iterable[str]) -> str:
    """Set sentences as a list under a title; nothing when there are none.

    Examples
    --------
    >>> print(bullets("Notes", ["One."]))
    Notes:
    - One.
    """
    given = list(sentences)
    if not given:
        return ""
    entries = [
        textwrap.fill(text, WIDTH, initial_indent="- ", subsequent_indent="  ") for text in given
    ]
    return "\n".join([f"{title}:", *entries])


def paragraphs(*parts: str) -> str:
    """Join texts with an empty line between them; empty ones are left out."""
    return "\n\n".join(part for part in parts if part)


def pair_typed(sheet: str, machine: str, operation: str = "cut") -> str:
    """Name a sheet and machine as a shell takes them: the line holds in a book of many.

    Examples
    --------
    >>> pair_typed("birch 3", "bench")
    "'birch 3' --machine bench"
    """
    other = "" if operation == "cut" else f" --operation {operation}"
    return f"{shlex.quote(sheet)} --machine {shlex.quote(machine)}{other}"


def wish_typed(wish: RegionWish) -> str:
    """A wish as options, what is usual left out."""
    return fields_typed(wish, ("costs", "slowest_mm_s"))


def fields_typed(record: Any, leave_out: Sequence[str] = ()) -> str:
    """The fields of a record as options, those as they are without a word left out."""
    words = ""
    for field in fields_of(cast(Any, type(record))):
        value = getattr(record, field.name)
        if field.bare is bool:
            words += f" {field.option}" if value else ""
        elif value not in (None, field.default) and field.name not in leave_out:
            words += f" {field.option} {shlex.quote(write(field, value))}"
    return words


def wrapped(text: str) -> str:
    """Break a long sentence into lines."""
    return textwrap.fill(text, WIDTH, break_on_hyphens=False, break_long_words=False)


def speed_words(speed_mm_s: float | None) -> str:
    """Write a speed as it is typed in; a dash when there is none."""
    return "-" if speed_mm_s is None else show_speed(speed_mm_s)


def about(number: float) -> str:
    """Write a number to two figures, without an exponent.

    Examples
    --------
    >>> about(103.0), about(0.0213)
    ('100', '0.021')
    """
    return f"{float(f'{number:.2g}'):.10g}"


def chance_words(advice: Advice) -> str:
    """Write a stated chance with what it holds for."""
    return f"chance {show_chance(advice.chance)} for {scope_words(advice)}"


def short_code(code: str) -> str:
    """What is shown of an entry's code, which is its time and its own letters; more is accepted."""
    return (code.partition("-")[2] or code)[:8]


def date_words(at: datetime) -> str:
    """Write a time of the logbook as the clock on the wall shows it."""
    return at.astimezone().strftime("%Y-%m-%d %H:%M")


def operation_words(operation: str) -> str:
    """Write an operation in plain words."""
    return operation.replace("_", " ")


def counted(number: int, what: str) -> str:
    """Write a number of things.

    Examples
    --------
    >>> counted(1, "burn"), counted(2, "burn")
    ('1 burn', '2 burns')
    """
    return f"{number} {what}" + ("" if number == 1 else "s")


def reading_words(reading: Reading, material: str) -> str:
    """Write a reading in the plain words of a material."""
    words = []
    if reading.through is not None:
        words.append({"no": "not through"}.get(reading.through, reading.through))
    for name, scale in scales_of(material).items():
        if (grade := getattr(reading, name)) is not None:
            words.append(f"{name} {grade} {short_words(scale)[grade]}")
    if reading.char_at is not None:
        words.append(say("texts.char_read_at", place=reading.char_at))
    if reading.width_mm is not None and reading.height_mm is not None:
        words.append(f"{reading.width_mm:g} x {reading.height_mm:g} mm")
    return ", ".join(words) + (f" ({reading.note})" if reading.note else "")


def shown_field(field: FieldOf, value: Any) -> str:
    """A value of a field as it is typed, with its unit; nothing where it isn't given."""
    text = write(field, value)
    return f"{text} {field.unit}".rstrip() if text else ""


def fields_table(records: Sequence[Any], names: Sequence[str]) -> str:
    """List records of one kind, with some of their fields as columns."""
    known = {field.name: field for field in fields_of(cast(Any, type(records[0])))}
    fields = [known[name] for name in names]
    rows = [[shown_field(field, getattr(one, field.name)) for field in fields] for one in records]
    return table([field.words for field in fields], rows)
