"""Machines with their set-ups and sessions, sheets with their lots."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, get_args

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import ledger
from calib.logbook.bodies import Lot, Session, SetUp, SetupChange, body_of
from calib.logbook.coding import material_key, read_time
from calib.logbook.entries import SetupEntry, SheetEntry
from calib.logbook.ledger import Entry, among, entries
from calib.logbook.room import (
    Room,
    Thing,
    entry_of,
)
from calib.records import Machine, Sheet

# Two thicknesses are the same sheet's when they differ by no more [mm]: 1/8 in and 3.2 mm are.
SAME_THICKNESS_MM = 0.05
# What burns name along the way is no further thing to be undone.
NAMED = "named "


class Workshop(Room):
    """The machines and sheets of a logbook."""

    def add_machine(self, machine: Machine, *, when: datetime, why: str = "") -> None:
        """Add a machine; the same one again adds nothing."""
        with self.saying(when, why=why) as (connection, directory, at):
            known = directory.machines.get(machine.name)
            if known is None:
                self.say(connection, [entry_of("machine", SetUp(machine=machine), at, why=why)])
            elif known.machine != machine:
                raise LogbookError(
                    f"A machine {machine.name!r} with another set-up is in the logbook: change its"
                    " set-up, or give this one another name."
                )

    def change_setup(
        self, name: str, /, *, when: datetime, what: SetupChange, why: str = "", **changed: Any
    ) -> Machine:
        """Record a change of a machine; the earlier set-up stays in the book."""
        choices = [word for word in get_args(SetupChange) if word != "first"]
        if what not in choices:
            raise InvalidRecord(f"what is {what!r}: give one of {', '.join(choices)}.")
        fields = {field.name for field in dataclasses.fields(Machine)} - {"name"}
        if wrong := sorted(set(changed) - fields):
            raise InvalidRecord(
                f"a set-up has no field {wrong[0]!r}: give one of {sorted(fields)}."
            )
        with self.saying(when, why=why) as (connection, directory, at):
            thing = directory.machine(name)
            known = thing.machine
            kept = {field.name: getattr(known, field.name) for field in dataclasses.fields(known)}
            if changed.get("source", known.source) != known.source:
                # What was only assumed of the other source isn't carried over.
                assumed = known.usual.items()
                kept = {n: v for n, v in kept.items() if (n, v) not in assumed}
            machine = Machine(**kept | changed)
            setup = SetUp(machine=machine, what=what)
            said = entry_of(
                "setup", setup, at, why=why, replaces=_heads(thing), about=thing.id,
                machine=thing.id, slot="set-up",
            )  # fmt: skip
            self.say(connection, [said])
        return machine

    def machine(self, name: str) -> Machine:
        """Look a machine up; LogbookError when there is none."""
        with self.looking() as (_, directory):
            return directory.machine(name).machine

    def machines(self) -> tuple[Machine, ...]:
        """List the machines with their current set-ups, by name."""
        with self.looking() as (_, directory):
            found = directory.machines
        return tuple(found[name].machine for name in sorted(found))

    def setups(self, name: str) -> tuple[SetupEntry, ...]:
        """List every set-up that a machine has had, oldest first; LogbookError without it."""
        with self.looking() as (connection, directory):
            thing = directory.machine(name)
        return tuple(
            SetupEntry(
                id=entry.id,
                machine=thing.machine_at(entry),
                what=body_of(entry).what,
                since=read_time(entry.at),
                note=entry.why,
            )
            for entry in thing.versions
        )

    def add_sheet(self, sheet: Sheet, *, when: datetime, why: str = "") -> None:
        """Add a sheet, or a new lot or measurement of one that is there."""
        with self.saying(when, why=why) as (connection, directory, at):
            said = entry_of("sheet", Lot(sheet=sheet), at, why=why)
            thing = directory.sheets.get(sheet.name)
            if thing is not None:
                known = thing.sheet
                if known == sheet:
                    return
                check_same_stuff(known, sheet)
                said = dataclasses.replace(
                    said, kind="lot", about=thing.id, sheet=thing.id, slot="lot",
                    replaces=tuple(sorted(_heads(thing))),
                )  # fmt: skip
            self.say(connection, [said])

    def sheet(self, name: str) -> Sheet:
        """Look a sheet up; LogbookError when there is none."""
        with self.looking() as (_, directory):
            return directory.sheet(name).sheet

    def sheets(
        self, *, material: str | None = None, thickness_mm: float | None = None
    ) -> tuple[Sheet, ...]:
        """List the sheets as they are now, by name."""
        with self.looking() as (_, directory):
            found = directory.sheets
        sheets = (found[name].sheet for name in sorted(found))
        return tuple(
            sheet
            for sheet in sheets
            if (material is None or material_key(sheet.material) == material_key(material))
            and (thickness_mm is None or is_as_thick(sheet, thickness_mm))
        )

    def lots(self, name: str) -> tuple[SheetEntry, ...]:
        """List every lot and measurement of a sheet, oldest first; LogbookError without it."""
        with self.looking() as (connection, directory):
            thing = directory.sheet(name)
        return tuple(
            SheetEntry(
                id=entry.id,
                sheet=thing.sheet_at(entry),
                since=read_time(entry.at),
                note=entry.why,
            )
            for entry in thing.versions
        )

    def add_session(self, machine: str, session: Session, *, when: datetime, why: str = "") -> None:
        """Describe a session, before or after its burns; an earlier description stays."""
        with self.saying(when, why=why) as (connection, directory, at):
            thing = directory.machine(machine)
            known = _described(connection, thing, session.label)
            said = [body_of(entry) for entry in known]
            if said == [session] or (said and session == Session(label=session.label)):
                return
            if not why and any(one != Session(label=session.label) for one in said):
                raise LogbookError(
                    f"A session {session.label!r} of {machine!r} is described otherwise in the"
                    " logbook: give this one another label, or say why it is corrected."
                )
            self.say(connection, [_session(thing, session, at, why, known)])

    def sessions(self, machine: str) -> tuple[Session, ...]:
        """List the sessions of a machine, oldest first; without details where two are told."""
        with self.looking() as (connection, directory):
            thing = directory.machine(machine)
            every = ledger.read(
                connection,
                entries.c.kind == "session",
                among(connection, entries.c.about, thing.ids),
                all=True,
            )
        found: dict[str, list[Session]] = {}
        for entry in every:
            if entry.is_valid:
                found.setdefault(entry.slot, [])
        for entry in every:
            if entry.stands and (said := body_of(entry)) not in found[entry.slot]:
                found[entry.slot].append(said)
        return tuple(
            said[0] if len(said) == 1 else Session(label=said[0].label)
            for said in found.values()
            if said
        )

    def say_sessions(
        self, connection: sa.Connection, machine: Thing, labels: Iterable[str], at: str
    ) -> None:
        """Add the sessions that burns name and nobody has described yet; they outlast an undo."""
        new = [
            _session(machine, Session(label=label), at)
            for label in sorted(set(labels) - {""})
            if not _described(connection, machine, label)
        ]
        self.say(connection, new, batch=f"{NAMED}{at}")


def _heads(thing: Thing) -> Iterable[str]:
    """What a change of set-up or lot answers: all that stands."""
    return (entry.id for entry in thing.versions if entry.stands)


def _described(connection: sa.Connection, machine: Thing, label: str) -> list[Entry]:
    return ledger.read(
        connection,
        entries.c.kind == "session",
        among(connection, entries.c.about, machine.ids),
        entries.c.slot == f"session {label}",
    )


def _session(
    machine: Thing, session: Session, at: str, why: str = "", known: Sequence[Entry] = ()
) -> Entry:
    return entry_of(
        "session", session, at, why=why, replaces=(entry.id for entry in known),
        about=machine.id, machine=machine.id, slot=f"session {session.label}",
    )  # fmt: skip


def is_as_thick(sheet: Sheet, thickness_mm: float) -> bool:
    """Say whether a sheet is of a thickness, nominal or measured."""
    known = (sheet.thickness_mm, sheet.working_thickness_mm)
    # The small rest is for the rounding of decimal fractions.
    return any(abs(value - thickness_mm) <= SAME_THICKNESS_MM + 1e-9 for value in known)


def check_same_stuff(known: Sheet, given: Sheet) -> None:
    """Refuse a lot of another material or nominal thickness."""
    same = material_key(known.material) == material_key(given.material)
    if not same or known.thickness_mm != given.thickness_mm:
        raise LogbookError(
            f"Sheet {given.name!r} is {known.material}, {known.thickness_mm:g} mm in the logbook,"
            f" not {given.material}, {given.thickness_mm:g} mm: give this one another name (a new"
            " lot or measurement of the same sheet keeps it)."
        )
