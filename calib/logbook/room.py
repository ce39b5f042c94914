"""What every part of the logbook shares: transactions, what things are called, saying something."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import itertools
import threading
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Generic, TypeVar

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import ledger
from calib.logbook.bodies import KINDS, body_of, newer_version
from calib.logbook.coding import Unreadable, check_text, known_names, write_time
from calib.logbook.files import Mark, mark_of
from calib.logbook.ledger import WITHDRAW, Entry, among, canonical, entries, identity, standing
from calib.logbook.opening import WRITES, Place, file_of, in_plain_words
from calib.records import READ_OFF, Grid, Machine, Sheet
from calib.records.fields import to_json
from calib.texts.say import say

# Kinds by which machines, sheets and names are known.
_NAMING = ("machine", "setup", "sheet", "lot", "name", "same")
# What is withdrawn with all that is about it.
THINGS = ("machine", "sheet", "board")
M = TypeVar("M", Machine, Sheet)


@dataclass(frozen=True, kw_only=True)
class Thing(Generic[M]):
    """A machine or a sheet as the book knows it; kept, so that its record is read once."""

    id: str  # First of the ids; all of them were said to be the same
    ids: frozenset[str]
    own: str  # The name that it was given; others may have it too
    name: str
    versions: tuple[Entry, ...]  # Set-ups or lots that weren't taken back, the current one last
    heads: tuple[Entry, ...]  # Those of them that nothing replaces; more than one is a question

    @functools.cached_property
    def record(self) -> M:
        """The machine with its current set-up, or the sheet with its current lot."""
        return self.at(self.versions[-1])

    def at(self, version: Entry) -> M:
        """The machine with one of its set-ups, or the sheet with one of its lots."""
        body = body_of(version)
        record: M = getattr(body, "machine", None) or body.sheet
        return _called(record, self.name)

    @property
    def version(self) -> str:
        """Id of the current set-up or lot."""
        return self.versions[-1].id

    @property
    def standing(self) -> tuple[str, ...]:
        """Ids of what a change of set-up or lot answers."""
        return tuple(entry.id for entry in self.versions if entry.stands)

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


class Names:
    """What machines, sheets and boards are called, which are the same, and what was withdrawn."""

    def __init__(self, connection: sa.Connection) -> None:
        found = ledger.read(connection, kind=_NAMING, all=True)
        was_withdrawn = ledger.past.c.state == ledger.WITHDRAWN
        gone = ledger.read(connection, was_withdrawn, kind=THINGS, all=True)
        self.gone = {entry.id for entry in gone}  # What is about these doesn't count
        self.same: dict[str, frozenset[str]] = {}
        for entry in found:
            if entry.kind == "same" and entry.stands:
                one, other = entry.about, body_of(entry).other
                joined = self.same.get(one, frozenset([one]))
                joined |= self.same.get(other, frozenset([other]))
                self.same |= dict.fromkeys(joined, joined)
        self.named = {
            one: str(body_of(entry).name)
            for entry in found
            if entry.kind == "name" and entry.stands
            for one in self.same.get(entry.about, (entry.about,))
        }
        found.sort(key=lambda entry: entry.seq)
        self.machines: Mapping[str, Thing[Machine]] = self._things(found, "machine", "setup")
        self.sheets: Mapping[str, Thing[Sheet]] = self._things(found, "sheet", "lot")
        self.by_kind: Mapping[str, Mapping[str, Thing[Any]]]
        self.by_kind = {"machine": self.machines, "sheet": self.sheets}
        every = [thing for known in self.by_kind.values() for thing in known.values()]
        self.things = {key: thing for thing in every for key in thing.ids}
        # Name of each lot, by its entry.
        self.lots = {
            entry.id: str(record_part(entry).get("lot", ""))
            for entry in found
            if entry.kind in ("sheet", "lot")
        }
        # Of boards that don't go by their first code alone: code, and the one that they were given.
        self.codes = self._codes(connection)

    def _things(self, found: Sequence[Entry], *kinds: str) -> dict[str, Thing[Any]]:
        """Machines or sheets by name; ``found`` as it arrived."""
        versions: dict[str, list[Entry]] = {}
        for entry in found:
            of = entry.id if entry.kind == kinds[0] else entry.about
            if entry.kind in kinds and entry.is_valid and of not in self.gone:
                group = self.same.get(of, frozenset([of])) - self.gone
                versions.setdefault(min(group), []).append(entry)
        heads: dict[str, tuple[Entry, ...]] = {}
        for key, own in versions.items():
            apart = {canonical(record_part(e)): e for e in reversed(own) if e.stands}
            if apart:
                heads[key] = tuple(sorted(apart.values(), key=lambda entry: entry.seq))
                own.sort(key=lambda entry: entry is heads[key][-1])
        owns = {key: self.named.get(key) or record_part(versions[key][0])["name"] for key in heads}
        return {
            name: Thing(
                id=key,
                ids=self.same.get(key, frozenset([key])),
                own=owns[key],
                name=name,
                versions=tuple(versions[key]),
                heads=heads[key],
            )
            for key, name in _told_apart(owns).items()
        }

    def _codes(self, connection: sa.Connection) -> dict[str, tuple[str, str]]:
        board = entries.c.kind == "board"
        twice = sa.select(entries.c.slot).where(board).group_by(entries.c.slot)
        slots = {*connection.execute(twice.having(sa.func.count() > 1)).scalars()}
        bearing = among(entries.c.slot, slots | {*self.named.values()})
        given = among(entries.c.id, self.named)
        found = ledger.read(connection, board, sa.or_(bearing, given), all=True)
        owns = {
            entry.id: self.named.get(entry.id, entry.slot)
            for entry in sorted(found, key=lambda one: one.seq)
            if self.counts(entry) and entry.id == self.first(entry.id)
        }
        return {key: (code, owns[key]) for key, code in _told_apart(owns).items()}

    def machine(self, name: str) -> Thing[Machine]:
        """Find a machine by name; LogbookError when there is none names those that are near."""
        return _found("machine", name, self.machines)

    def sheet(self, name: str) -> Thing[Sheet]:
        """Find a sheet by name; LogbookError when there is none names those that are near."""
        return _found("sheet", name, self.sheets)

    def thing(self, key: str) -> Thing[Any]:
        """The machine or sheet that an entry names; one that isn't there is a damage."""
        if key not in self.things:
            raise Unreadable(key)
        return self.things[key]

    def name(self, key: str) -> str:
        """Name of a machine or sheet by an id; empty for none."""
        return self.things[key].name if key in self.things else ""

    def code(self, board: Entry) -> str:
        """What a board is called."""
        return self.codes.get(board.id, (board.slot, ""))[0]

    def lot(self, entry: Entry) -> str:
        """Name of the lot that an entry names."""
        return self.lots.get(entry.body.get("lot", ""), "")

    def first(self, key: str) -> str:
        """First id of a thing, by any of those that were said to be the same."""
        return min(self.same.get(key, (key,)))

    def question(self, entry: Any) -> tuple[str, ...]:
        """What an entry, or its row, answers, whatever things were said to be the same."""
        whose = map(self.first, (entry.about, entry.machine, entry.sheet))
        return entry.kind, *whose, entry.slot

    def counts(self, entry: Entry) -> bool:
        """True when neither an entry nor what it is about was withdrawn."""
        return entry.is_valid and not {entry.about, entry.machine, entry.sheet} & self.gone

    def pair(
        self, machine: str | None, sheet: str | None, *, alone: bool = False
    ) -> dict[str, Any]:
        """The columns of what is about a machine, a sheet, or both; ``alone``: nothing else."""
        of: dict[str, Any] = {"machine": "", "sheet": ""} if alone else {}
        of |= {} if machine is None else {"machine": self.machine(machine).ids}
        return of | ({} if sheet is None else {"sheet": self.sheet(sheet).ids})

    def about(self, machine: str | None, sheet: str | None) -> dict[str, str]:
        """The fields of what is said of a machine, a sheet, or both; LogbookError without them."""
        return {
            "machine": "" if machine is None else self.machine(machine).id,
            "sheet": "" if sheet is None else self.sheet(sheet).id,
        }


