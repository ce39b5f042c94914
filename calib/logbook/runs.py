"""Jobs and check strips: burns that no planned board holds."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from calib.errors import InvalidRecord
from calib.logbook.coding import check_text, stable_id, write_time
from calib.logbook.entries import Sitting
from calib.logbook.machines import note_sitting
from calib.logbook.promises import check_promise
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_machine,
    find_sheet,
    is_new,
)
from calib.logbook.tables import run_burns, runs
from calib.records import Burn


class Runs(Room):
    """The jobs and check strips of a logbook."""

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

        Raises LogbookError when machine, sheet or promise aren't in the logbook; InvalidRecord when
        there are no burns, or of mixed or board source.
        """
        at = write_time(when)
        check_text("note", note)
        kind = kind_of(burns)
        with self.change() as connection:
            found = find_machine(connection, machine)
            sheet_row = find_sheet(connection, sheet)
            check_promise(connection, promise_id, (found["id"], sheet_row["id"]))
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
            if is_new(connection, runs, row["id"]):
                for label in sorted({burn.sitting for burn in burns if burn.sitting}):
                    note_sitting(connection, found, at, Sitting(label=label))
                _add_run(connection, row, burns)
        return str(row["id"])


def kind_of(burns: Sequence[Burn]) -> str:
    """Tell a job from a check strip; refuse what is neither."""
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


# The lot stands with the run.
_COLUMNS = tuple(field.name for field in dataclasses.fields(Burn) if field.name != "lot")


def burn_from(row: Row) -> Burn:
    """Make the burn of a row of a job or check strip."""
    return Burn(**{name: row[name] for name in _COLUMNS})


def _add_run(connection: sa.Connection, row: Row, burns: Sequence[Burn]) -> None:
    about = {"machine_id": row["machine_id"], "sheet_id": row["sheet_id"]}
    change = add_change(connection, row["kind"], row["at"], [row["id"]], **about)
    connection.execute(runs.insert().values(**row, change_id=change))
    connection.execute(
        run_burns.insert(),
        [
            {"run_id": row["id"], "position": position}
            | {name: getattr(burn, name) for name in _COLUMNS}
            for position, burn in enumerate(burns)
        ],
    )
