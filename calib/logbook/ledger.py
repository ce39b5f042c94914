"""The logbook's one table: entries that are only ever added, and which of them stand.

An entry is one thing that was said to the logbook, at one time. It is never changed: a later entry
replaces it or withdraws it, and names it by its id. The id is made of time and content, so the same
content has the same id in every book, and two books are merged by putting their entries together.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from graphlib import TopologicalSorter
from typing import Any

import sqlalchemy as sa

from calib.errors import BadFile, shown
from calib.logbook.coding import Unreadable
from calib.texts.say import say

WITHDRAW = "withdraw"
# A batch that a sender named: what it holds may be replaced by that name before it has arrived.
SENT = "tap "

metadata = sa.MetaData()
# Ids are compared byte by byte on every server.
_ID = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def _id(name: str, **options: Any) -> sa.Column[str]:
    return sa.Column(name, _ID, **{"nullable": False} | options)


entries = sa.Table(
    "entries",
    metadata,
    # Order of arrival in this book; it never leaves it.
    sa.Column("seq", sa.Integer, primary_key=True, autoincrement=True),
    _id("id", unique=True),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("v", sa.Integer, nullable=False),
    _id("slot"),
    _id("about"),
    _id("machine"),
    _id("sheet"),
    sa.Column("body", sa.Text, nullable=False),
    _id("batch"),
    sa.Column("why", sa.Text, nullable=False),
    sa.Index("ix_entries_pair", "kind", "machine", "sheet"),
    sa.Index("ix_entries_about", "kind", "about", "slot"),
    sa.Index("ix_entries_at", "kind", "at", "slot"),
    sa.Index("ix_entries_batch", "batch"),
)
_target = _id("target", primary_key=True, index=True)
replaced = sa.Table("replaced", metadata, _id("entry", primary_key=True), _target)
_content = sa.Column("content", sa.LargeBinary, nullable=False)
photographs = sa.Table("photographs", metadata, _id("digest", primary_key=True), _content)
# Entries that don't stand any more: worked out from the two tables above, and made anew when in
# doubt. It takes no part in an export, a merge or a comparison.
_seq = sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False)
past = sa.Table("past", metadata, _seq, sa.Column("state", sa.Integer, nullable=False))
# Which logbook a database holds; its copies and backups carry it too.
identity = sa.Table("identity", metadata, sa.Column("id", sa.Text, primary_key=True))
STANDS, REPLACED, WITHDRAWN = 2, 1, 0
_with_state = entries.outerjoin(past, past.c.seq == entries.c.seq)
_state = sa.func.coalesce(past.c.state, STANDS).label("state")

# So many entries that come at once are most of a book: what stands is worked out of all of it.
# So many names are written into the question itself: a database takes no more of them beside it.
_MANY = 1000
# What the database itself refuses, so that no slip of a program can lose what was said.
_KEPT = ("entries", "replaced", "photographs")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing that was said, with all that travels."""

    at: str  # UTC, fixed width: text order is time order
    kind: str
    body: Mapping[str, Any] = field(default_factory=dict)
    v: int = 1
    slot: str = ""  # The question it answers, such as the look at cell A3 of a board
    about: str = ""  # First id of the thing it is about
    machine: str = ""  # First id of the machine, and of the sheet, of the pair it belongs to
    sheet: str = ""
    batch: str = ""  # What was said in one go
    why: str = ""
    replaces: tuple[str, ...] = ()  # Ids; for a withdrawal, what it withdraws
    # What the book says of an entry that it holds.
    seq: int = field(default=0, compare=False)
    state: int = field(default=STANDS, compare=False)
    held_as: str = field(default="", compare=False)

    @property
    def id(self) -> str:
        """Its id, as the book has it or as it will be."""
        return self.held_as or _id_of(self.document())

    @property
    def is_valid(self) -> bool:
        """True when no valid withdrawal names it."""
        return self.state != WITHDRAWN

    @property
    def stands(self) -> bool:
        """True when nothing valid replaces it either."""
        return self.state == STANDS

    def document(self) -> dict[str, Any]:
        """As one line of an export holds it, but for the id."""
        own = {name: getattr(self, name) for name in _COLUMNS}
        return own | {"body": self.body, "replaces": sorted(self.replaces)}


