"""Give a logbook away as a file, and take another one in."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from calib.errors import BadFile, InvalidRecord
from calib.logbook import (
    Book,
    ImportReport,
    export_csv,
    export_text,
    import_text,
)
from calib.tasks.folders import write_folder


def export_book(book: Book, file: Path) -> Path:
    """Write a logbook into a file.

    Raises InvalidRecord when the file's name ends otherwise; CalibError when it can't be written.
    """
    kind = file.suffix.lower()
    if kind not in (".jsonl", ".csv"):
        raise InvalidRecord(f"file is {file.name!r}: give a name that ends in .jsonl or .csv.")
    text = export_text(book) if kind == ".jsonl" else export_csv(book)
    return write_folder({file.name: text.encode()}, file.parent)[0]


def import_book(
    book: Book,
    content: bytes,
    *,
    when: datetime,
    answers: Mapping[str, str] | None = None,
    look: bool = False,
) -> ImportReport:
    """Take another logbook's file in, all or nothing.

    Raises BadFile when it is no logbook's file; nothing is stored then; LogbookError when an answer
    isn't possible.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFile("The file isn't text in UTF-8: export the other logbook again.") from None
    return import_text(book, text, when=when, answers=answers, dry_run=look)
