"""The logbook's one table: entries that are only ever added, and which of them stand.

An entry is one thing that was said to the logbook, at one time. It is never changed: a later entry
replaces it or withdraws it, and names it by its id. The id is made of time and content, so the same
content has the same id in every book, and two books are merged by putting their entries together.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from calib.errors import BadFile, shown
from calib.logbook.coding import Unreadable

WITHDRAW = "withdraw"
# A batch that a sender named: what it holds may be replaced by that name before it has arrived.
SENT = "tap "

metadata = sa.MetaData()


def _id(name: str, *more: Any, **options: Any) -> sa.Column[str]:
    """Column of ids: compared byte by byte on every server."""
    kind = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
    return sa.Column(name, kind, *more, **{"nullable": False} | options)


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
replaced = sa.Table(
    "replaced",
    metadata,
    _id("entry", primary_key=True),
    _id("target", primary_key=True, index=True),
)
photographs = sa.Table(
    "photographs",
    metadata,
    _id("digest", primary_key=True),
    sa.Column("content", sa.LargeBinary, nullable=False),
)
# Entries that don't stand any more: worked out from the two tables above, and made anew when in
# doubt. It takes no part in an export, a merge or a comparison.
past = sa.Table(
    "past",
    metadata,
    sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("state", sa.Integer, nullable=False),
)
STANDS, REPLACED, WITHDRAWN = 2, 1, 0
# To be asked with every question about what stands.
with_state = entries.outerjoin(past, past.c.seq == entries.c.seq)
stands = past.c.state.is_(None)
is_valid = sa.func.coalesce(past.c.state, STANDS) != WITHDRAWN

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
        return self.held_as or self.own_id

    @property
    def own_id(self) -> str:
        """Time and digest of the content; the same content has the same id."""
        digest = hashlib.sha256(canonical(self.document()).encode()).hexdigest()
        return f"{''.join(c for c in self.at if c.isdigit())}-{digest[:24]}"

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


def states(
    replaces: Mapping[str, Collection[str]],
    withdrawals: Collection[str],
    known: Mapping[str, bool] | None = None,
) -> dict[str, int]:
    """Which of some entries (the keys of ``replaces``) stand, are replaced, or are withdrawn.

    An entry is valid unless a valid withdrawal names it. It stands if it is valid and no valid
    entry replaces it, directly or through others. The order of arrival plays no part. Of those in
    ``known`` it is told whether they are valid; nothing need be given that replaces or withdraws a
    valid one of them.
    """
    named_by: defaultdict[str, list[str]] = defaultdict(list)
    for entry, targets in replaces.items():
        for target in targets:
            named_by[target].append(entry)
    valid = dict(known or {})
    for start in replaces:
        waiting = [start]
        while waiting:
            entry = waiting[-1]
            against = [other for other in named_by[entry] if other in withdrawals]
            unknown = [other for other in against if other not in valid]
            if entry not in valid and unknown:
                waiting += unknown
                continue
            valid.setdefault(entry, not any(valid.get(other) for other in against))
            waiting.pop()
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
    if connection.dialect.name == "sqlite":
        for table in _KEPT:
            for verb in ("UPDATE", "DELETE"):
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
    known = set(
        connection.execute(
            sa.select(entries.c.id).where(among(connection, entries.c.id, given))
        ).scalars()
    )
    fresh = {key: entry for key, entry in given.items() if key not in known}
    if not fresh:
        return ()
    connection.execute(
        entries.insert(),
        [
            {name: getattr(entry, name) for name in _COLUMNS}
            | {"id": key, "body": canonical(entry.body)}
            for key, entry in fresh.items()
        ],
    )
    pairs = [
        {"entry": key, "target": target}
        for key, entry in fresh.items()
        for target in set(entry.replaces)
    ]
    if pairs:
        connection.execute(replaced.insert(), pairs)
    _stand_anew(connection, fresh)
    return tuple(fresh)


def read(
    connection: sa.Connection,
    *where: sa.ColumnElement[bool],
    all: bool = False,
) -> list[Entry]:
    """Entries that stand, or all, in the order of their ids (which is the order of time)."""
    state = sa.func.coalesce(past.c.state, STANDS).label("state")
    query = sa.select(entries, state).select_from(with_state).where(*where).order_by(entries.c.id)
    if not all:
        query = query.where(stands)
    rows = connection.execute(query).all()
    targets: defaultdict[str, list[str]] = defaultdict(list)
    if rows:
        found = sa.select(replaced.c.entry, replaced.c.target).where(
            among(connection, replaced.c.entry, [row.id for row in rows])
        )
        for entry, target in connection.execute(found):
            targets[entry].append(target)
    return [_entry(row, targets.get(row.id, ())) for row in rows]


def by_ids(connection: sa.Connection, ids: Iterable[str]) -> dict[str, Entry]:
    """Entries by their ids, whether they stand or not; those that aren't there are left out."""
    found = read(connection, among(connection, entries.c.id, ids), all=True)
    return {entry.id: entry for entry in found}


