"""Look a logbook over, back it up, restore it; each copy is opened and compared before it counts.

A backup is itself a logbook: one SQLite file, also when the logbook is on a server. A database
notices when its own structure is damaged, and says nothing of a letter that turned into another
one inside a note. But every entry is named after its content, and none ever goes away.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from calib.errors import BadFile, InvalidRecord, LogbookError, shown
from calib.logbook import files, ledger
from calib.logbook.bodies import checked, newer_version
from calib.logbook.book import open_book
from calib.logbook.ledger import entries, identity, keep_photograph, photographs, replaced
from calib.logbook.opening import damaged, find_place, in_plain_words, make_engine
from calib.logbook.room import Room
from calib.texts.say import say


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What a check of a sound logbook found."""

    rows: Mapping[str, int]  # Entries in the logbook, by kind, and its photographs
    compared_with: Path | None = None  # The newest good backup; None when there is none
    # Entries of the backup that aren't in the logbook, by kind; some are when an earlier backup was
    # put back since.
    missing: Mapping[str, int] = field(default_factory=dict)


def check_book(book: Room) -> Check:
    """Look a logbook over; nothing is changed."""
    with in_plain_words(book.where):
        with book.look() as connection:
            if wrong := _wrong_in(connection):
                raise LogbookError(f"{damaged(book.where)} {wrong}")
            rows = _counts(connection)
            ids = set(connection.execute(sa.select(entries.c.id)).scalars())
        backup = files.newest_backup(book.where.path) if book.where.path else None
        asked = "SELECT kind, id FROM entries ORDER BY kind"
        there = files.asked_of(backup, asked) if backup else []
    missing = Counter(str(kind) for kind, key in there if key not in ids)
    return Check(rows=rows, compared_with=backup, missing=dict(missing))


def _counts(connection: sa.Connection) -> dict[str, int]:
    by_kind = sa.select(entries.c.kind, sa.func.count()).group_by(entries.c.kind)
    rows = connection.execute(by_kind.order_by(entries.c.kind))
    found = {kind: int(count) for kind, count in rows}
    pictures = connection.execute(sa.select(sa.func.count()).select_from(photographs)).scalar_one()
    return found | ({"photograph files": pictures} if pictures else {})


def _wrong_in(connection: sa.Connection) -> str:
    """Look at every page, entry and photograph; says what is wrong first, empty for nothing."""
    if connection.dialect.name == "sqlite":
        said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
        if said != "ok":
            return f"{said}."
    named = set(connection.execute(sa.select(replaced.c.entry)).scalars())
    known: set[str] = set()
    needed: set[str] = set()
    for line in ledger.lines(connection):
        try:
            entry = ledger.from_line(line)
            if newer := newer_version(entry.kind, entry.v):
                raise LogbookError(say("logbook.it_cant_be_used_here", newer=newer))
            checked(entry)
        except InvalidRecord as error:
            return say("logbook.it_holds", line=shown(line), error=error)
        except BadFile as error:
            return str(error)
        known.add(entry.id)
        named |= {key for key in (entry.about, entry.machine, entry.sheet) if key}
        named |= {key for key in entry.replaces if not key.startswith(ledger.SENT)}
        if entry.kind == "photograph":
            needed.add(str(entry.body["digest"]))
    if named - known:
        return say("logbook.entry_is_named", named=min(named - known))
    there = set()
    for digest, content in connection.execute(sa.select(photographs)):
        if hashlib.sha256(content).hexdigest() != digest:
            return say("logbook.photograph_isnt_what_was_kept", digest=digest[:12])
        there.add(digest)
    if needed - there:
        return say("logbook.photograph_isnt_there", needed=min(needed - there)[:12])
    if ledger.held(connection) != ledger.worked_out(connection):
        return say("logbook.what_it_holds_as_standing_isnt")
    return ""


def backup_path(path: Path, when: datetime) -> Path:
    """Name the backup of a logbook's file: in the folder ``backups`` beside it, by date."""
    name = f"{path.stem}-{when.astimezone(UTC):%Y-%m-%d-%H%M%S}.sqlite3"
    return path.parent / files.BACKUP_FOLDER / name


def backup(book: Room, target: Path) -> dict[str, int]:
    """Copy one state of a logbook into a new file; open the copy to see that nothing is missing."""
    there = LogbookError(say("logbook.file_is_there_already", target=target))
    if os.path.lexists(target):
        raise there
    with _written(say("logbook.file", target=target)):
        target.parent.mkdir(parents=True, exist_ok=True)
        with files.part_beside(target) as part, in_plain_words(book.where):
            if book.where.path is not None:
                files.copy_database(book.where.path, part)
            else:
                with open_book(part) as new, book.look() as old, new.change() as copy:
                    _copy_entries(old, copy)
            counted = _check_copy(part)
            try:
                files.name_new(part, target)
            except FileExistsError:
                raise there from None
    return counted


def restore(source: Path, target: str | Path | None) -> dict[str, int]:
    """Put a backup in the place of a logbook; what was there, damaged or not, is kept.

    A program that has the logbook open and does nothing goes on with what was put back; while one
    reads or writes, nothing is changed.
    """
    if not files.is_whole(source):
        raise LogbookError(say("logbook.backup_is_damaged", source=source))
    place = find_place(target)
    path = place.path
    with in_plain_words(place):
        if path is not None:
            with _written(say("logbook.logbook", path=path)):
                path.parent.mkdir(parents=True, exist_ok=True)
                with files.part_beside(path) as part:
                    files.copy_database(source, part)
                    counted = _check_copy(part)
                    files.replace_file(path, part)
            return counted
        with tempfile.TemporaryDirectory() as folder:
            # What is restored is a copy: nothing is put beside the backup.
            copied = Path(folder) / "copy.sqlite3"
            files.copy_database(source, copied)
            _check_copy(copied)
            with open_book(copied) as old, old.look() as rows, open_book(place.url) as book:
                with book.change() as new:
                    if new.execute(sa.select(entries.c.id)).first():
                        raise LogbookError(say("logbook.logbook_isnt_empty", place=place))
                    _copy_entries(rows, new)
                    return _counts(new)


@contextmanager
def _written(what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise LogbookError(say("logbook.cant_be_written", what=what, error=error)) from error


def _check_copy(path: Path) -> dict[str, int]:
    """Open a copy, look at every page, entry and photograph, and count its rows."""
    engine = make_engine(find_place(path))
    try:
        with engine.connect() as connection:
            if wrong := _wrong_in(connection):
                raise LogbookError(say("logbook.copy_isnt_whole", wrong=wrong))
            return _counts(connection)
    finally:
        engine.dispose()
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")


def _copy_entries(source: sa.Connection, target: sa.Connection) -> None:
    """Put all of one logbook into another, empty one, which takes its identity too."""
    own = source.execute(sa.select(identity.c.id)).scalar_one()
    target.execute(identity.update().values(id=own))
    ledger.add(target, map(ledger.from_line, ledger.lines(source)))
    for digest, content in source.execute(sa.select(photographs)):
        keep_photograph(target, digest, content)
    if _counts(source) != _counts(target):
        raise LogbookError(say("logbook.copy_lacks_rows"))
