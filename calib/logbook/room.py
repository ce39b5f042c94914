"""What every part of the logbook shares: transactions, saying something, and looking things up."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import re
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook import ledger
from calib.logbook.bodies import Lot, SetUp, body_of, newer_version
from calib.logbook.coding import Unreadable, check_text, known_names, write_time
from calib.logbook.files import Mark, mark_of
from calib.logbook.identity import identity_in
from calib.logbook.ledger import (
    WITHDRAW,
    Entry,
    canonical,
    entries,
    is_valid,
    past,
    with_state,
)
from calib.logbook.opening import WRITES, Place, file_of, in_plain_words, replaced
from calib.records import Grid, Machine, Sheet
from calib.records.fields import to_json

# Kinds by which machines, sheets and names are known; few, and read again only when one is added.
_NAMING = ("machine", "setup", "sheet", "lot", "name", "same")
# Kinds that change nothing of what burns teach.
_BESIDE = ("board", "note", "photograph", "kept", "session", "cell_note")
M = TypeVar("M", Machine, Sheet)
_SECOND = re.compile(r"(.+) \(([0-9]+)\)")


@dataclass(frozen=True, kw_only=True)
class Thing:
    """A machine or a sheet as the book knows it; kept, so that its record is read once."""

    id: str  # First of the ids; all of them were said to be the same
    ids: frozenset[str]
    name: str
    versions: tuple[Entry, ...]  # Set-ups or lots that weren't taken back, the current one last
    heads: tuple[Entry, ...]  # Those of them that nothing replaces; more than one is a question

    @functools.cached_property
    def machine(self) -> Machine:
        """The machine with its current set-up."""
        return self.machine_at(self.versions[-1])

    @functools.cached_property
    def sheet(self) -> Sheet:
        """The sheet with its current lot."""
        return self.sheet_at(self.versions[-1])

    def machine_at(self, version: Entry) -> Machine:
        """The machine with one of its set-ups."""
        body: SetUp = body_of(version)
        return _called(body.machine, self.name)

    def sheet_at(self, version: Entry) -> Sheet:
        """The sheet with one of its lots."""
        body: Lot = body_of(version)
        return _called(body.sheet, self.name)

    @property
    def version(self) -> str:
        """Id of the current set-up or lot."""
        return self.versions[-1].id

    @property
    def known(self) -> frozenset[str] | None:
        """Ids of the versions that the current one knew of; None: all, there is no other."""
        if len(self.heads) == 1:
            return None
        by_id = {entry.id: entry for entry in self.versions}
        found: set[str] = set()
        waiting = [self.version]
        while waiting:
            entry = waiting.pop()
            if entry in by_id and entry not in found:
                found.add(entry)
                waiting += by_id[entry].replaces
        return frozenset(found)


class _Things(dict[str, Thing]):
    """Machines and sheets by id; one that an entry names and that isn't there is a damage."""

    def __missing__(self, key: str) -> Thing:
        raise Unreadable(key)


@dataclass(frozen=True, kw_only=True)
class Directory:
    """Machines and sheets by name, other names of boards, and what was withdrawn."""

    machines: Mapping[str, Thing] = field(default_factory=dict)
    sheets: Mapping[str, Thing] = field(default_factory=dict)
    things: Mapping[str, Thing] = field(default_factory=dict)  # The same, by each of their ids
    lots: Mapping[str, str] = field(default_factory=dict)  # Name of each lot, by its entry
    named: Mapping[str, str] = field(default_factory=dict)  # New name of a board, by its id
    same: Mapping[str, frozenset[str]] = field(default_factory=dict)
    doubled: frozenset[str] = frozenset()  # Codes that more than one board bears
    gone: frozenset[str] = frozenset()  # What is about these doesn't count
    seq: int = 0

    def name(self, thing: str) -> str:
        """Name of a machine or sheet by an id; empty for none."""
        return self.things[thing].name if thing in self.things else ""

    def machine(self, name: str) -> Thing:
        """Find a machine by name; LogbookError when there is none names those that are near."""
        if name not in self.machines:
            raise LogbookError(known_names("machine", name, self.machines))
        return self.machines[name]

    def sheet(self, name: str) -> Thing:
        """Find a sheet by name; LogbookError when there is none names those that are near."""
        if name not in self.sheets:
            raise LogbookError(known_names("sheet", name, self.sheets))
        return self.sheets[name]


