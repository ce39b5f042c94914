"""Take another book's document into a logbook: what is new is added, what differs is shown.

Nothing is decided by a clock or by chance. Rows that both books hold are left alone; of two
chains that went apart, this book's goes on counting, and the other one stands in the history,
until the user has said which of the two it is to be.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import islice
from typing import Any

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook import tables
from calib.logbook.chains import join_chain
from calib.logbook.coding import stable_id, write_time
from calib.logbook.document_check import Rows, checked_rows
from calib.logbook.entries import Conflict, ImportReport
from calib.logbook.layout import LOCAL, NESTED, Document, Part, all_parts
from calib.logbook.merge_names import Names, alias_id
from calib.logbook.merge_words import chain_key, describe, says_the_same
from calib.logbook.room import Room, add_change, rows_of

HERE, THERE = "here", "there"

Row = Mapping[str, Any]

_NAMED = ("machines", "sheets", "boards")
_MAPPED = ("machine_id", "sheet_id", "board_id", "local_id")
_CAN_BE_HELD = (*_MAPPED, "id", "run_id", "promise_id", "target_id")
# Rows asked for at a time: SQLite takes at most 32,766 values in a statement.
_CHUNK = 1000


class _OnlyLooking(Exception):
    """Raised to take a dry run back."""


def import_json(
    book: Room,
    document: Document,
    *,
    when: datetime,
    answers: Mapping[str, str] | None = None,
    dry_run: bool = False,
) -> ImportReport:
    """Take another book's document into a logbook, in one transaction.

    Raises BadFile when the document isn't good; nothing is stored then; LogbookError when an answer
    isn't possible.
    """
    rows = checked_rows(document)
    merge = None
    try:
        with book.change() as connection:
            merge = _Merge(connection, rows, dict(answers or {}), write_time(when))
            merge.take_all()
            if dry_run:
                raise _OnlyLooking
    except _OnlyLooking:
        pass
    assert merge is not None
    return merge.report()


class _Merge:
    """One import under way."""

    def __init__(
        self, connection: sa.Connection, rows: Rows, answers: Mapping[str, str], at: str
    ) -> None:
        self.connection = connection
        self.rows = rows
        self.answers = answers
        self.at = at
        self.names = Names(connection=connection, rows=rows, answers=answers)
        self.added: Counter[str] = Counter()
        self.already: Counter[str] = Counter()
        self.held_back: Counter[str] = Counter()
        self.conflicts: list[Conflict] = []
        self.chosen: list[tuple[sa.Table, dict[str, Any]]] = []
        self.new_parents: set[str] = set()

    def report(self) -> ImportReport:
        """Say what was done."""
        return ImportReport(
            added=dict(+self.added),
            already=dict(+self.already),
            held_back=dict(+self.held_back),
            conflicts=(*self.names.conflicts, *self.conflicts),
        )

    def take_all(self) -> None:
        """Take the tables in, in the order in which they build on one another."""
        self.names.find_all()
        for part in all_parts():
            rows = list(self._ready(part))
            if part.slot:
                self._take_chains(part, rows)
            elif part.table.name in NESTED:
                self._take_nested(part, rows)
            else:
                self._take_rows(part, rows)
        self._add_decisions()

    def _ready(self, part: Part) -> Iterator[dict[str, Any]]:
        """Give the rows of which nothing is held back, with this book's ids."""
        held = self.names.held
        for row in self.rows[part.table.name]:
            about = {row.get(name) for name in _CAN_BE_HELD}
            if about & held:
                self.held_back[part.words] += 1
                held.add(row.get("id", ""))
                held.discard("")
                continue
            yield {
                name: self.names.ids.get(value, value) if name in _MAPPED else value
                for name, value in row.items()
            }

    def _insert(self, part: Part, rows: Sequence[Row]) -> None:
        self.added[part.words] += len(rows)
        if rows:
            self.connection.execute(part.table.insert(), rows)

    def _known(self, table: sa.Table, column: str, values: Iterable[str]) -> Iterator[Row]:
        rest = iter(dict.fromkeys(values))
        while chunk := list(islice(rest, _CHUNK)):
            yield from rows_of(self.connection, sa.select(table).where(table.c[column].in_(chunk)))

    def _take_rows(self, part: Part, rows: Sequence[dict[str, Any]]) -> None:
        key = "foreign_id" if part.name == "aliases" else "id"
        named = part.table.name in _NAMED
        ids = self.names.ids
        known = {row[key]: row for row in self._known(part.table, key, (r[key] for r in rows))}
        new = []
        for row in rows:
            mine = known.get(row[key])
            if mine is not None:
                self._compare(part, mine, row)
            elif named and ids[row["id"]] != row["id"]:
                self.already[part.words] += 1
            elif part.name == "aliases" and row["foreign_id"] == row["local_id"]:
                self.already[part.words] += 1
            else:
                new.append(self._named(part, row) if named else row)
        self.new_parents |= {row[key] for row in new}
        self._insert(part, new)

    def _named(self, part: Part, row: dict[str, Any]) -> dict[str, Any]:
        column = "code" if part.name == "boards" else "name"
        return {**row, column: self.names.names[row["id"]]}

    def _compare(self, part: Part, mine: Row, row: Row) -> None:
        """Count a row that is there; show it when it says something else under the same id."""
        self.already[part.words] += 1
        if part.name in ("withdrawals", "aliases"):
            return
        # The same sitting has the same id in every book, whenever it was taken down there.
        left_out = {*LOCAL, *(("at", "setup_id") if part.name == "sittings" else ())}
        names = [name for name in part.columns if name not in left_out]
        differ = [name for name in names if not _equal(part, name, mine[name], row[name])]
        if differ:
            self.conflicts.append(
                Conflict(
                    key=f"{part.words} {mine['id']}",
                    here=", ".join(f"{name} {mine[name]!r}" for name in differ),
                    there=", ".join(f"{name} {row[name]!r}" for name in differ),
                    answers=(),
                )
            )

    def _take_nested(self, part: Part, rows: Sequence[dict[str, Any]]) -> None:
        """Take what belongs to a board or job: with it when it is new, else it is there."""
        new = [row for row in rows if row[part.parent] in self.new_parents]
        known = [row for row in rows if row[part.parent] not in self.new_parents]
        if part.name == "forecasts" and known:
            new += self._other_forecasts(part, known)
        self.already[part.words] += len(rows) - len(new)
        self._insert(part, new)

    def _other_forecasts(self, part: Part, rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
        """Find forecasts of known boards that only the other book has; show those that differ."""
        boards = [row["board_id"] for row in rows]
        known = {
            (row["board_id"], row["cell"], row["event"]): row["chance"]
            for row in self._known(part.table, "board_id", boards)
        }
        new = []
        for row in rows:
            slot = (row["board_id"], row["cell"], row["event"])
            if slot not in known:
                new.append(row)
            elif known[slot] != row["chance"]:
                key = f"forecast {self.names.names[slot[0]]} {slot[1]} {slot[2]}"
                here, there = f"chance {known[slot]}", f"chance {row['chance']}"
                self.conflicts.append(Conflict(key=key, here=here, there=there, answers=()))
        return new

    def _take_chains(self, part: Part, rows: Sequence[dict[str, Any]]) -> None:
        there, here = defaultdict(list), defaultdict(list)
        for row in rows:
            there[tuple(row[name] for name in part.slot)].append(row)
        first = part.slot[0]
        for mine in self._known(part.table, first, (slot[0] for slot in there)):
            here[tuple(mine[name] for name in part.slot)].append(mine)
        new: list[Row] = []
        for slot, theirs in there.items():
            ours = sorted(here[slot], key=lambda row: row["turn"])
            new += self._take_chain(part, slot, ours, theirs)
        self._insert(part, new)

    def _take_chain(
        self, part: Part, slot: tuple[str, ...], here: Sequence[Row], there: Sequence[Row]
    ) -> list[Row]:
        mine = {row["id"]: row for row in here}
        for row in there:
            if row["id"] in mine:
                self._compare(part, mine[row["id"]], row)
        joined = join_chain(here, there, lambda a, b: says_the_same(part, a, b))
        first, last = (here[0]["turn"], here[-1]["turn"]) if here else (1, 0)
        older = [
            {**row, "turn": first - place}
            for place, row in enumerate(reversed(joined.older), start=1)
        ]
        new = [{**row, "turn": last + place} for place, row in enumerate(joined.append, start=1)]
        if joined.adopt is not None:
            self._choose(part, joined.adopt, here[-1], joined.adopt)
        if joined.apart:
            self._settle_apart(part, slot, here[-1], there[-1])
        return [*reversed(older), *new]

    def _settle_apart(self, part: Part, slot: tuple[str, ...], mine: Row, theirs: Row) -> None:
        key = chain_key(part, slot, self.names.names)
        answer = self.answers.get(key, "")
        if answer in (HERE, THERE):
            self._choose(part, mine if answer == HERE else theirs, mine, theirs)
        elif answer:
            raise LogbookError(f"The answer {answer!r} doesn't settle {key!r}: give here or there.")
        else:
            here, there = describe(part, mine, theirs)
            self.conflicts.append(Conflict(key=key, here=here, there=there, answers=(HERE, THERE)))

    def _choose(self, part: Part, chosen: Row, mine: Row, theirs: Row) -> None:
        """Prepare the row that supersedes both books' last ones and repeats the chosen one."""
        row: dict[str, Any] = {
            **chosen,
            "follows": mine["id"],
            "follows_too": theirs["id"],
            "turn": mine["turn"] + 1,
        }
        book = "this book's" if chosen is mine else "the other book's"
        if part.name != "sittings":  # whose note describes the sitting
            row["why" if part.name == "readings" else "note"] = f"{book} was chosen at an import"
        row["id"] = stable_id("chosen", mine["id"], theirs["id"], chosen["id"], self.at)
        if part.name == "readings":
            row["at"] = self.at
        self.chosen.append((part.table, row))

    def _add_decisions(self) -> None:
        """Store what the user decided, as one change of this book."""
        found = self.names.found
        ids = [row["id"] for _, row in self.chosen] + [alias_id(alias) for alias in found]
        if not ids:
            return
        change = add_change(self.connection, "import", self.at, ids)
        for table, row in [*self.chosen, *((tables.aliases, alias) for alias in found)]:
            self.connection.execute(table.insert().values(**{**row, "change_id": change}))
            self.added["decisions"] += 1


def _equal(part: Part, name: str, mine: Any, theirs: Any) -> bool:
    if name in part.json:
        return bool(json.loads(mine) == json.loads(theirs))
    return bool(mine == theirs)
