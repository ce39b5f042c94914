"""How the whole book is kept and handed on: backups, photographs, export, import."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from calib.errors import BadFile, InvalidRecord, LogbookError
from calib.logbook import (
    Book,
    ImportReport,
    Photograph,
    backup,
    backup_path,
    export_csv,
    export_text,
    import_text,
    restore,
)
from calib.logbook.files import backups_of, is_whole, newest_backup
from calib.logbook.opening import find_place
from calib.records import Grid
from calib.tasks.files import Files, given_file, write_folder
from calib.tasks.pairs import LAST
from calib.texts.say import say


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A backup that was made, or put back."""

    file: Path  # The backup
    rows: dict[str, int]  # Rows in it, by table


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupFile:
    """A file in the folder of backups."""

    file: Path  # Where it is
    made: datetime  # When it was written
    size_bytes: int  # Its size
    whole: bool  # True when it opens as a logbook and every page of it is good


def back_up(book: Book, file: Path | None = None, *, when: datetime) -> Kept:
    """Copy a logbook into a new file, and open the copy to see that nothing is missing; raises
    LogbookError when it can't be written or isn't whole, or no file was named for a book on a
    server."""
    if file is None and book.path is None:
        raise LogbookError(say("tasks.logbook_lies_on_server", book=book))
    target = file if file is not None else backup_path(book.path or Path(), when)
    return Kept(rows=backup(book, target), file=target)


def put_back(file: str, place: str | None = None) -> Kept:
    """Put a backup in the place of a logbook; what was there, damaged or not, is kept beside it;
    raises LogbookError when the backup isn't whole, or there is none; nothing is changed then."""
    source = Path(file)
    if file.casefold() == LAST:
        path = find_place(place).path
        best = None if path is None else newest_backup(path)
        if best is None:
            raise LogbookError(
                say("tasks.there_is_no_good_backup_beside", shown=find_place(place).shown)
            )
        source = best
    return Kept(rows=restore(source, place), file=source)


def list_backups(place: str | None = None) -> tuple[BackupFile, ...]:
    """Look at the backups beside a logbook; the logbook itself isn't opened."""
    path = find_place(place).path
    files = () if path is None else backups_of(path)
    return tuple(
        BackupFile(
            file=file,
            made=datetime.fromtimestamp(file.stat().st_mtime, tz=UTC),
            size_bytes=file.stat().st_size,
            whole=is_whole(file),
        )
        for file in files
    )


def attach(book: Book, grid: Grid, file: Path, *, cell: str = "", when: datetime) -> Photograph:
    """Keep a photograph of a board, or of one of its cells; raises BadFile, InvalidRecord when it
    can't be read or isn't such a picture, or there is no such cell."""
    label = cell.strip().upper()
    content = given_file(file)
    kept = book.attach(grid.board_id, file.name, content, when=when, cell=label)
    return next(found for found in book.photographs(grid.board_id) if found.id == kept)


# Ends of file names by what a photograph is; the first is put where none of them stands.
_ENDS = {
    "image/png": (".png",),
    "image/jpeg": (".jpg", ".jpeg", ".jpe", ".jfif"),
    "image/webp": (".webp",),
}


def photograph_files(book: Book, grid: Grid) -> Files:
    """Read all photographs of a board."""
    files = {}
    for number, photograph in enumerate(book.photographs(grid.board_id), 1):
        # What some system can't have in a name, or doesn't show, is left out.
        usable = "".join(
            c if c.isprintable() and c not in '<>:"|?*' else "_" for c in photograph.filename
        )
        name = f"{grid.board_id}-{number:02d}-{photograph.cell or 'board'}-{usable}"
        ends = _ENDS[photograph.media_type]
        name += "" if name.lower().endswith(ends) else ends[0]
        files[name] = book.photograph(photograph.id)
    return files


def export_book(book: Book, file: Path) -> Path:
    """Write a logbook into a file; raises InvalidRecord when the file's name ends otherwise;
    CalibError when it can't be written."""
    kind = file.suffix.lower()
    if kind not in (".jsonl", ".csv"):
        raise InvalidRecord(say("tasks.file_is_give_name_that_ends", file=file))
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
    """Take another logbook's file in, all or nothing; raises BadFile when it is no logbook's file;
    nothing is stored then; LogbookError when an answer isn't possible."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFile(say("tasks.file_isnt_text_in_utf")) from None
    return import_text(book, text, when=when, answers=answers, dry_run=look)