class Room:
    """A logbook's connection; the parts of `Book` build on it."""

    def __init__(self, engine: sa.Engine, place: Place) -> None:
        self.engine = engine
        self.where = place
        # SQLite lets one writer in and has the others look again after longer and longer pauses;
        # threads of one program queue up here instead.
        self._writing = threading.Lock() if place.path else contextlib.nullcontext()
        self._mark: Mark | None = None
        self._identity: str | None = None
        self._directory = Directory()

    @contextmanager
    def look(self) -> Iterator[sa.Connection]:
        """Read one state of the book, even while others write."""
        options = {} if self.where.path else {"isolation_level": "REPEATABLE READ"}
        with (
            in_plain_words(self.where),
            self.engine.connect().execution_options(**options) as connection,
            connection.begin(),
        ):
            self._notice(connection)
            yield connection

    @contextmanager
    def change(self) -> Iterator[sa.Connection]:
        """Write all or nothing: one transaction, taken back when anything fails."""
        with (
            self._writing,
            in_plain_words(self.where),
            self.engine.connect().execution_options(**{WRITES: True}) as connection,
        ):
            with connection.begin():
                if self.where.path is None:
                    # One writer after the other: what is looked up stays true until it is said,
                    # and entries arrive in the order of their numbers.
                    connection.exec_driver_sql("LOCK TABLE entries IN SHARE ROW EXCLUSIVE MODE")
                self._notice(connection)
                yield connection
            # Who doesn't know of locks may have put another file there while this was written.
            path = self.where.path
            if path is not None and mark_of(path) != file_of(connection).mark:
                raise replaced(self.where, "This change was perhaps not stored.")

    @contextmanager
    def looking(self) -> Iterator[tuple[sa.Connection, Directory]]:
        """Read one state of the book, with what its things are called."""
        with self.look() as connection:
            yield connection, self.directory(connection)

    @contextmanager
    def saying(
        self, when: datetime, **texts: str
    ) -> Iterator[tuple[sa.Connection, Directory, str]]:
        """Write all or nothing at a time; what a person wrote is looked at first."""
        at = write_time(when)
        for name, text in texts.items():
            check_text(name, text)
        with self.change() as connection:
            yield connection, self.directory(connection), at

    def _notice(self, connection: sa.Connection) -> None:
        """Go on with a file that was restored meanwhile; refuse one of another logbook."""
        if self.where.path is None or self._mark == (mark := file_of(connection).mark):
            return
        identity = identity_in(connection)
        if self._mark is not None and identity != self._identity:
            raise LogbookError(
                f"Another logbook lies at {self.where.shown} now: begin anew with it, or put the"
                " one back that you had. Nothing was stored."
            )
        self._mark, self._identity, self._directory = mark, identity, Directory()

    def directory(self, connection: sa.Connection, *, keep: bool = True) -> Directory:
        """What machines, sheets and boards are called; kept until something of it is said.

        Not kept where it is asked in the middle of a change, which may yet be taken back.
        """
        known = self._directory if keep else Directory()
        newest = connection.execute(sa.select(sa.func.max(entries.c.seq))).scalar() or 0
        if newest == known.seq:
            return known
        query = sa.select(entries.c.kind, entries.c.v)
        # What is new is found by its number, and is little.
        query = query.where(entries.c.seq > known.seq) if known.seq else query.distinct()
        kinds = connection.execute(query).all()
        for kind, v in kinds:
            if newer := newer_version(kind, v):
                raise LogbookError(f"The logbook {self.where.shown} can't be used: {newer}")
        new = {kind for kind, _ in kinds}
        known = dataclasses.replace(known, seq=newest)
        if "board" in new:
            twice = sa.select(entries.c.slot).where(entries.c.kind == "board")
            twice = twice.group_by(entries.c.slot).having(sa.func.count() > 1)
            doubled = frozenset(connection.execute(twice).scalars())
            known = dataclasses.replace(known, doubled=doubled)
        if new & {*_NAMING, WITHDRAW}:
            known = _directory(connection, known)
        if keep:
            self._directory = known
        return known

    def say(
        self, connection: sa.Connection, said: Sequence[Entry], *, batch: str = ""
    ) -> tuple[str, ...]:
        """Add what was said in one go; its ids, also of what was there already."""
        if not said:
            return ()
        if not batch:
            text = canonical([entry.document() for entry in said])
            batch = hashlib.sha256(text.encode()).hexdigest()[:24]
        named = [dataclasses.replace(entry, batch=batch) for entry in said]
        new = ledger.add(connection, named)
        ids = tuple(entry.id for entry in named)
        if len(new) < len(named):
            if not all(entry.is_valid for entry in ledger.by_ids(connection, ids).values()):
                raise LogbookError(
                    "The very same was taken back before: give the time at which it is added anew."
                )
        return ids

    def newest_evidence(self) -> tuple[int, str]:
        """The newest entry that may change what burns teach: its number grows, its id is its own.

        After an earlier backup was put back, numbers come up again.
        """
        query = sa.select(entries.c.seq, entries.c.id).where(entries.c.kind.not_in(_BESIDE))
        query = query.order_by(entries.c.seq.desc()).limit(1)
        with self.look() as connection:
            row = connection.execute(query).first()
        return (0, "") if row is None else (row.seq, row.id)


