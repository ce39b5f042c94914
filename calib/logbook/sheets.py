"""Sheets with dated lots and measured thickness."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.coding import (
    check_text,
    material_key,
    read_time,
    stable_id,
    write_record,
    write_time,
)
from calib.logbook.entries import SheetEntry
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_sheet,
    last_of,
    lock_name,
    rows_of,
    sheet_from,
)
from calib.logbook.tables import sheet_versions, sheets
from calib.records import Sheet

# Two thicknesses are the same sheet's when they differ by no more [mm]: 1/8 in and 3.2 mm are.
SAME_THICKNESS_MM = 0.05


class Sheets(Room):
    """The sheets of a logbook."""

    def add_sheet(self, sheet: Sheet, *, when: datetime, note: str = "") -> None:
        """Take a sheet into the logbook, or a new lot or measurement of one that is there.

        Raises LogbookError when a sheet of that name is of another material or nominal thickness.
        """
        at = write_time(when)
        check_text("note", note)
        with self.change() as connection:
            lock_name(connection, sheets, sheet.name)
            known = sa.select(sheets.c.id).where(sheets.c.name == sheet.name)
            if connection.execute(known).scalar() is None:
                _add_first(connection, sheet, at, note)
                return
            current = find_sheet(connection, sheet.name)
            if current["sheet"] == sheet:
                return
            _check_same_stuff(current["sheet"], sheet)
            add_version(connection, current, sheet, at, note)

    def sheet(self, name: str) -> Sheet:
        """Look a sheet up.

        Raises LogbookError when there is none.
        """
        with self.look() as connection:
            found: Sheet = find_sheet(connection, name)["sheet"]
        return found

    def sheets(
        self, *, material: str | None = None, thickness_mm: float | None = None
    ) -> tuple[Sheet, ...]:
        """List the sheets as they are now, by name."""
        query = (
            sa
            .select(sheets.c.name, sheet_versions.c.record)
            .join(sheet_versions, sheet_versions.c.sheet_id == sheets.c.id)
            .where(last_of(sheet_versions, "sheet_id"))
            .order_by(sheets.c.name)
        )
        if material is not None:
            query = query.where(sheets.c.material_key == material_key(material))
        with self.look() as connection:
            found = [sheet_from(row) for row in rows_of(connection, query)]
        return tuple(s for s in found if thickness_mm is None or _is_as_thick(s, thickness_mm))

    def lots(self, name: str) -> tuple[SheetEntry, ...]:
        """List every lot and measurement that a sheet has had, oldest first.

        Raises LogbookError when there is no such sheet.
        """
        with self.look() as connection:
            sheet = find_sheet(connection, name)
            query = sa.select(sheet_versions).where(sheet_versions.c.sheet_id == sheet["id"])
            rows = rows_of(connection, query.order_by(sheet_versions.c.turn))
        return tuple(
            SheetEntry(
                sheet=sheet_from({**row, "name": name}),
                since=read_time(row["since"]),
                note=row["note"],
            )
            for row in rows
        )


def _is_as_thick(sheet: Sheet, thickness_mm: float) -> bool:
    known = (sheet.thickness_mm, sheet.working_thickness_mm)
    # The small rest is for the rounding of decimal fractions.
    return any(abs(value - thickness_mm) <= SAME_THICKNESS_MM + 1e-9 for value in known)


def _check_same_stuff(known: Sheet, given: Sheet) -> None:
    same = material_key(known.material) == material_key(given.material)
    if not same or known.thickness_mm != given.thickness_mm:
        raise LogbookError(
            f"Sheet {given.name!r} is {known.material}, {known.thickness_mm:g} mm in the logbook,"
            f" not {given.material}, {given.thickness_mm:g} mm: give this one another name (a new"
            " lot or measurement of the same sheet keeps it)."
        )


def _add_first(connection: sa.Connection, sheet: Sheet, at: str, note: str) -> None:
    sheet_id = stable_id("sheet", at, sheet)
    change = add_change(connection, "sheet", at, [sheet_id], sheet_id=sheet_id)
    connection.execute(
        sheets.insert().values(
            id=sheet_id,
            name=sheet.name,
            material=sheet.material,
            material_key=material_key(sheet.material),
            thickness_mm=sheet.thickness_mm,
            change_id=change,
        )
    )
    row = _version_row(sheet_id, sheet, at, note)
    connection.execute(sheet_versions.insert().values(**row, turn=1, change_id=change))


def add_version(
    connection: sa.Connection,
    current: Row,
    sheet: Sheet,
    at: str,
    note: str,
    undoes: str | None = None,
) -> None:
    """Add the version that follows ``current`` (from `find_sheet`)."""
    row = _version_row(current["id"], sheet, at, note, follows=current["version_id"])
    change = add_change(
        connection, "lot", at, [str(row["id"])], sheet_id=current["id"], why=note, undoes=undoes
    )
    connection.execute(
        sheet_versions.insert().values(**row, turn=current["turn"] + 1, change_id=change)
    )


def _version_row(
    sheet_id: str, sheet: Sheet, at: str, note: str, follows: str | None = None
) -> dict[str, object]:
    return {
        "id": stable_id("sheet version", sheet_id, follows, at, note, sheet),
        "sheet_id": sheet_id,
        "since": at,
        "note": note,
        "lot": sheet.lot,
        "measured_mm": sheet.measured_mm,
        "record": write_record(sheet),
        "follows": follows,
    }
