"""Which machine, sheet and board of another book is which of this one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.boards import cell_from
from calib.logbook.coding import check_text, stable_id
from calib.logbook.document_check import Rows
from calib.logbook.entries import Conflict
from calib.logbook.room import rows_of
from calib.logbook.tables import aliases, boards, cells, machines, sheets

RENAME = "rename:"
SAME = "same"

Row = Mapping[str, Any]


@dataclass(slots=True, kw_only=True)
class Names:
    """What was found out: ``ids`` leads from the other book's ids to this book's.

    ``held`` are the other book's ids of which nothing can be taken yet; ``names`` are the names in
    this book, by this book's id; ``found`` are the new rows of aliases, still without change.
    """

    connection: sa.Connection
    rows: Rows
    answers: Mapping[str, str]
    ids: dict[str, str] = field(default_factory=dict)
    held: set[str] = field(default_factory=set)
    names: dict[str, str] = field(default_factory=dict)
    found: list[dict[str, Any]] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)

    def find_all(self) -> None:
        """Find machines and sheets, then the boards that belong to them."""
        for kind, table in (("machine", machines), ("sheet", sheets)):
            self._find(kind, table, "name")
        self._find("board", boards, "code")

    def _find(self, kind: str, table: sa.Table, name: str) -> None:
        here = {row["id"]: row for row in rows_of(self.connection, sa.select(table))}
        taken = {row[name]: row["id"] for row in here.values()}
        self.names |= {row["id"]: row[name] for row in here.values()}
        known = self._known_aliases(here)
        for row in self.rows[table.name]:
            if kind == "board" and {row["machine_id"], row["sheet_id"]} & self.held:
                self.held.add(row["id"])
            elif row["id"] in known:
                self.ids[row["id"]] = known[row["id"]]
            elif row[name] not in taken:
                self._take(row["id"], row[name], taken)
            else:
                self._ask(kind, row, here[taken[row[name]]], taken)

    def _known_aliases(self, here: Mapping[str, Row]) -> dict[str, str]:
        """Lead from ids to this book's, as far as one of the books knows both."""
        stored = {
            row["foreign_id"]: row["local_id"]
            for row in rows_of(self.connection, sa.select(aliases))
            if row["local_id"] in here
        }
        known = {row_id: row_id for row_id in here} | stored
        for alias in self.rows["aliases"]:
            if alias["foreign_id"] in known:
                known.setdefault(alias["local_id"], known[alias["foreign_id"]])
        return known

    def _take(self, row_id: str, name: str, taken: dict[str, str]) -> None:
        self.ids[row_id] = row_id
        taken[name] = row_id
        self.names[row_id] = name

    def _ask(self, kind: str, row: Row, mine: Row, taken: dict[str, str]) -> None:
        """The name is taken here by something else: do as the user answered, or show it."""
        name = row["code"] if kind == "board" else row["name"]
        key = f"{kind} {name}"
        answer = self.answers.get(key, "")
        may_be_same = self._may_be_same(kind, row, mine)
        if answer == SAME and may_be_same:
            self.ids[row["id"]] = mine["id"]
            alias = {"kind": kind, "foreign_id": row["id"], "local_id": mine["id"]}
            self.found.append(alias)
            return
        new_name = answer.removeprefix(RENAME).strip() if answer.startswith(RENAME) else ""
        if new_name and new_name not in taken:
            check_text(key, new_name, longest=40 if kind == "board" else 200)
            self._take(row["id"], new_name, taken)
            return
        if answer:
            raise LogbookError(
                f"The answer {answer!r} doesn't settle {key!r}: give"
                f" {SAME + ' or ' if may_be_same else ''}{RENAME} and a name that isn't taken."
            )
        self.held.add(row["id"])
        answers = (SAME, RENAME) if may_be_same else (RENAME,)
        self.conflicts.append(
            Conflict(
                key=key,
                here=self._describe(kind, mine),
                there=self._describe(kind, row),
                answers=answers,
            )
        )

    def _may_be_same(self, kind: str, row: Row, mine: Row) -> bool:
        if mine["id"] in self.ids.values():  # it is another one of the other book's
            return False
        if kind == "machine":
            return True
        if kind == "sheet":
            return bool(
                row["material_key"] == mine["material_key"]
                and row["thickness_mm"] == mine["thickness_mm"]
            )
        pair = (self.ids[row["machine_id"]], self.ids[row["sheet_id"]])
        if pair != (mine["machine_id"], mine["sheet_id"]) or row["operation"] != mine["operation"]:
            return False
        query = sa.select(cells).where(cells.c.board_id == mine["id"]).order_by(cells.c.position)
        there = [cell_from(cell) for cell in self.rows["cells"] if cell["board_id"] == row["id"]]
        return [cell_from(cell) for cell in rows_of(self.connection, query)] == there

    def _describe(self, kind: str, row: Row) -> str:
        if kind == "sheet":
            return f"{row['material']}, {row['thickness_mm']:g} mm"
        if kind == "board":
            sheet, machine = json.loads(row["sheet"]), json.loads(row["machine"])
            return (
                f"{row['operation']} on {sheet['name']} with {machine['name']}, planned"
                f" {row['planned_at'][:10]}"
            )
        return f"a machine that was taken down on its own (id {row['id'][:8]})"


def alias_id(alias: Row) -> str:
    """Make what stands for an alias in the id of its change."""
    return stable_id("alias", alias["foreign_id"], alias["local_id"])