_COLUMNS = ("at", "kind", "v", "slot", "about", "machine", "sheet", "batch", "why")


def alike(value: Any) -> Any:
    """Numbers that are the same written the same: 3.0 as 3, -0.0 as 0."""
    if isinstance(value, float):
        return int(value) if value.is_integer() else value
    if isinstance(value, dict):
        return {str(key): alike(part) for key, part in value.items()}
    return [alike(part) for part in value] if isinstance(value, (list, tuple)) else value


def canonical(value: Any) -> str:
    """JSON text that is the same for the same content."""
    return json.dumps(
        alike(value), sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )


def _id_of(document: Mapping[str, Any]) -> str:
    """Time and digest of the content; the same content has the same id."""
    digest = hashlib.sha256(canonical(document).encode()).hexdigest()
    return f"{''.join(c for c in document['at'] if c.isdigit())}-{digest[:24]}"


def states(replaces: Mapping[str, Collection[str]], withdrawals: Collection[str]) -> dict[str, int]:
    """Which of some entries (the keys of ``replaces``) stand, are replaced, or are withdrawn.

    An entry is valid unless a valid withdrawal names it. It stands if it is valid and no valid
    entry replaces it, directly or through others. The order of arrival plays no part.
    """
    named_by: defaultdict[str, list[str]] = defaultdict(list)
    for entry, targets in replaces.items():
        for target in targets:
            named_by[target].append(entry)
    against = {
        entry: [other for other in named_by[entry] if other in withdrawals] for entry in replaces
    }
    valid: dict[str, bool] = {}
    for entry in TopologicalSorter(against).static_order():
        valid[entry] = not any(valid[other] for other in against[entry])
    found = {}
    for entry in replaces:
        later, seen, stands = [entry], {entry}, True
        while later and stands:
            for other in named_by[later.pop()]:
                if other not in withdrawals and other not in seen:
                    stands = stands and not valid[other]
                    seen.add(other)
                    later.append(other)
        found[entry] = WITHDRAWN if not valid[entry] else STANDS if stands else REPLACED
    return found


def make_tables(connection: sa.Connection) -> None:
    """Make what is missing of the tables, and have the database refuse changes and deletions."""
    metadata.create_all(connection)
    if connection.execute(sa.select(identity)).first() is None:
        connection.execute(identity.insert().values(id=str(uuid.uuid4())))
    if connection.dialect.name == "sqlite":
        for table, verb in itertools.product(_KEPT, ("UPDATE", "DELETE")):
            connection.exec_driver_sql(
                f"CREATE TRIGGER IF NOT EXISTS no_{verb.lower()}_of_{table} BEFORE {verb} ON"
                f" {table} BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END"
            )
        return
    connection.exec_driver_sql(
        "CREATE OR REPLACE FUNCTION only_ever_added() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION 'entries are only ever added'; END $$"
    )
    for table in _KEPT:
        connection.exec_driver_sql(
            f"CREATE OR REPLACE TRIGGER only_added BEFORE UPDATE OR DELETE ON {table}"
            " FOR EACH STATEMENT EXECUTE FUNCTION only_ever_added()"
        )