def _entry(row: Any, targets: Iterable[str]) -> Entry:
    return Entry(
        **{name: getattr(row, name) for name in _COLUMNS},
        body=read_body(row.body),
        replaces=tuple(sorted(targets)),
        seq=row.seq,
        state=row.state,
        held_as=row.id,
    )


def read_body(text: str) -> dict[str, Any]:
    """A body from its text; raises LogbookError when it isn't one: the file is damaged."""
    try:
        body = json.loads(text)
    except (TypeError, ValueError, RecursionError):
        raise Unreadable(text) from None
    if not isinstance(body, dict):
        raise Unreadable(text)
    return body


def refresh(connection: sa.Connection) -> None:
    """Work out what stands from nothing but what was said."""
    connection.execute(past.delete())
    _put(connection, worked_out(connection))


def held(connection: sa.Connection) -> dict[str, int]:
    """What the book has of entries that don't stand."""
    query = sa.select(entries.c.id, past.c.state).join(past, past.c.seq == entries.c.seq)
    return {row.id: row.state for row in connection.execute(query)}


def worked_out(connection: sa.Connection) -> dict[str, int]:
    """What doesn't stand of the whole book, from nothing but what was said."""
    every = sa.select(entries.c.id, entries.c.kind, entries.c.slot, entries.c.batch)
    there = {row.id: row for row in connection.execute(every)}
    edges = connection.execute(sa.select(replaced.c.entry, replaced.c.target)).all()
    found = _states_of(there, [(a, b) for a, b in edges])
    return {key: state for key, state in found.items() if state != STANDS}


def _put(connection: sa.Connection, found: Mapping[str, int]) -> None:
    for state in (REPLACED, WITHDRAWN):
        ids = [key for key, own in found.items() if own == state]
        rows = sa.select(entries.c.seq, sa.literal(state)).where(
            among(connection, entries.c.id, ids)
        )
        if ids:
            connection.execute(past.insert().from_select(["seq", "state"], rows))


def _states_of(
    there: Mapping[str, Any],
    edges: Iterable[tuple[str, str]],
    known: Mapping[str, bool] | None = None,
) -> dict[str, int]:
    sent: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for key, row in there.items():
        if row.batch.startswith(SENT):
            sent[row.batch, row.slot].append(key)
    targets: dict[str, list[str]] = {key: [] for key in there}
    for entry, target in edges:
        if entry in targets:
            by_name = target.startswith(SENT) and there[entry].kind != WITHDRAW
            targets[entry] += sent[target, there[entry].slot] if by_name else [target]
    return states(targets, {key for key, row in there.items() if row.kind == WITHDRAW}, known)


