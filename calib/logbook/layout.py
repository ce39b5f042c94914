"""The layout of the exchange document: which tables it holds, and how their rows are nested.

The columns keep their names. Left out is what belongs to one book alone (the order ``seq`` and
``turn``: the order of the lists says it) and what can be worked out from the rest.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from calib.logbook import tables
from calib.logbook.coding import material_key, read_json

FORMAT = "calib logbook"
VERSION = 1

# What is local to a book, or may have another name in it.
LOCAL = {"change_id", "turn", "seq", "name", "code"}
# Lists whose rows have no life of their own.
NESTED = ("cells", "forecasts", "run_burns")

Document = dict[str, Any]
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One list of the document.

    ``slot`` names the columns that tell the chains of the table apart; ``parent`` the column that
    says in which row of the outer list a row is nested; ``order`` the columns it is sorted by. A
    list that earlier versions of calib didn't write is ``optional``: left out, it is empty.
    """

    name: str
    table: sa.Table
    words: str
    order: tuple[str, ...] = ("seq", "id")
    parent: str = ""
    parts: tuple[Part, ...] = ()
    hidden: tuple[str, ...] = ()
    json: tuple[str, ...] = ()
    slot: tuple[str, ...] = ()
    optional: bool = False

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that stand in the document."""
        left_out = {self.parent, "seq", "turn", *self.hidden}
        return tuple(column.name for column in self.table.columns if column.name not in left_out)


PARTS = (
    Part(name="changes", table=tables.changes, words="changes", order=("seq",)),
    Part(
        name="machines",
        table=tables.machines,
        words="machines",
        parts=(
            Part(
                name="setups",
                table=tables.setups,
                words="set-ups",
                parent="machine_id",
                order=("turn",),
                json=("record",),
                slot=("machine_id",),
            ),
            Part(
                name="sittings",
                table=tables.sittings,
                words="sittings",
                parent="machine_id",
                order=("label", "turn"),
                slot=("machine_id", "label"),
            ),
        ),
    ),
    Part(
        name="sheets",
        table=tables.sheets,
        words="sheets",
        hidden=("material_key",),
        parts=(
            Part(
                name="versions",
                table=tables.sheet_versions,
                words="lots",
                parent="sheet_id",
                order=("turn",),
                hidden=("lot", "measured_mm"),
                json=("record",),
                slot=("sheet_id",),
            ),
        ),
    ),
    Part(
        name="boards",
        table=tables.boards,
        words="boards",
        hidden=("lot",),
        json=("machine", "sheet", "notes"),
        parts=(
            Part(
                name="cells",
                table=tables.cells,
                words="cells",
                parent="board_id",
                order=("position",),
                hidden=("position",),
            ),
            Part(
                name="forecasts",
                table=tables.forecasts,
                words="forecasts",
                parent="board_id",
                order=("cell", "event"),
            ),
            Part(
                name="readings",
                table=tables.readings,
                words="readings",
                parent="board_id",
                order=("cell", "turn"),
                slot=("board_id", "cell"),
            ),
            Part(
                name="photographs",
                table=tables.photographs,
                words="photographs",
                parent="board_id",
            ),
        ),
    ),
    Part(name="promises", table=tables.promises, words="promises"),
    Part(
        name="jobs",
        table=tables.runs,
        words="jobs and check strips",
        parts=(
            Part(
                name="burns",
                table=tables.run_burns,
                words="burns of jobs",
                parent="run_id",
                order=("position",),
                hidden=("position",),
            ),
        ),
    ),
    Part(
        name="settled",
        table=tables.settled,
        words="settled settings",
        order=("machine_id", "sheet_id", "operation", "turn"),
        slot=("machine_id", "sheet_id", "operation"),
    ),
    Part(name="notes", table=tables.notes, words="notes"),
    Part(
        name="kept",
        table=tables.kept,
        words="costs, timed jobs and combs",
        json=("content",),
        optional=True,
    ),
    Part(name="withdrawals", table=tables.withdrawals, words="things taken back"),
    Part(name="aliases", table=tables.aliases, words="other names", order=("foreign_id",)),
)


def all_parts() -> Iterator[Part]:
    """Give every list of the document, an outer one before those nested in it."""
    for part in PARTS:
        yield part
        yield from part.parts


def counts_in_words(rows: Mapping[str, int]) -> str:
    """Write how many rows there are, in words of the workshop instead of names of tables.

    Examples
    --------
    >>> counts_in_words({"sheets": 1, "sheet_versions": 2, "notes": 0})
    '1 sheet, 2 lots'
    """
    words = {part.table.name: part.words for part in all_parts()}
    return ", ".join(
        f"{count} {_of_one(words.get(name, name)) if count == 1 else words.get(name, name)}"
        for name, count in rows.items()
        if count
    )


# Of one thing, where its words don't merely lose an s.
_ONE = {
    "burns of jobs": "burn of a job",
    "costs, timed jobs and combs": "cost, timed job or comb",
    "jobs and check strips": "job or check strip",
    "things taken back": "thing taken back",
}


def _of_one(words: str) -> str:
    return _ONE.get(words, words.removesuffix("s"))


def to_document(part: Part, row: Row) -> Document:
    """Write a row for the document; what is None is left out."""
    return {name: _outward(part, name, row[name]) for name in part.columns if row[name] is not None}


def _outward(part: Part, name: str, value: Any) -> Any:
    if name in part.json:
        return read_json(value)
    return base64.b64encode(value).decode("ascii") if isinstance(value, bytes) else value


def to_row(part: Part, item: Document, place: int, parent: str = "") -> dict[str, Any]:
    """Read an item of the document back into a row of the table."""
    row = {name: _inward(part, name, item.get(name)) for name in part.columns}
    if part.parent:
        row[part.parent] = parent
    if "position" in part.hidden:
        row["position"] = place
    if part.table is tables.sheets:
        row["material_key"] = material_key(item["material"])
    if part.table is tables.sheet_versions:
        row |= {
            "lot": item["record"].get("lot", ""),
            "measured_mm": item["record"].get("measured_mm"),
        }
    if part.table is tables.boards:
        row["lot"] = item["sheet"].get("lot", "")
    return row


def _inward(part: Part, name: str, value: Any) -> Any:
    if name in part.json:
        sort_keys = name != "notes"
        return json.dumps(value, sort_keys=sort_keys, ensure_ascii=False)
    if value is not None and isinstance(part.table.c[name].type, sa.LargeBinary):
        return base64.b64decode(value, validate=True)
    if value is not None and isinstance(part.table.c[name].type, sa.Double):
        return float(value)
    return value


def read_rows(document: Document) -> dict[str, list[dict[str, Any]]]:
    """Read a whole document into rows, by table."""
    found: dict[str, list[dict[str, Any]]] = {part.table.name: [] for part in all_parts()}
    for part in PARTS:
        for place, item in enumerate(document.get(part.name, ())):
            found[part.table.name].append(to_row(part, item, place))
            for inner in part.parts:
                found[inner.table.name] += [
                    to_row(inner, nested, nested_place, item["id"])
                    for nested_place, nested in enumerate(item[inner.name])
                ]
    return found
