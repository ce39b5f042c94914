"""CSV as spreadsheets write and read it: text in any of their encodings to rows, and rows to text.

What a file's columns mean is the caller's business.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import NamedTuple

from calib.errors import BadFile
from calib.texts.say import say

# The largest board's results are a few kilobytes; more isn't a result file.
MAX_BYTES = 1_000_000

_DELIMITERS = ",;\t"
_ENOUGH = 100  # names that are looked at to find the delimiter
# Starts of a formula in common spreadsheets, and the apostrophe that keeps it from running.
_GUARDED = ("=", "+", "-", "@", "＝", "＋", "－", "＠", "'")
# Blanks that some spreadsheets take off before they look for a formula.
_BLANK_STARTS = ("\t", "\r", "\n")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Columns that a file must have and those that it may have, in any order."""

    needed: tuple[str, ...]
    optional: tuple[str, ...] = ()

    @property
    def known(self) -> frozenset[str]:
        """All names that may stand in the first row."""
        return frozenset((*self.needed, *self.optional))


class Row(NamedTuple):
    """One row: its number in the spreadsheet (the header is 1) and its fields by column."""

    number: int
    fields: Mapping[str, str]


def number_text(value: float) -> str:
    """Write a number with at most six decimals and none that aren't needed.

    Examples
    --------
    >>> number_text(12.0), number_text(0.1)
    ('12', '0.1')
    """
    return f"{value:.6f}".rstrip("0").rstrip(".")


def safe_cell_text(text: str) -> str:
    """Text that a spreadsheet shows and never runs.

    Examples
    --------
    >>> safe_cell_text("=1+1"), safe_cell_text("fine")
    ("'=1+1", 'fine')
    """
    looks_so = text.lstrip().startswith(_GUARDED) or text.startswith(_BLANK_STARTS)
    return f"'{text}" if looks_so else text


def plain_text(text: str) -> str:
    """Take text as it was before `safe_cell_text`, on one line.

    Examples
    --------
    >>> plain_text("'=1+1"), plain_text("'tis fine")
    ('=1+1', "'tis fine")
    """
    field = text.lstrip()
    guarded = field.startswith("'") and safe_cell_text(field[1:]) == field
    return " ".join((field[1:] if guarded else field).split())


def write_csv(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Write rows as RFC 4180 wants them: commas, CRLF, quotation marks where needed."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue()


def _decode(data: bytes) -> str:
    """Text of a file as spreadsheets save it: UTF-8, UTF-16, or the old Western page."""
    half = len(data) // 2
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = ["utf-16"]
    elif half and data[1::2].count(0) > half / 2:
        encodings = ["utf-16-le"]
    elif half and data[0::2].count(0) > half / 2:
        encodings = ["utf-16-be"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        with suppress(UnicodeDecodeError):
            return data.decode(encoding)
    raise BadFile(say("spreadsheet.result_file_isnt_text"))


def _text_of(given: str | bytes, columns: Columns) -> str:
    if len(given) > MAX_BYTES:
        raise BadFile(
            say("spreadsheet.result_file_is_too_large", count=len(given), max_bytes=MAX_BYTES)
        )
    text = given if isinstance(given, str) else _decode(given)
    text = text.removeprefix("\ufeff")
    junk = _CONTROL.search(text)
    if junk:
        raise BadFile(say("spreadsheet.result_file_isnt_plain_text", junk=junk))
    if not text.strip():
        raise BadFile(say("spreadsheet.result_file_is_empty", needed=",".join(columns.needed)))
    return text


def _delimiter_of(text: str, columns: Columns) -> tuple[str, str]:
    """Delimiter, and the text without the line ``sep=;`` that some spreadsheets put first."""
    first, _, rest = text.lstrip("\r\n").partition("\n")
    told = re.fullmatch(r"sep=([,;\t])", first.strip().strip('"'), re.IGNORECASE)
    if told or first.strip('"\r ') == "sep=\t":
        return (told[1] if told else "\t"), rest
    header = next((line for line in text.splitlines() if line.strip(_DELIMITERS + " ")), "")

    def hits(delimiter: str) -> tuple[int, int]:
        names = header.split(delimiter, maxsplit=_ENOUGH)
        return sum(_column(name) in columns.known for name in names), len(names)

    return max(_DELIMITERS, key=hits), text


def _column(name: str) -> str:
    return re.sub(r"[\s\-()\[\]\"]+", "_", name.strip().casefold()).strip("_")


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    number = 0
    try:
        for number, fields in enumerate(reader, 1):
            stripped = [field.strip() for field in fields]
            if any(stripped):
                yield number, stripped
    except csv.Error as error:
        said = str(error).replace("\t", "tab")
        raise BadFile(say("spreadsheet.row_cant_be_read", number=number + 1, said=said)) from None


def _header_of(header: list[str], allowed: Columns) -> list[str]:
    used = max((place for place, name in enumerate(header, 1) if name), default=0)
    # One more than there are names is sure to be unknown or there twice.
    header = header[: min(used, len(allowed.known) + 1)]
    columns: list[str] = []
    wrong: list[str] = []
    for column, name in zip(map(_column, header), header, strict=True):
        if column not in allowed.known:
            wrong.append(say("spreadsheet.there_is_column", header=name[:40]))
        elif column in columns:
            wrong.append(say("spreadsheet.column_stands_there_twice", column=column))
        columns.append(column)
    lacking = (column for column in allowed.needed if column not in columns)
    wrong += [say("spreadsheet.column_is_missing", column=column) for column in lacking]
    if wrong:
        needed, may = ",".join(allowed.needed), ", ".join(allowed.optional)
        raise BadFile(say("spreadsheet.wrong_columns", wrong=wrong[0], needed=needed, may=may))
    return columns


def read_rows(given: str | bytes, allowed: Columns) -> Iterator[Row]:
    """Read a file row by row; blank rows and trailing blank columns are passed over.

    Raises BadFile when it isn't text, is empty or too large, has wrong columns, a row that was cut
    off, a field too many or an open quotation mark.
    """
    delimiter, text = _delimiter_of(_text_of(given, allowed), allowed)
    records = _records(text, delimiter)
    first = next(records, None)
    columns = _header_of(first[1] if first else [], allowed)
    for number, fields in records:
        if len(fields) < len(columns):
            start, counts = delimiter.join(fields)[:60], (len(fields), len(columns))
            raise BadFile(
                say("spreadsheet.row_is_short", number=number, start=start, counts=counts)
            )
        if surplus := [field[:60] for field in fields[len(columns) :] if field]:
            raise BadFile(
                say("spreadsheet.row_is_long", number=number, surplus=surplus, delimiter=delimiter)
            )
        yield Row(number, dict(zip(columns, fields, strict=False)))
