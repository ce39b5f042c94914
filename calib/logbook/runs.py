"""Jobs, check strips, promises and settled settings: what is known beside the boards."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.coding import check_text, read_time, stable_id, write_time
from calib.logbook.entries import PromiseEntry, Settled, Sitting
from calib.logbook.machines import note_sitting
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
    still_counts,
)
from calib.logbook.tables import (
    machines,
    promises,
    run_burns,
    runs,
    settled,
    sheet_versions,
    sheets,
)
from calib.records import OPERATIONS, Burn, Operation, Promise, Setting

_SETTING = tuple(field.name for field in dataclasses.fields(Setting))


class Runs(Room):
    """The jobs, check strips, promises and settled settings of a logbook."""

    def add_promise(self, promise: Promise, *, machine: str, sheet: str, when: datetime) -> str:
        """Store a promise, before its results can come in; the same one again adds nothing.

        Parameters
        ----------
        promise
            What is promised.
        machine, sheet
            Names of the pair.
        when
            When it is made.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        LogbookError
            When machine or sheet aren't in the logbook.
        """
        at = write_time(when)
        with self._write() as connection:
            machine_id, sheet_row = _pair(connection, machine, sheet)
            sheet_id = sheet_row["id"]
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
        """List promises, newest first, with the jobs that were run on them since.

        Parameters
        ----------
        machine, sheet
            Only those of this machine, of this sheet; None for all.

        Returns
        -------
        tuple of PromiseEntry
            May be empty.
        """
        query = (
            sa
            .select(promises, machines.c.name.label("machine"), sheets.c.name.label("sheet"))
            .join(machines, machines.c.id == promises.c.machine_id)
            .join(sheets, sheets.c.id == promises.c.sheet_id)
            .order_by(promises.c.at.desc(), promises.c.id)
        )
        query = query.where(machines.c.name == machine) if machine is not None else query
        query = query.where(sheets.c.name == sheet) if sheet is not None else query
        with self._read() as connection:
            rows = rows_of(connection, query)
            jobs = rows_of(
                connection,
                sa
                .select(runs.c.id, runs.c.promise_id)
                .where(runs.c.promise_id.is_not(None))
                .order_by(runs.c.at, runs.c.id),
            )
        by_promise: dict[str, list[str]] = {}
        for job in jobs:
            by_promise.setdefault(job["promise_id"], []).append(job["id"])
        return tuple(_promise_entry(row, by_promise.get(row["id"], [])) for row in rows)

    def add_job(
        self,
        machine: str,
        sheet: str,
        burns: Sequence[Burn],
        *,
        when: datetime,
        note: str = "",
        promise_id: str | None = None,
    ) -> str:
        """Take down a job or a check strip that was run; the same one again adds nothing.

        Parameters
        ----------
        machine, sheet
            Names of the pair.
        burns
            What came out: all with source ``job``, or all with source ``check_strip``.
        when
            When it was run.
        note
            The user's own words.
        promise_id
            The promise it was run on.

        Returns
        -------
        str
            Id of the job.

        Raises
        ------
        LogbookError
            When machine, sheet or promise aren't in the logbook.
        InvalidRecord
            When there are no burns, or of mixed or board source.
        """
        at = write_time(when)
        check_text("note", note)
        kind = _kind_of(burns)
        with self._write() as connection:
            found = find_machine(connection, machine)
            sheet_row = find_sheet(connection, sheet)
            _check_promise(connection, promise_id, (found["id"], sheet_row["id"]))
            row = {
                "id": stable_id("run", found["id"], sheet_row["id"], at, list(burns)),
                "kind": kind,
                "machine_id": found["id"],
                "sheet_id": sheet_row["id"],
                "setup_id": found["setup_id"],
                "promise_id": promise_id,
                "at": at,
                "operation": burns[0].operation,
                "lot": sheet_row["lot"],
                "sitting": next((burn.sitting for burn in burns if burn.sitting), ""),
                "note": note,
            }
            if _is_new_run(connection, row["id"]):
                for label in sorted({burn.sitting for burn in burns if burn.sitting}):
                    note_sitting(connection, found, at, Sitting(label=label))
                _add_run(connection, row, burns)
        return str(row["id"])

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

        Parameters
        ----------
        machine, sheet, operation
            What it is for.
        setting
            What is typed at the machine.
        when
            When it was settled.
        promise_id
            The promise that it rests on.
        note
            The user's own words.

        Raises
        ------
        LogbookError
            When machine, sheet or promise aren't in the logbook.
        """
        at = write_time(when)
        check_text("note", note)
        if operation not in OPERATIONS:
            raise InvalidRecord(f"operation is {operation!r}: give one of {', '.join(OPERATIONS)}.")
        with self._write() as connection:
            machine_id, sheet_row = _pair(connection, machine, sheet, to_write=True)
            _check_promise(connection, promise_id, (machine_id, sheet_row["id"]), setting)
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
        """Look up the settings that were settled on.

        Parameters
        ----------
        machine, sheet, operation
            Only those of this machine, sheet, operation; None for all.

        Returns
        -------
        tuple of Settled
            The current ones, by machine, sheet and operation; may be empty.
        """
        names = {machines.c.name: machine, sheets.c.name: sheet, settled.c.operation: operation}
        wanted = [column == value for column, value in names.items() if value is not None]
        with self._read() as connection:
            rows = rows_of(connection, _settled_query().where(*wanted))
            if not rows and machine is not None:
                find_machine(connection, machine)
            if not rows and sheet is not None:
                find_sheet(connection, sheet)
        return tuple(_settled_from(row) for row in rows)


def _pair(
    connection: sa.Connection, machine: str, sheet: str, *, to_write: bool = False
) -> tuple[str, Row]:
    if to_write:
        lock_name(connection, sheets, sheet)
    return find_machine(connection, machine)["id"], find_sheet(connection, sheet)


def _check_promise(
    connection: sa.Connection,
    promise_id: str | None,
    pair: tuple[str, str],
    setting: Setting | None = None,
) -> None:
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


def _kind_of(burns: Sequence[Burn]) -> str:
    kinds = {burn.source for burn in burns}
    if kinds not in ({"job"}, {"check_strip"}):
        raise InvalidRecord(
            f"the burns are of source {', '.join(sorted(kinds)) or 'none'}: give at least one burn,"
            " all of source job, or all of check_strip."
        )
    operations = {burn.operation for burn in burns}
    if len(operations) > 1:
        raise InvalidRecord(
            f"the burns are of operations {', '.join(sorted(operations))}: add one job for each."
        )
    return kinds.pop()


def _is_new_run(connection: sa.Connection, run_id: str) -> bool:
    known = sa.select(runs.c.id, still_counts(runs.c.id).label("counts"))
    row = one_row(connection, known.where(runs.c.id == run_id))
    if row is not None and not row["counts"]:
        raise LogbookError("This very job was taken back: give the time at which it is added anew.")
    return row is None


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


def burn_from(row: Row) -> Burn:
    """Make the burn of a row of a job or check strip."""
    return Burn(**{field.name: row[field.name] for field in dataclasses.fields(Burn)})


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


def _add_run(connection: sa.Connection, row: Row, burns: Sequence[Burn]) -> None:
    about = {"machine_id": row["machine_id"], "sheet_id": row["sheet_id"]}
    change = add_change(connection, row["kind"], row["at"], [row["id"]], **about)
    connection.execute(runs.insert().values(**row, change_id=change))
    connection.execute(
        run_burns.insert(),
        [
            {"run_id": row["id"], "position": position, **dataclasses.asdict(burn)}
            for position, burn in enumerate(burns)
        ],
    )


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
    )