@dataclass(frozen=True, kw_only=True)
class FoundBoard:
    """A board as the book knows it."""

    id: str
    ids: frozenset[str]  # Those of boards that were said to be the same
    code: str
    entry: Entry
    machine: Thing[Machine]
    sheet: Thing[Sheet]

    @property
    def cells(self) -> tuple[str, ...]:
        """Codes of its cells, in their order."""
        return tuple(cell["label"] for cell in self.entry.body["grid"]["cells"])

    @property
    def about(self) -> dict[str, str]:
        """The fields of what is said of it."""
        return {"about": self.id, "machine": self.entry.machine, "sheet": self.entry.sheet}

    def grid(self) -> Grid:
        """The board with every cell, under the names that things have in this book."""
        grid: Grid = body_of(self.entry).grid
        machine = _called(grid.machine, self.machine.name)
        sheet = _called(grid.sheet, self.sheet.name)
        if (machine, sheet, self.code) == (grid.machine, grid.sheet, grid.board_id):
            return grid
        return dataclasses.replace(grid, machine=machine, sheet=sheet, board_id=self.code)


@dataclass(frozen=True, kw_only=True)
class View:
    """One state of the book; where something is said, at a time, what is added to it."""

    connection: sa.Connection
    names: Names
    at: str = ""

    def read(
        self, *where: sa.ColumnElement[bool], earlier: bool = False, **of: str | Iterable[str]
    ) -> list[Entry]:
        """Entries that stand, or were only replaced, and count; by the values of columns."""
        found = ledger.read(self.connection, *where, all=earlier, **of)
        return [entry for entry in found if self.names.counts(entry)]

    def ever(self, *where: sa.ColumnElement[bool], **of: str | Iterable[str]) -> list[Entry]:
        """Entries by the values of columns, whatever became of them."""
        return ledger.read(self.connection, *where, all=True, **of)

    def by_ids(self, ids: Iterable[str]) -> dict[str, Entry]:
        """Entries by their ids, whatever became of them; those that aren't there are left out."""
        return {entry.id: entry for entry in self.ever(id=ids)}

    def counting(self, *columns: Any, earlier: bool = False) -> sa.Select[Any]:
        """A question about entries that count and stand, or ``earlier`` were only replaced."""
        query = standing(*columns, earlier=earlier)
        for column in (entries.c.about, entries.c.machine, entries.c.sheet):
            query = query.where(~among(column, self.names.gone)) if self.names.gone else query
        return query

    def ways(self, found: Iterable[Entry]) -> list[list[Entry]]:
        """For each question that some entries answer, one of each of the answers that differ."""
        asked: defaultdict[tuple[str, ...], dict[Any, Entry]] = defaultdict(dict)
        for entry in found:
            answer = grades_of(entry) if entry.kind == "look" else canonical(entry.body)
            asked[self.names.question(entry)].setdefault(answer, entry)
        return [list(answers.values()) for answers in asked.values()]

    def clear(self, found: Iterable[Entry]) -> list[Entry]:
        """Those that answer a question which has no other answer; of alike ones the first."""
        clear = (said[0] for said in self.ways(found) if len(said) == 1)
        return sorted(clear, key=lambda entry: entry.seq)

    def board(self, code: str, cells: Sequence[str] = ()) -> FoundBoard:
        """Find a board by its code; LogbookError without it, InvalidRecord without a cell of it."""
        ids = [key for key, (name, _) in self.names.codes.items() if name == code]
        of: dict[str, Any] = {"id": ids} if ids else {"slot": code}
        found = self.read(kind="board", earlier=True, **of)
        for entry in sorted(found, key=lambda one: one.seq):
            if entry.id == self.names.first(entry.id) and self.names.code(entry) == code:
                board = FoundBoard(
                    id=entry.id,
                    ids=self.names.same.get(entry.id, frozenset([entry.id])),
                    code=code,
                    entry=entry,
                    machine=self.names.thing(entry.machine),
                    sheet=self.names.thing(entry.sheet),
                )
                for place, cell in enumerate(cells):
                    if cell not in board.cells:
                        has = ", ".join(board.cells)
                        wrong = say("logbook.cell_isnt_on_board", cell=cell, board=board, has=has)
                        raise InvalidRecord(wrong)
                    if cell in cells[:place]:
                        raise InvalidRecord(say("logbook.cell_is_given_twice", cell=cell))
                return board
        boards = standing(entries.c.slot, earlier=True).where(entries.c.kind == "board")
        recent = self.connection.execute(boards.order_by(entries.c.at.desc()).limit(200)).scalars()
        raise LogbookError(known_names("board", code, recent))

    def entry(
        self, kind: str, record: Any = None, *, replaces: Iterable[str] = (), **fields: Any
    ) -> Entry:
        """An entry that says a record now; ``fields`` are its other fields."""
        check_text("why", fields.get("why", ""))
        body = {} if record is None else to_json(record)
        return Entry(at=self.at, kind=kind, body=body, replaces=tuple(sorted(replaces)), **fields)

    def add_instead(self, known: Sequence[Entry], said: Entry) -> str:
        """Say something in place of what stands; the very same adds nothing."""
        if [canonical(entry.body) for entry in known] == [canonical(said.body)]:
            return known[0].id
        replaces = tuple(sorted(entry.id for entry in known))
        return self.add(dataclasses.replace(said, replaces=replaces))[0]

    def add(self, *said: Entry, batch: str = "") -> tuple[str, ...]:
        """Add what was said in one go; its ids, also of what was there already."""
        if not said:
            return ()
        if not batch:
            text = canonical([entry.document() for entry in said])
            batch = hashlib.sha256(text.encode()).hexdigest()[:24]
        named = [dataclasses.replace(entry, batch=batch) for entry in said]
        new = ledger.add(self.connection, named)
        ids = tuple(entry.id for entry in named)
        if len(new) < len(named) and not all(e.is_valid for e in self.by_ids(ids).values()):
            raise LogbookError(say("logbook.very_same_was_taken_back_before"))
        return ids

    def withdraw(self, said: Sequence[Entry], why: str = "", *, batch: str = "") -> str:
        """Withdraw what was said, and say so of what the first of it is about; id of that."""
        about = {name: getattr(said[0], name) for name in ("about", "machine", "sheet")}
        ids = (entry.id for entry in said)
        return self.add(self.entry(WITHDRAW, why=why, replaces=ids, **about), batch=batch)[0]


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
        self._seq = 0
        self._names: Names | None = None

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
                wrong = say("logbook.change_was_perhaps_not_stored", place=self.where)
                raise LogbookError(wrong)

    @contextmanager
    def looking(self) -> Iterator[View]:
        """Read one state of the book, with what its things are called."""
        with self.look() as connection:
            yield View(connection=connection, names=self.names(connection))

    @contextmanager
    def saying(self, when: datetime) -> Iterator[View]:
        """Write all or nothing at a time."""
        at = write_time(when)
        with self.change() as connection:
            yield View(connection=connection, names=self.names(connection), at=at)

    def anew(self, view: View) -> View:
        """The same change, with the names that it gave."""
        names = self.names(view.connection, keep=False)
        return dataclasses.replace(view, names=names)

    def _notice(self, connection: sa.Connection) -> None:
        """Go on with a file that was restored meanwhile; refuse one of another logbook."""
        if self.where.path is None or self._mark == (mark := file_of(connection).mark):
            return
        own = connection.execute(sa.select(identity.c.id)).scalar()
        if self._mark is not None and own != self._identity:
            raise LogbookError(say("logbook.another_logbook_lies_at_now", where=self.where))
        self._mark, self._identity, self._seq, self._names = mark, own, 0, None

    def names(self, connection: sa.Connection, *, keep: bool = True) -> Names:
        """What things are called; kept, but not in a change that may yet be taken back."""
        newest = connection.execute(sa.select(sa.func.max(entries.c.seq))).scalar() or 0
        new = sa.select(entries.c.kind, entries.c.v).where(entries.c.seq > self._seq).distinct()
        kinds = connection.execute(new).all() if newest != self._seq else []
        for kind, v in kinds:
            if newer := newer_version(kind, v):
                wrong = say("logbook.logbook_cant_be_used_3", where=self.where, newer=newer)
                raise LogbookError(wrong)
        names = self._names
        if names is None or {kind for kind, _ in kinds} & {*_NAMING, "board", WITHDRAW}:
            names = Names(connection)
        if keep:
            self._seq, self._names = newest, names
        return names

    def newest_evidence(self) -> tuple[int, str]:
        """Number and id of the newest entry that may change what burns teach.

        The number grows; after an earlier backup was put back, it comes up again.
        """
        kinds = [kind for kind, one in KINDS.items() if one.teaches]
        query = sa.select(entries.c.seq, entries.c.id).where(entries.c.kind.in_(kinds))
        query = query.order_by(entries.c.seq.desc()).limit(1)
        with self.look() as connection:
            row = connection.execute(query).first()
        return (0, "") if row is None else (row.seq, row.id)


def _found(what: str, name: str, known: Mapping[str, Thing[M]]) -> Thing[M]:
    if name not in known:
        raise LogbookError(known_names(what, name, known))
    return known[name]


def _told_apart(names: Mapping[str, str]) -> dict[str, str]:
    """Names of things as they arrived; a number behind each that an earlier one has already."""
    taken: dict[str, str] = {}
    for key, own in names.items():
        numbered = (f"{own} ({number})" for number in itertools.count(2))
        free = (name for name in itertools.chain([own], numbered) if name not in taken)
        taken[next(free)] = key
    return {key: name for name, key in taken.items()}


def grades_of(entry: Entry) -> tuple[Any, ...]:
    """What a look says came out."""
    return tuple(entry.body.get(name) for name in READ_OFF)


def record_part(entry: Entry) -> Mapping[str, Any]:
    """The machine or the sheet in the body of a set-up or a lot."""
    part = entry.body.get("machine") or entry.body.get("sheet")
    return part if isinstance(part, dict) else {"name": ""}


def _called(record: M, name: str) -> M:
    return record if record.name == name else dataclasses.replace(record, name=name)