def add(connection: sa.Connection, said: Iterable[Entry]) -> tuple[str, ...]:
    """Add entries that aren't there yet, and work out anew what they touch; ids of the new ones."""
    given = {entry.id: entry for entry in said}
    known = sa.select(entries.c.id).where(among(entries.c.id, given))
    there = set(connection.execute(known).scalars())
    fresh = {key: entry for key, entry in given.items() if key not in there}
    if not fresh:
        return ()
    rows, pairs = [], []
    for key, entry in fresh.items():
        own = {name: getattr(entry, name) for name in _COLUMNS}
        rows.append(own | {"id": key, "body": canonical(entry.body)})
        pairs += [{"entry": key, "target": target} for target in set(entry.replaces)]
    connection.execute(entries.insert(), rows)
    if pairs:
        connection.execute(replaced.insert(), pairs)
    refresh(connection, _together(connection, fresh) if len(fresh) < _MANY else None)
    return tuple(fresh)


def keep_photograph(connection: sa.Connection, digest: str, content: bytes) -> None:
    """Keep the file of a photograph, once."""
    known = sa.select(photographs.c.digest).where(photographs.c.digest == digest)
    if connection.execute(known).first() is None:
        connection.execute(photographs.insert().values(digest=digest, content=content))


def standing(*columns: Any, earlier: bool = False) -> sa.Select[Any]:
    """A question about entries that stand, or with ``earlier`` about the replaced ones too."""
    still: sa.ColumnElement[bool] = past.c.state.is_(None)
    still = sa.or_(still, past.c.state == REPLACED) if earlier else still
    return sa.select(*columns).select_from(_with_state).where(still)


def says(name: str, value: str | int | None) -> sa.ColumnElement[bool]:
    """True of bodies with a field of this value; no text in them can look like that."""
    return entries.c.body.contains(canonical({name: value})[1:-1], autoescape=True)


def read(
    connection: sa.Connection,
    *where: sa.ColumnElement[bool],
    all: bool = False,
    **of: str | Iterable[str],
) -> list[Entry]:
    """Entries that stand, or all, in the order of their ids (which is the order of time).

    ``of``: those whose column of that name holds a value, or one of some.
    """
    wanted = [among(entries.c[name], value) for name, value in of.items()]
    columns = (*entries.c, _state)
    query = sa.select(*columns).select_from(_with_state) if all else standing(*columns)
    rows = connection.execute(query.where(*where, *wanted).order_by(entries.c.id)).all()
    targets = _targets(connection, [row.id for row in rows]) if rows else {}
    return [
        Entry(
            **{name: getattr(row, name) for name in _COLUMNS},
            body=read_body(row.body),
            replaces=tuple(sorted(targets.get(row.id, ()))),
            seq=row.seq,
            state=row.state,
            held_as=row.id,
        )
        for row in rows
    ]


def _targets(connection: sa.Connection, ids: Collection[str] | None) -> dict[str, list[str]]:
    """What some entries replace or withdraw, or all."""
    targets: defaultdict[str, list[str]] = defaultdict(list)
    some = sa.true() if ids is None else among(replaced.c.entry, ids)
    for entry, target in connection.execute(sa.select(replaced).where(some)):
        targets[entry].append(target)
    return targets


def read_body(text: str) -> dict[str, Any]:
    """A body from its text; raises LogbookError when it isn't one: the file is damaged."""
    try:
        body = json.loads(text)
    except (TypeError, ValueError, RecursionError):
        raise Unreadable(text) from None
    if not isinstance(body, dict):
        raise Unreadable(text)
    return body


def held(connection: sa.Connection) -> dict[str, int]:
    """What the book has of entries that don't stand."""
    query = sa.select(entries.c.id, past.c.state).join(past, past.c.seq == entries.c.seq)
    return {row.id: row.state for row in connection.execute(query)}


