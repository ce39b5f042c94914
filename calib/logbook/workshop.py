"""Machines with their set-ups and sessions, sheets with their lots."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, get_args

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.bodies import Lot, Session, SetUp, SetupChange, body_of
from calib.logbook.coding import material_key, read_time
from calib.logbook.entries import SetupEntry, SheetEntry
from calib.logbook.ledger import Entry
from calib.logbook.room import Room, Thing, View
from calib.records import Machine, Sheet

# What burns name along the way is no further thing to be undone.
NAMED = "named "


class Workshop(Room):
    """The machines and sheets of a logbook."""

    def add_machine(self, machine: Machine, *, when: datetime, why: str = "") -> None:
        """Add a machine; the same one again adds nothing."""
        with self.saying(when, why=why) as view:
            known = view.names.machines.get(machine.name)
            if known is None:
                view.say(view.entry("machine", SetUp(machine=machine), why=why))
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
        with self.saying(when, why=why) as view:
            thing = view.names.machine(name)
            known = thing.machine
            kept = {field.name: getattr(known, field.name) for field in dataclasses.fields(known)}
            if changed.get("source", known.source) != known.source:
                # What was only assumed of the other source isn't carried over.
                assumed = known.usual.items()
                kept = {n: v for n, v in kept.items() if (n, v) not in assumed}
            machine = Machine(**kept | changed)
            said = view.entry(
                "setup", SetUp(machine=machine, what=what), why=why, replaces=_standing(thing),
                about=thing.id, machine=thing.id, slot="set-up",
            )  # fmt: skip
            view.say(said)
        return machine

    def machine(self, name: str) -> Machine:
        """Look a machine up; LogbookError when there is none."""
        with self.looking() as view:
            return view.names.machine(name).machine

    def machines(self) -> tuple[Machine, ...]:
        """List the machines with their current set-ups, by name."""
        with self.looking() as view:
            return tuple(thing.machine for _, thing in sorted(view.names.machines.items()))

    def setups(self, name: str) -> tuple[SetupEntry, ...]:
        """List every set-up that a machine has had, oldest first; LogbookError without it."""
        with self.looking() as view:
            thing = view.names.machine(name)
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
        with self.saying(when, why=why) as view:
            thing = view.names.sheets.get(sheet.name)
            if thing is None:
                view.say(view.entry("sheet", Lot(sheet=sheet), why=why))
            elif thing.sheet != sheet:
                known = thing.sheet
                if not same_stuff(known, sheet):
                    raise LogbookError(
                        f"Sheet {sheet.name!r} is {known.material}, {known.thickness_mm:g} mm in"
                        f" the logbook, not {sheet.material}, {sheet.thickness_mm:g} mm: give this"
                        " one another name (a new lot or measurement of the same sheet keeps it)."
                    )
                said = view.entry(
                    "lot", Lot(sheet=sheet), why=why, replaces=_standing(thing),
                    about=thing.id, sheet=thing.id, slot="lot",
                )  # fmt: skip
                view.say(said)

    def sheet(self, name: str) -> Sheet:
        """Look a sheet up; LogbookError when there is none."""
        with self.looking() as view:
            return view.names.sheet(name).sheet

    def sheets(self) -> tuple[Sheet, ...]:
        """List the sheets as they are now, by name."""
        with self.looking() as view:
            return tuple(thing.sheet for _, thing in sorted(view.names.sheets.items()))

    def lots(self, name: str) -> tuple[SheetEntry, ...]:
        """List every lot and measurement of a sheet, oldest first; LogbookError without it."""
        with self.looking() as view:
            thing = view.names.sheet(name)
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
        with self.saying(when, why=why) as view:
            thing = view.names.machine(machine)
            known = _described(view, thing, session.label)
            said = [body_of(entry) for entry in known]
            if said == [session] or (said and session == Session(label=session.label)):
                return
            if not why and any(one != Session(label=session.label) for one in said):
                raise LogbookError(
                    f"A session {session.label!r} of {machine!r} is described otherwise in the"
                    " logbook: give this one another label, or say why it is corrected."
                )
            view.say(_session(view, thing, session, why, known))

    def sessions(self, machine: str) -> tuple[Session, ...]:
        """List the sessions of a machine, oldest first; without details where two are told."""
        with self.looking() as view:
            ids = view.names.machine(machine).ids
            every = view.read(kind="session", about=ids, earlier=True)
        found: dict[str, list[Session]] = {entry.slot: [] for entry in every}
        for entry in every:
            if entry.stands and (said := body_of(entry)) not in found[entry.slot]:
                found[entry.slot].append(said)
        return tuple(
            said[0] if len(said) == 1 else Session(label=said[0].label)
            for said in found.values()
            if said
        )


def say_sessions(view: View, machine: Thing, labels: Iterable[str]) -> None:
    """Add the sessions that burns name and nobody has described yet; they outlast an undo."""
    new = [
        _session(view, machine, Session(label=label))
        for label in sorted(set(labels) - {""})
        if not _described(view, machine, label)
    ]
    view.say(*new, batch=f"{NAMED}{view.at}")


def _standing(thing: Thing) -> Iterable[str]:
    """What a change of set-up or lot answers: all that stands."""
    return (entry.id for entry in thing.versions if entry.stands)


def _described(view: View, machine: Thing, label: str) -> list[Entry]:
    return view.read(kind="session", about=machine.ids, slot=f"session {label}")


def _session(
    view: View, machine: Thing, session: Session, why: str = "", known: Sequence[Entry] = ()
) -> Entry:
    return view.entry(
        "session", session, why=why, replaces=(entry.id for entry in known),
        about=machine.id, machine=machine.id, slot=f"session {session.label}",
    )  # fmt: skip


def same_stuff(one: Sheet, other: Sheet) -> bool:
    """Say whether two sheets are of one material and nominal thickness."""
    same = material_key(one.material) == material_key(other.material)
    return same and one.thickness_mm == other.thickness_mm