def _stand_anew(connection: sa.Connection, fresh: Mapping[str, Entry]) -> None:
    """Work out what stands of some new entries and of what they bear on.

    What a valid entry replaces is replaced already and stays so: nothing is looked for behind it,
    unless a withdrawal bears on it. So the cost doesn't grow with the length of a chain.
    """
    there: dict[str, Any] = dict(fresh)
    edges = {(key, target) for key, entry in fresh.items() for target in entry.replaces}

    def load(column: sa.ColumnElement[str], names: set[str]) -> None:
        columns = (entries.c.id, entries.c.kind, entries.c.slot, entries.c.batch, past.c.state)
        query = sa.select(*columns).select_from(with_state).where(among(connection, column, names))
        if names:
            there.update({row.id: row for row in connection.execute(query) if row.id not in fresh})

    def edges_of(column: sa.ColumnElement[str], names: set[str]) -> set[tuple[str, str]]:
        query = sa.select(replaced.c.entry, replaced.c.target).where(
            among(connection, column, names)
        )
        found = {(entry, target) for entry, target in connection.execute(query)} if names else set()
        edges.update(found)
        return found

    # What they bear on: what they name, and what that names if it isn't valid or a withdrawal.
    touched, below, new = set(fresh), set(fresh), set(edges)
    while new:
        named = {target for _, target in new}
        sent = {name for name in named if name.startswith(SENT)}
        load(entries.c.id, named - sent - there.keys())
        load(entries.c.batch, sent)
        slots = {(target, there[entry].slot) for entry, target in new if target in sent}
        reached = named & there.keys()
        reached |= (
            {key for key, row in there.items() if (row.batch, row.slot) in slots} if sent else set()
        )
        touched |= reached
        undone = {target for entry, target in new if there[entry].kind == WITHDRAW}
        further = {
            key
            for key in reached - below
            if key in undone or there[key].state == WITHDRAWN or there[key].kind == WITHDRAW
        }
        below |= further
        new = edges_of(replaced.c.entry, further)
    # What bears on them: what names them, and what names that as long as it isn't valid.
    known: dict[str, bool] = {}
    waiting = touched
    while waiting:
        sent = {there[key].batch for key in waiting if there[key].batch.startswith(SENT)}
        above = {entry for entry, _ in edges_of(replaced.c.target, waiting | sent)}
        load(entries.c.id, above - there.keys())
        beside = above - touched - known.keys()
        known |= {key: there[key].state != WITHDRAWN for key in beside}
        waiting = {key for key in beside if there[key].kind != WITHDRAW and not known[key]}
    found = _states_of(there, edges, known)
    old = [key for key in touched if key not in fresh and there[key].state is not None]
    if old:
        seqs = sa.select(entries.c.seq).where(among(connection, entries.c.id, old))
        connection.execute(past.delete().where(past.c.seq.in_(seqs)))
    _put(connection, {key: found[key] for key in touched})


def among(
    connection: sa.Connection, column: sa.ColumnElement[str], names: Iterable[str]
) -> sa.ColumnElement[bool]:
    """True for rows whose column is one of some: any number of them, in one parameter."""
    listed = sa.literal(json.dumps(sorted(names), ensure_ascii=False), sa.Text)
    if connection.dialect.name == "sqlite":
        return column.in_(sa.select(sa.func.json_each(listed).table_valued("value").c.value))
    each = sa.func.json_array_elements_text(sa.cast(listed, sa.JSON)).table_valued("value")
    return column.in_(sa.select(sa.cast(each.c.value, sa.Text(collation="C"))))


def lines(connection: sa.Connection) -> Iterator[str]:
    """All entries as JSON lines, in the order of their arrival."""
    targets: defaultdict[str, list[str]] = defaultdict(list)
    for entry, target in connection.execute(
        sa.select(replaced.c.entry, replaced.c.target).order_by(replaced.c.target)
    ):
        targets[entry].append(target)
    quoted = json.JSONEncoder(ensure_ascii=False).encode
    for row in connection.execute(sa.select(entries).order_by(entries.c.seq)):
        # As `canonical` would write it; the body stands in the table like that.
        yield (
            f'{{"about":{quoted(row.about)},"at":{quoted(row.at)},"batch":{quoted(row.batch)},'
            f'"body":{row.body},"id":{quoted(row.id)},"kind":{quoted(row.kind)},'
            f'"machine":{quoted(row.machine)},'
            f'"replaces":{canonical(sorted(targets.get(row.id, ())))},'
            f'"sheet":{quoted(row.sheet)},"slot":{quoted(row.slot)},"v":{row.v},'
            f'"why":{quoted(row.why)}}}'
        )


def from_line(text: str) -> Entry:
    """Read what `lines` wrote; raises BadFile when it isn't an entry, or its id isn't its own."""
    try:
        document = json.loads(text)
        said = document.pop("id")
        if set(document) != {*_COLUMNS, "body", "replaces"} or not isinstance(
            document["body"], dict
        ):
            raise KeyError
        entry = Entry(**{**document, "replaces": tuple(document["replaces"])}, held_as=said)
        good = said == entry.own_id
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise BadFile(f"{shown(text)} is no entry of a logbook: take the file as it was.") from None
    if not good:
        raise BadFile(f"Entry {shown(said)} was changed on its way: take the file as it was.")
    return entry
