"""Give a logbook away: one JSON document for other books, CSV tables for people."""

from __future__ import annotations

import csv
import io
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

import sqlalchemy as sa

from calib.logbook.layout import FORMAT, PARTS, VERSION, Document, Part, to_document
from calib.logbook.room import Room, last_of, rows_of, still_counts
from calib.logbook.tables import boards, cells, changes, machines, readings, run_burns, runs, sheets
from calib.spreadsheet import safe_cell_text

Row = Mapping[str, Any]

CSV_HEADER = (
    "machine", "sheet", "material", "thickness_mm", "lot", "operation", "source", "board", "cell",
    "power_pct", "speed_mm_s", "passes", "line_pitch_mm", "through", "char", "mark", "count",
    "cut_length_mm", "width_mm", "height_mm", "sitting", "at", "note",
)  # fmt: skip


def export_json(book: Room) -> Document:
    """Write a whole logbook as one document; `import_json` loses nothing of it."""
    with book.look() as connection:
        order = sa.select(changes.c.id, changes.c.seq)
        seq = {row.id: row.seq for row in connection.execute(order)}
        lists = {part.name: _items(connection, part, seq) for part in PARTS}
    return {"format": FORMAT, "version": VERSION, **lists}


def document_text(document: Document) -> str:
    """Write a document as the text of a file."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n"


def _items(connection: sa.Connection, part: Part, seq: Mapping[str, int]) -> list[Document]:
    nested = {inner.name: _by_parent(connection, inner, seq) for inner in part.parts}
    items = []
    for row in _in_order(connection, part, seq):
        item = to_document(part, row)
        for name, lists in nested.items():
            item[name] = lists.get(row["id"], [])
        items.append(item)
    return items


def _by_parent(
    connection: sa.Connection, part: Part, seq: Mapping[str, int]
) -> dict[str, list[Document]]:
    found: dict[str, list[Document]] = defaultdict(list)
    for row in _in_order(connection, part, seq):
        found[row[part.parent]].append(to_document(part, row))
    return found


def _in_order(connection: sa.Connection, part: Part, seq: Mapping[str, int]) -> list[Row]:
    """Read the rows of a list; sorted here, since databases sort text each in its own way."""
    rows = rows_of(connection, sa.select(part.table))

    def place(row: Row) -> tuple[Any, ...]:
        return tuple(
            seq[row["change_id"]] if name == "seq" and "seq" not in row else row[name]
            for name in part.order
        )

    return sorted(rows, key=place)


def export_csv(book: Room) -> str:
    """Write all burns that count as one table for people."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(CSV_HEADER)
    with book.look() as connection:
        for query in (_cells_query(), _runs_query()):
            rows = connection.execute(query).mappings()
            table.writerows([_field(row.get(name)) for name in CSV_HEADER] for row in rows)
    return out.getvalue()


def _field(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return safe_cell_text(str(value))


def _pair() -> Iterable[sa.ColumnElement[Any]]:
    return (
        machines.c.name.label("machine"),
        sheets.c.name.label("sheet"),
        sheets.c.material,
        sheets.c.thickness_mm,
    )


def _named(query: sa.Select[Any], of: sa.Table) -> sa.Select[Any]:
    return query.join(machines, machines.c.id == of.c.machine_id).join(
        sheets, sheets.c.id == of.c.sheet_id
    )


def _cells_query() -> sa.Select[Any]:
    cell_columns = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")
    read = ("cell", "through", "char", "mark", "width_mm", "height_mm", "sitting", "at", "note")
    graded = [readings.c[name].is_not(None) for name in ("through", "char", "mark")]
    query = (
        sa
        .select(*_pair(), boards.c.lot, boards.c.operation, boards.c.code.label("board"))
        .add_columns(sa.literal("board").label("source"), sa.literal(1).label("count"))
        .add_columns(*[cells.c[name] for name in cell_columns], *[readings.c[n] for n in read])
        .join(cells, cells.c.board_id == boards.c.id)
        .join(
            readings,
            sa.and_(readings.c.board_id == cells.c.board_id, readings.c.cell == cells.c.label),
        )
        .where(last_of(readings, "board_id", "cell"), sa.or_(*graded))
        .order_by(boards.c.planned_at, boards.c.code, cells.c.position)
    )
    return _named(query, boards)


def _runs_query() -> sa.Select[Any]:
    names = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm", "through", "char", "mark",
             "count", "cut_length_mm", "sitting", "source", "operation")  # fmt: skip
    query = (
        sa
        .select(*_pair(), runs.c.lot, runs.c.at, runs.c.note)
        .add_columns(*[run_burns.c[name] for name in names])
        .join(run_burns, run_burns.c.run_id == runs.c.id)
        .where(still_counts(runs.c.id))
        .order_by(runs.c.at, runs.c.id, run_burns.c.position)
    )
    return _named(query, runs)
