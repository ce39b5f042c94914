"""What was promised of a setting, stored before its results can come in."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.coding import read_time, stable_id, write_time
from calib.logbook.entries import PromiseEntry
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_machine,
    find_sheet,
    one_row,
    rows_of,
    still_counts,
)
from calib.logbook.tables import machines, promises, runs, sheets
from calib.records import Promise, Setting

_SETTING = tuple(field.name for field in dataclasses.fields(Setting))


class Promises(Room):
    """The promises of a logbook."""

    def add_promise(self, promise: Promise, *, machine: str, sheet: str, when: datetime) -> str:
        """Store a promise, before its results can come in; the same one again adds nothing.

        Raises LogbookError when machine or sheet aren't in the logbook.
        """
        at = write_time(when)
        with self.change() as connection:
            sheet_row = find_sheet(connection, sheet)
            machine_id, sheet_id = find_machine(connection, machine)["id"], sheet_row["id"]
            row = promise_row(promise, (machine_id, sheet_id), at, sheet_row["lot"])
            known = sa.select(promises.c.id).where(promises.c.id == row["id"])
            if connection.execute(known).scalar() is None:
                about = {"machine_id": machine_id, "sheet_id": sheet_id}
                change = add_change(connection, "promise", at, [row["id"]], **about)
                connection.execute(promises.insert().values(**row, change_id=change))
        return str(row["id"])

    def promises(
        self, *, machine: str | None = None, sheet: str | None = None
    ) -> tuple[PromiseEntry, ...]:
        """List promises, newest first, with the jobs that were run on them since."""
        query = (
            sa
            .select(promises, machines.c.name.label("machine"), sheets.c.name.label("sheet"))
            .join(machines, machines.c.id == promises.c.machine_id)
            .join(sheets, sheets.c.id == promises.c.sheet_id)
            .order_by(promises.c.at.desc(), promises.c.id)
        )
        query = query.where(machines.c.name == machine) if machine is not None else query
        query = query.where(sheets.c.name == sheet) if sheet is not None else query
        with self.look() as connection:
            rows = rows_of(connection, query)
            jobs = rows_of(
                connection,
                sa
                .select(runs.c.id, runs.c.promise_id)
                .where(runs.c.promise_id.is_not(None), still_counts(runs.c.id))
                .order_by(runs.c.at, runs.c.id),
            )
        by_promise: dict[str, list[str]] = {}
        for job in jobs:
            by_promise.setdefault(job["promise_id"], []).append(job["id"])
        return tuple(_promise_entry(row, by_promise.get(row["id"], [])) for row in rows)


def check_promise(
    connection: sa.Connection,
    promise_id: str | None,
    pair: tuple[str, str],
    setting: Setting | None = None,
) -> None:
    """Check that a promise is in the logbook, for this pair of ids, and of this setting.

    Raises LogbookError when it isn't.
    """
    if promise_id is None:
        return
    row = one_row(connection, sa.select(promises).where(promises.c.id == promise_id))
    if row is None or (row["machine_id"], row["sheet_id"]) != pair:
        raise LogbookError(
            f"There is no promise {promise_id!r} for this machine and sheet in the logbook: list"
            " the promises, or leave it out."
        )
    if setting is not None and setting_from(row) != setting:
        raise LogbookError(
            f"Promise {promise_id!r} is of {row['power_pct']:g} % and {row['speed_mm_s']:g} mm/s,"
            f" not of {setting.power_pct:g} % and {setting.speed_mm_s:g} mm/s: leave it out, or"
            " settle on what was promised."
        )


def promise_row(promise: Promise, pair: tuple[str, str], at: str, lot: str) -> dict[str, Any]:
    """Write a promise as a row; the pair is the ids of machine and sheet."""
    fields = {
        field.name: getattr(promise, field.name)
        for field in dataclasses.fields(Promise)
        if field.name != "setting"
    }
    return {
        "id": stable_id("promise", *pair, at, promise),
        "machine_id": pair[0],
        "sheet_id": pair[1],
        "at": at,
        "lot": lot,
        **fields,
        **dataclasses.asdict(promise.setting),
    }


def promise_from(row: Row) -> Promise:
    """Make the promise of a row."""
    names = [field.name for field in dataclasses.fields(Promise) if field.name != "setting"]
    return Promise(setting=setting_from(row), **{name: row[name] for name in names})


def setting_from(row: Row) -> Setting:
    """Make the setting of a row."""
    return Setting(**{name: row[name] for name in _SETTING})


def _promise_entry(row: Row, jobs: Sequence[str]) -> PromiseEntry:
    return PromiseEntry(
        id=row["id"],
        promise=promise_from(row),
        machine=row["machine"],
        sheet=row["sheet"],
        lot=row["lot"],
        at=read_time(row["at"]),
        jobs=tuple(jobs),
    )
