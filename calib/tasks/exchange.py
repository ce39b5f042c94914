"""Give a logbook away as a file, and take another one in."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from calib.errors import BadFile, InvalidRecord
from calib.logbook import (
    Book,
    ImportReport,
    document_text,
    export_csv,
    export_json,
    import_json,
    read_document,
)
from calib.tasks.files import write_folder


def export_book(book: Book, file: Path) -> Path:
    """Write a logbook into a file.

    Parameters
    ----------
    book
        The logbook.
    file
        ``.json`` for everything, to be taken into another logbook; ``.csv`` for a table of all
        burns that count.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InvalidRecord
        When the file's name ends otherwise.
    CalibError
        When it can't be written.
    """
    kind = file.suffix.lower()
    if kind not in (".json", ".csv"):
        raise InvalidRecord(f"file is {file.name!r}: give a name that ends in .json or .csv.")
    text = document_text(export_json(book)) if kind == ".json" else export_csv(book)
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

    Parameters
    ----------
    book
        The logbook.
    content
        The file, as ``export_book`` writes it with ``.json``.
    when
        When it is taken in.
    answers
        What the user decided on earlier questions, by their keys.
    look
        True only looks and stores nothing.

    Returns
    -------
    ImportReport
        What was added, and what must be decided.

    Raises
    ------
    BadFile
        When it is no logbook's file; nothing is stored then.
    LogbookError
        When an answer isn't possible.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFile("The file isn't text in UTF-8: export the other logbook again.") from None
    return import_json(book, read_document(text), when=when, answers=answers or {}, dry_run=look)
