"""Machines with their set-ups and sessions, sheets with their lots."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Any, get_args

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.bodies import Lot, Session, SetUp, SetupChange, body_of
from calib.logbook.coding import material_key, read_time
from calib.logbook.entries import SetupEntry, SheetEntry
from calib.logbook.ledger import Entry
from calib.logbook.room import Room
from calib.records import Machine, Sheet
from calib.texts.say import say


class Workshop(Room):
    """The machines and sheets of a logbook."""

    def add_machine(self, machine: Machine, *, when: datetime, why: str = "") -> None:
        """Add a machine; the same one again adds nothing."""
        with self.saying(when) as view:
            known = view.names.machines.get(machine.name)
            if known is None:
                view.add(view.entry("machine", SetUp(machine=machine), why=why))
            elif known.record != machine:
                raise LogbookError(say("logbook.machine_with_another_set_up", machine=machine))

    def change_setup(
        self, name: str, /, *, when: datetime, what: SetupChange, why: str = "", **changed: Any
    ) -> Machine:
        """Record a change of a machine; the earlier set-up stays in the book."""
        choices = [word for word in get_args(SetupChange) if word != "first"]
        if what not in choices:
            may = ", ".join(choices)
            raise InvalidRecord(say("logbook.what_is_give_one", what=what, choices=may))
        fields = {field.name for field in dataclasses.fields(Machine)}
        if wrong := sorted(set(changed) - (fields - {"name"})):
            others = sorted(fields - {"name"})
            raise InvalidRecord(say("logbook.set_up_has_no_field", wrong=wrong, fields=others))
        with self.saying(when) as view:
            thing = view.names.machine(name)
            known = thing.record
            kept = {field: getattr(known, field) for field in fields}
            if changed.get("source", known.source) != known.source:
                # What was only assumed of the other source isn't carried over.
                assumed = known.usual.items()
                kept = {n: v for n, v in kept.items() if (n, v) not in assumed}
            machine = Machine(**kept | changed)
            about = {"about": thing.id, "machine": thing.id, "slot": "set-up"}
            body = SetUp(machine=machine, what=what)
            view.add(view.entry("setup", body, why=why, replaces=thing.standing, **about))
        return machine

    def machine(self, name: str) -> Machine:
        """Look a machine up; LogbookError when there is none."""
        with self.looking() as view:
            return view.names.machine(name).record

    def machines(self) -> tuple[Machine, ...]:
        """List the machines with their current set-ups, by name."""
        with self.looking() as view:
            return tuple(thing.record for _, thing in sorted(view.names.machines.items()))

    def setups(self, name: str) -> tuple[SetupEntry, ...]:
        """List every set-up that a machine has had, oldest first; LogbookError without it."""
        with self.looking() as view:
            thing = view.names.machine(name)
        return tuple(
            SetupEntry(
                id=entry.id,
                machine=thing.at(entry),
                what=body_of(entry).what,
                since=read_time(entry.at),
                note=entry.why,
            )
            for entry in thing.versions
        )

    def add_sheet(self, sheet: Sheet, *, when: datetime, why: str = "") -> None:
        """Add a sheet, or a new lot or measurement of one that is there."""
        with self.saying(when) as view:
            thing = view.names.sheets.get(sheet.name)
            if thing is None:
                view.add(view.entry("sheet", Lot(sheet=sheet), why=why))
            elif thing.record != sheet:
                known = thing.record
                if not same_stuff(known, sheet):
                    raise LogbookError(say("logbook.sheet_is_in_logbook", sheet=sheet, known=known))
                about = {"about": thing.id, "sheet": thing.id, "slot": "lot"}
                body = Lot(sheet=sheet)
                view.add(view.entry("lot", body, why=why, replaces=thing.standing, **about))

    def sheet(self, name: str) -> Sheet:
        """Look a sheet up; LogbookError when there is none."""
        with self.looking() as view:
            return view.names.sheet(name).record

    def sheets(self) -> tuple[Sheet, ...]:
        """List the sheets as they are now, by name."""
        with self.looking() as view:
            return tuple(thing.record for _, thing in sorted(view.names.sheets.items()))

    def lots(self, name: str) -> tuple[SheetEntry, ...]:
        """List every lot and measurement of a sheet, oldest first; LogbookError without it."""
        with self.looking() as view:
            thing = view.names.sheet(name)
        return tuple(
            SheetEntry(
                id=entry.id, sheet=thing.at(entry), since=read_time(entry.at), note=entry.why
            )
            for entry in thing.versions
        )

    def add_session(self, machine: str, session: Session, *, when: datetime, why: str = "") -> None:
        """Describe a session, before or after its burns; an earlier description stays."""
        with self.saying(when) as view:
            thing = view.names.machine(machine)
            about = {"about": thing.id, "machine": thing.id, "slot": f"session {session.label}"}
            known = view.read(kind="session", about=thing.ids, slot=about["slot"])
            said, bare = [body_of(entry) for entry in known], Session(label=session.label)
            if said == [session] or (said and session == bare):
                return
            if not why and any(one != bare for one in said):
                other = say(
                    "logbook.session_of_is_described_otherwise", session=session, machine=machine
                )
                raise LogbookError(other)
            replaces = (entry.id for entry in known)
            view.add(view.entry("session", session, why=why, replaces=replaces, **about))

    def sessions(self, machine: str) -> tuple[Session, ...]:
        """List the sessions that were described or that burns name, oldest first.

        Without details where two are told, or none.
        """
        with self.looking() as view:
            kinds = ("session", "look", "job", "check_strip")
            ids = view.names.machine(machine).ids
            every = view.read(kind=kinds, machine=ids, earlier=True)
        found: dict[str, list[Session]] = {}
        for entry in sorted(every, key=lambda one: one.at):
            for label in sessions_of(entry):
                ways = found.setdefault(label, [])
                if entry.kind == "session" and entry.stands:
                    said: Session = body_of(entry)
                    ways += [said] if said not in (*ways, Session(label=label)) else []
        return tuple(
            said[0] if len(said) == 1 else Session(label=label) for label, said in found.items()
        )


def sessions_of(entry: Entry) -> list[str]:
    """Labels of the sessions that an entry describes or its burns name."""
    if entry.kind == "session":
        return [entry.body["label"]]
    burns = entry.body.get("burns", [entry.body])
    return [label for burn in burns if (label := burn.get("session", ""))]


def same_stuff(one: Sheet, other: Sheet) -> bool:
    """Say whether two sheets are of one material and nominal thickness."""
    same = material_key(one.material) == material_key(other.material)
    return same and one.thickness_mm == other.thickness_mm