def _directory(connection: sa.Connection, known: Directory) -> Directory:
    found = ledger.read(connection, entries.c.kind.in_(_NAMING), all=True)
    withdrawn = sa.select(entries.c.id).join(past, past.c.seq == entries.c.seq)
    withdrawn = withdrawn.where(~is_valid, entries.c.kind.in_(("machine", "sheet", "board")))
    gone = frozenset(connection.execute(withdrawn).scalars())
    same = _groups(
        (entry.about, body_of(entry).other)
        for entry in found
        if entry.kind == "same" and entry.stands
    )
    named: dict[str, str] = {}
    for entry in found:
        if entry.kind == "name" and entry.stands:
            for one in same.get(entry.about, (entry.about,)):
                named[one] = body_of(entry).name
    machines = _things(found, ("machine", "setup"), same, named, gone)
    sheets = _things(found, ("sheet", "lot"), same, named, gone)
    return dataclasses.replace(
        known,
        machines={thing.name: thing for thing in machines},
        sheets={thing.name: thing for thing in sheets},
        things=_Things({key: thing for thing in (*machines, *sheets) for key in thing.ids}),
        lots={
            entry.id: str(record_part(entry).get("lot", ""))
            for entry in found
            if entry.kind in ("sheet", "lot")
        },
        named=named,
        same=same,
        gone=gone,
    )


def _groups(pairs: Iterable[tuple[str, str]]) -> dict[str, frozenset[str]]:
    groups: dict[str, frozenset[str]] = {}
    for one, other in pairs:
        joined = groups.get(one, frozenset([one])) | groups.get(other, frozenset([other]))
        groups |= dict.fromkeys(joined, joined)
    return groups


def _things(
    found: Sequence[Entry],
    kinds: tuple[str, str],
    same: Mapping[str, frozenset[str]],
    named: Mapping[str, str],
    gone: frozenset[str],
) -> list[Thing]:
    first, later = kinds
    versions: dict[str, list[Entry]] = {}
    for entry in sorted(found, key=lambda one: one.seq):
        of = entry.id if entry.kind == first else entry.about
        if entry.kind in kinds and entry.is_valid and of not in gone:
            group = same.get(of, frozenset([of])) - gone
            versions.setdefault(min(group), []).append(entry)
    things: list[Thing] = []
    taken: set[str] = set()
    # By arrival: what comes in with another book doesn't take a name away.
    for thing in sorted(versions, key=lambda one: min(e.seq for e in versions[one])):
        stand = [entry for entry in versions[thing] if entry.stands]
        apart = {canonical(record_part(entry)): entry for entry in reversed(stand)}
        heads = tuple(sorted(apart.values(), key=lambda entry: entry.seq))
        if not heads:
            continue
        rest = [entry for entry in versions[thing] if entry.id != heads[-1].id]
        own = named.get(thing) or record_part(rest[0] if rest else heads[-1])["name"]
        name = next(
            name
            for name in (own, *(f"{own} ({number})" for number in range(2, 1 + len(versions))))
            if name not in taken
        )
        taken.add(name)
        things.append(
            Thing(
                id=thing,
                ids=same.get(thing, frozenset([thing])),
                name=name,
                versions=(*rest, heads[-1]),
                heads=heads,
            )
        )
    return things


