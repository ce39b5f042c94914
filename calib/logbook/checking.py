"""Look a logbook over: every page, entry and photograph, and the entries of the newest backup.

A database notices when its own structure is damaged, and says nothing of a letter that turned into
another one inside a note. But every entry is named after its content, and none ever goes away.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import sqlalchemy as sa

from calib.errors import BadFile, InvalidRecord, LogbookError, shown
from calib.logbook import ledger
from calib.logbook.bodies import checked, newer_version
from calib.logbook.files import look_into
from calib.logbook.identity import newest_backup
from calib.logbook.ledger import entries, photographs, replaced
from calib.logbook.opening import damaged, in_plain_words
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
    path = book.where.path
    with in_plain_words(book.where):
        with book.look() as connection:
            if wrong := look_at_entries(connection):
                raise LogbookError(f"{damaged(book.where)} {wrong}")
            rows = counts(connection)
            ids = set(connection.execute(sa.select(entries.c.id)).scalars())
        backup = None if path is None else newest_backup(path)
        if backup is None:
            return Check(rows=rows)
        with look_into(backup) as kept:
            there = kept.execute("SELECT kind, id FROM entries ORDER BY kind").fetchall()
    missing = Counter(str(kind) for kind, key in there if key not in ids)
    return Check(rows=rows, compared_with=backup, missing=dict(missing))


def counts(connection: sa.Connection) -> dict[str, int]:
    """Entries of a logbook, by kind, and its photographs."""
    by_kind = sa.select(entries.c.kind, sa.func.count()).group_by(entries.c.kind)
    rows = connection.execute(by_kind.order_by(entries.c.kind))
    found = {row[0]: int(row[1]) for row in rows}
    pictures = connection.execute(sa.select(sa.func.count()).select_from(photographs)).scalar_one()
    return found | ({"photograph files": pictures} if pictures else {})


def look_at_entries(connection: sa.Connection) -> str:
    """Look at every page, entry and photograph; says what is wrong first, empty for nothing."""
    if connection.dialect.name == "sqlite":
        said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
        if said != "ok":
            return f"{said}."
    known: set[str] = set()
    named: set[str] = set()
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
    loose = sa.select(replaced.c.entry).where(replaced.c.entry.not_in(sa.select(entries.c.id)))
    named |= set(connection.execute(loose).scalars())
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