def worked_out(connection: sa.Connection, ids: Collection[str] | None = None) -> dict[str, int]:
    """What doesn't stand, from what was said: of all entries, or of some that hang together."""
    some = sa.true() if ids is None else among(entries.c.id, ids)
    columns = (entries.c.id, entries.c.kind, entries.c.slot, entries.c.batch)
    rows = connection.execute(sa.select(*columns).where(some)).all()
    sent: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for row in rows:
        if row.batch.startswith(SENT):
            sent[row.batch, row.slot].append(row.id)
    named = _targets(connection, ids)
    targets: dict[str, list[str]] = {row.id: [] for row in rows}
    for row in rows:
        for target in named.get(row.id, ()):
            by_name = target.startswith(SENT) and row.kind != WITHDRAW
            targets[row.id] += sent[target, row.slot] if by_name else [target]
    found = states(targets, {row.id for row in rows if row.kind == WITHDRAW})
    return {key: state for key, state in found.items() if state != STANDS}


def refresh(connection: sa.Connection, ids: Collection[str] | None = None) -> None:
    """Work out anew what stands: of all entries, or of some that hang together."""
    some = sa.true() if ids is None else among(entries.c.id, ids)
    connection.execute(past.delete().where(past.c.seq.in_(sa.select(entries.c.seq).where(some))))
    found = worked_out(connection, ids)
    for state in set(found.values()):
        of_state = among(entries.c.id, [key for key, own in found.items() if own == state])
        rows = sa.select(entries.c.seq, sa.literal(state)).where(of_state)
        connection.execute(past.insert().from_select(["seq", "state"], rows))


def _together(connection: sa.Connection, fresh: Mapping[str, Entry]) -> set[str]:
    """Ids of what hangs together with some entries by what replaces or withdraws what.

    A batch that a sender named links what it holds with what names it; it is among the ids.
    """
    found: set[str] = set()
    new = {*fresh, *(e.batch for e in fresh.values() if e.batch.startswith(SENT))}
    one, other = replaced.c.entry, replaced.c.target
    while new:
        touched = sa.select(one.label("name")).where(sa.or_(among(one, new), among(other, new)))
        near = touched.cte(recursive=True)
        name = near.c.name
        links = sa.or_(one == name, other == name)
        near = near.union(sa.select(sa.case((one == name, other), else_=one)).join(near, links))
        found |= new.union(connection.execute(sa.select(near.c.name)).scalars())
        sent = sa.select(entries.c.id, entries.c.batch).where(
            entries.c.batch.startswith(SENT),
            sa.or_(among(entries.c.id, found), among(entries.c.batch, found)),
        )
        new = {key for row in connection.execute(sent) for key in row} - found
    return found


def among(column: sa.ColumnElement[str], names: str | Iterable[str]) -> sa.ColumnElement[bool]:
    """True for rows whose column holds a name, or one of any number of them."""
    some = [names] if isinstance(names, str) else list(names)
    many = len(some) >= _MANY
    return column.in_(
        sa.bindparam("names", some, unique=True, expanding=True, literal_execute=many)
    )


def lines(connection: sa.Connection) -> Iterator[str]:
    """All entries as JSON lines, in the order of their arrival."""
    targets = _targets(connection, None)
    for row in connection.execute(sa.select(entries).order_by(entries.c.seq)):
        said = {name: getattr(row, name) for name in ("id", *_COLUMNS)}
        line = canonical(said | {"body": None, "replaces": sorted(targets.get(row.id, ()))})
        # The body stands in the table as it is written.
        yield line.replace('"body":null', f'"body":{row.body}', 1)


def from_line(text: str) -> Entry:
    """Read what `lines` wrote; raises BadFile when it isn't an entry, or its id isn't its own."""
    try:
        document = json.loads(text)
        said, replaces = document.pop("id"), document.pop("replaces")
        ids = isinstance(replaces, list) and all(isinstance(key, str) for key in replaces)
        if set(document) != {*_COLUMNS, "body"} or not (ids and isinstance(document["body"], dict)):
            raise KeyError
        entry = Entry(**document, replaces=tuple(replaces), held_as=said)
        good = said == _id_of(entry.document())
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise BadFile(say("logbook.is_no_entry_of_logbook", text=shown(text))) from None
    if not good:
        raise BadFile(say("logbook.entry_was_changed_on_its_way", said=shown(said)))
    return entry
