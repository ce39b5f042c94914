"""The setting that was settled on for a pair and an operation; an earlier one stays."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord
from calib.logbook.coding import check_text, read_time, stable_id, write_time
from calib.logbook.entries import Settled
from calib.logbook.promises import check_promise, promise_from, setting_from
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_machine,
    find_sheet,
    last_of,
    lock_name,
    one_row,
    rows_of,
    sheet_from,
)
from calib.logbook.tables import machines, promises, settled, sheet_versions, sheets
from calib.records import OPERATIONS, Operation, Setting


class Settling(Room):
    """The settled settings of a logbook."""

    def settle(
        self,
        machine: str,
        sheet: str,
        operation: Operation,
        setting: Setting,
        *,
        when: datetime,
        promise_id: str | None = None,
        note: str = "",
    ) -> None:
        """Settle on a setting; an earlier one stays in the history.

        Raises LogbookError when machine, sheet or promise aren't in the logbook.
        """
        at = write_time(when)
        check_text("note", note)
        if operation not in OPERATIONS:
            raise InvalidRecord(f"operation is {operation!r}: give one of {', '.join(OPERATIONS)}.")
        with self.change() as connection:
            lock_name(connection, sheets, sheet)
            sheet_row = find_sheet(connection, sheet)
            machine_id = find_machine(connection, machine)["id"]
            check_promise(connection, promise_id, (machine_id, sheet_row["id"]), setting)
            last = last_settled(connection, machine_id, sheet_row["id"], operation)
            new = {
                "at": at,
                "lot": sheet_row["lot"],
                **dataclasses.asdict(setting),
                "promise_id": promise_id,
                "note": note,
            }
            if last is None or any(last[name] != new[name] for name in new if name != "at"):
                slot = {
                    "machine_id": machine_id, "sheet_id": sheet_row["id"], "operation": operation,
                }  # fmt: skip
                add_settled(connection, slot, last, new)

    def settled(
        self,
        machine: str | None = None,
        sheet: str | None = None,
        operation: Operation | None = None,
    ) -> tuple[Settled, ...]:
        """Look up the settings that were settled on."""
        names = {machines.c.name: machine, sheets.c.name: sheet, settled.c.operation: operation}
        wanted = [column == value for column, value in names.items() if value is not None]
        with self.look() as connection:
            rows = rows_of(connection, _settled_query().where(*wanted))
            if not rows and machine is not None:
                find_machine(connection, machine)
            if not rows and sheet is not None:
                find_sheet(connection, sheet)
        return tuple(_settled_from(row) for row in rows)


def last_settled(
    connection: sa.Connection, machine_id: str, sheet_id: str, operation: str
) -> Row | None:
    """Find the row that counts now for a pair and operation, None when there was never one."""
    query = sa.select(settled).where(
        settled.c.machine_id == machine_id,
        settled.c.sheet_id == sheet_id,
        settled.c.operation == operation,
    )
    return one_row(connection, query.order_by(settled.c.turn.desc()).limit(1))


def add_settled(
    connection: sa.Connection,
    slot: dict[str, str],
    last: Row | None,
    new: Row,
    undoes: str | None = None,
) -> None:
    """Add the row that follows ``last`` in its slot (machine_id, sheet_id, operation)."""
    follows = None if last is None else last["id"]
    row_id = stable_id("settled", *slot.values(), follows, new)
    about = {"machine_id": slot["machine_id"], "sheet_id": slot["sheet_id"], "why": new["note"]}
    change = add_change(connection, "settled", new["at"], [row_id], **about, undoes=undoes)
    turn = 1 if last is None else last["turn"] + 1
    connection.execute(
        settled.insert().values(
            id=row_id, **slot, **new, follows=follows, turn=turn, change_id=change
        )
    )


def _settled_query() -> sa.Select[Any]:
    names = ["aim", "reliability", "chance", "scope", "char_at_most", "mark", "cut_length_mm"]
    return (
        sa
        .select(settled, machines.c.name.label("machine"), sheets.c.name, sheet_versions.c.record)
        .add_columns(*[promises.c[name] for name in names])
        .add_columns(promises.c.at.label("promised_at"), promises.c.lot.label("promised_lot"))
        .join(machines, machines.c.id == settled.c.machine_id)
        .join(sheets, sheets.c.id == settled.c.sheet_id)
        .join(sheet_versions, sheet_versions.c.sheet_id == sheets.c.id)
        .outerjoin(promises, promises.c.id == settled.c.promise_id)
        .where(last_of(settled, "machine_id", "sheet_id", "operation"))
        .where(last_of(sheet_versions, "sheet_id"), settled.c.power_pct.is_not(None))
        .order_by(machines.c.name, sheets.c.name, settled.c.operation)
    )


def _settled_from(row: Row) -> Settled:
    sheet = sheet_from(row)
    return Settled(
        machine=row["machine"],
        sheet=sheet.name,
        material=sheet.material,
        thickness_mm=sheet.thickness_mm,
        lot=row["lot"],
        operation=row["operation"],
        setting=setting_from(row),
        at=read_time(row["at"]),
        promise=promise_from(row) if row["promise_id"] else None,
        note=row["note"],
        promised_at=read_time(row["promised_at"]) if row["promise_id"] else None,
        promised_lot=row["promised_lot"],
    )