def record_part(entry: Entry) -> Mapping[str, Any]:
    """The machine or the sheet in the body of a set-up or a lot."""
    part = entry.body.get("machine") or entry.body.get("sheet")
    return part if isinstance(part, dict) else {"name": ""}


def _called(record: M, name: str) -> M:
    return record if record.name == name else dataclasses.replace(record, name=name)


@dataclass(frozen=True, kw_only=True)
class FoundBoard:
    """A board as the book knows it."""

    id: str
    ids: frozenset[str]  # Those of boards that were said to be the same
    code: str
    entry: Entry
    machine: Thing
    sheet: Thing

    @property
    def cells(self) -> tuple[str, ...]:
        """Codes of its cells, in their order."""
        return tuple(cell["label"] for cell in self.entry.body["grid"]["cells"])

    def grid(self) -> Grid:
        """The board with every cell, under the names that things have in this book."""
        grid: Grid = body_of(self.entry).grid
        machine = _called(grid.machine, self.machine.name)
        sheet = _called(grid.sheet, self.sheet.name)
        if (machine, sheet, self.code) == (grid.machine, grid.sheet, grid.board_id):
            return grid
        return dataclasses.replace(grid, machine=machine, sheet=sheet, board_id=self.code)


def code_of(directory: Directory, connection: sa.Connection, board: Entry) -> str:
    """What a board is called: its code, with a number behind it where two bear the same."""
    if board.id in directory.named:
        return directory.named[board.id]
    if board.slot not in directory.doubled:
        return board.slot
    place = [entry.id for entry in bearers_of(directory, connection, board.slot)].index(board.id)
    return board.slot if place == 0 else f"{board.slot} ({place + 1})"


def bearers_of(directory: Directory, connection: sa.Connection, code: str) -> list[Entry]:
    """Boards with a code that weren't withdrawn or given another name, one of each group."""
    found = ledger.read(
        connection, entries.c.kind == "board", entries.c.about == "", entries.c.slot == code,
        all=True,
    )  # fmt: skip
    bearers = [
        entry
        for entry in found
        if entry.is_valid
        and not {entry.machine, entry.sheet} & directory.gone
        and entry.id not in directory.named
        and entry.id == min(directory.same.get(entry.id, (entry.id,)))
    ]
    return sorted(bearers, key=lambda entry: entry.seq)


def find_board(connection: sa.Connection, directory: Directory, code: str) -> FoundBoard:
    """Find a board by its code; LogbookError when there is none names those that are near."""
    named = [key for key, name in directory.named.items() if name == code]
    if named:
        bearers = list(ledger.by_ids(connection, named).values())
        bearers = [e for e in bearers if e.kind == "board" and e.id not in directory.gone]
    else:
        bearers = bearers_of(directory, connection, code)
        second = _SECOND.fullmatch(code)
        if not bearers and second:
            number = int(second[2]) - 1
            bearers = bearers_of(directory, connection, second[1])[number : number + 1]
    if not bearers:
        recent = sa.select(entries.c.slot).select_from(with_state).order_by(entries.c.at.desc())
        recent = recent.where(entries.c.kind == "board", is_valid).limit(200)
        raise LogbookError(known_names("board", code, connection.execute(recent).scalars()))
    entry = bearers[0]
    return FoundBoard(
        id=entry.id,
        ids=directory.same.get(entry.id, frozenset([entry.id])),
        code=code,
        entry=entry,
        machine=directory.things[entry.machine],
        sheet=directory.things[entry.sheet],
    )


def counting(directory: Directory) -> list[sa.ColumnElement[bool]]:
    """The condition that what an entry is about wasn't withdrawn."""
    if not directory.gone:
        return []
    gone = sorted(directory.gone)
    return [column.not_in(gone) for column in (entries.c.about, entries.c.machine, entries.c.sheet)]


def entry_of(
    kind: str, record: Any, at: str, *, replaces: Iterable[str] = (), **fields: str
) -> Entry:
    """An entry that says a record at a time; ``fields`` are the other fields of an entry."""
    body = {} if record is None else to_json(record)
    return Entry(at=at, kind=kind, body=body, replaces=tuple(sorted(replaces)), **fields)  # type: ignore[arg-type]
