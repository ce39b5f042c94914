"""Machines with dated set-ups, and sittings."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Any, get_args

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.coding import check_text, read_time, stable_id, write_record, write_time
from calib.logbook.entries import SetupChange, SetupEntry, Sitting, Support
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_machine,
    last_of,
    lock_name,
    machine_from,
    one_row,
    rows_of,
)
from calib.logbook.tables import machines, setups, sittings
from calib.records import Machine

# Further from focus than any bed moves.
_MOST_FOCUS_MM = 1000.0
_DETAILS = ("focus_mm", "air", "lens_cleaned", "support", "masked", "note")


class Machines(Room):
    """The machines of a logbook."""

    def add_machine(self, machine: Machine, *, when: datetime, note: str = "") -> None:
        """Take a machine into the logbook; the same one again adds nothing.

        Raises LogbookError when there is another machine of that name.
        """
        at = write_time(when)
        check_text("note", note)
        with self.change() as connection:
            known = sa.select(machines.c.id).where(machines.c.name == machine.name)
            if connection.execute(known).scalar() is None:
                add_first_setup(connection, machine, at, note)
            elif find_machine(connection, machine.name)["machine"] != machine:
                raise LogbookError(
                    f"A machine {machine.name!r} with another set-up is in the logbook: change its"
                    " set-up, or give this one another name."
                )

    def change_setup(
        self, name: str, /, *, when: datetime, what: SetupChange, note: str = "", **changed: Any
    ) -> Machine:
        """Take down a change of a machine; the earlier set-up stays in the book.

        Raises LogbookError, InvalidRecord when there is no such machine; when a field isn't known
        or its value not allowed.
        """
        choices = [word for word in get_args(SetupChange) if word not in ("first", "undo")]
        if what not in choices:
            raise InvalidRecord(f"what is {what!r}: give one of {', '.join(choices)}.")
        fields = {field.name for field in dataclasses.fields(Machine)} - {"name"}
        if wrong := sorted(set(changed) - fields):
            raise InvalidRecord(
                f"a set-up has no field {wrong[0]!r}: give one of {sorted(fields)}."
            )
        at = write_time(when)
        check_text("note", note)
        with self.change() as connection:
            lock_name(connection, machines, name)
            current = find_machine(connection, name)
            known: Machine = current["machine"]
            kept = {field.name: getattr(known, field.name) for field in dataclasses.fields(known)}
            if changed.get("source", known.source) != known.source:
                # What was only assumed of the other source isn't carried over.
                assumed = known.usual.items()
                kept = {n: v for n, v in kept.items() if (n, v) not in assumed}
            machine = Machine(**kept | changed)
            add_setup(connection, current, machine, at, (what, note))
        return machine

    def machine(self, name: str) -> Machine:
        """Look a machine up.

        Raises LogbookError when there is none.
        """
        with self.look() as connection:
            found: Machine = find_machine(connection, name)["machine"]
        return found

    def machines(self) -> tuple[Machine, ...]:
        """List the machines with their current set-ups, by name."""
        query = (
            sa
            .select(machines.c.name, setups.c.record)
            .join(setups, setups.c.machine_id == machines.c.id)
            .where(last_of(setups, "machine_id"))
            .order_by(machines.c.name)
        )
        with self.look() as connection:
            return tuple(machine_from(row) for row in rows_of(connection, query))

    def setups(self, name: str) -> tuple[SetupEntry, ...]:
        """List every set-up that a machine has had, oldest first.

        Raises LogbookError when there is no such machine.
        """
        with self.look() as connection:
            machine = find_machine(connection, name)
            query = sa.select(setups).where(setups.c.machine_id == machine["id"])
            rows = rows_of(connection, query.order_by(setups.c.turn))
        return tuple(
            SetupEntry(
                machine=machine_from({**row, "name": name}),
                what=row["what"],
                since=read_time(row["since"]),
                note=row["note"],
            )
            for row in rows
        )

    def add_sitting(self, machine: str, sitting: Sitting, *, when: datetime, why: str = "") -> None:
        """Describe a sitting, before or after its burns; an earlier description stays.

        Raises LogbookError when it is described otherwise and no reason is given, or there is no
        such machine.
        """
        at = write_time(when)
        check_text("sitting", sitting.label, longest=200)
        check_text("note", sitting.note)
        check_text("why", why)
        _check_sitting(sitting)
        with self.change() as connection:
            lock_name(connection, machines, machine)
            found = find_machine(connection, machine)
            if note_sitting(connection, found, at, sitting):
                return
            last = last_sitting(connection, found["id"], sitting.label)
            bare = sitting_from(last) == Sitting(label=sitting.label)
            if not bare and not why:
                raise LogbookError(
                    f"A sitting {sitting.label!r} of {machine!r} is described otherwise in the"
                    " logbook: give this one another label, or say why it is corrected."
                )
            add_description(connection, last, sitting, at, why)

    def sittings(self, machine: str) -> tuple[Sitting, ...]:
        """List the sittings of a machine, oldest first."""
        with self.look() as connection:
            found = find_machine(connection, machine)
            first = sittings.alias()
            began = (
                sa
                .select(sa.func.min(first.c.at))
                .where(first.c.machine_id == sittings.c.machine_id)
                .where(first.c.label == sittings.c.label)
                .scalar_subquery()
            )
            query = sa.select(sittings).where(
                sittings.c.machine_id == found["id"], last_of(sittings, "machine_id", "label")
            )
            rows = rows_of(connection, query.order_by(began, sittings.c.label))
        return tuple(sitting_from(row) for row in rows)


def add_first_setup(connection: sa.Connection, machine: Machine, at: str, note: str) -> str:
    """Add a machine with its first set-up; give the machine's id."""
    machine_id = stable_id("machine", at, machine)
    setup_id = stable_id("setup", machine_id, at, machine)
    change = add_change(connection, "machine", at, [machine_id], machine_id=machine_id)
    connection.execute(machines.insert().values(id=machine_id, name=machine.name, change_id=change))
    connection.execute(
        setups.insert().values(
            id=setup_id,
            machine_id=machine_id,
            what="first",
            since=at,
            note=note,
            record=write_record(machine),
            turn=1,
            change_id=change,
        )
    )
    return machine_id


def add_setup(
    connection: sa.Connection,
    current: Row,
    machine: Machine,
    at: str,
    words: tuple[str, str],
    undoes: str | None = None,
) -> None:
    """Add the set-up that follows ``current`` (from `find_machine`); words are what and note."""
    what, note = words
    row = {
        "id": stable_id("setup", current["id"], current["setup_id"], at, what, note, machine),
        "machine_id": current["id"],
        "what": what,
        "since": at,
        "note": note,
        "record": write_record(machine),
        "follows": current["setup_id"],
        "turn": current["turn"] + 1,
    }
    change = add_change(
        connection, "set-up", at, [row["id"]], machine_id=current["id"], why=note, undoes=undoes
    )
    connection.execute(setups.insert().values(**row, change_id=change))


def _check_sitting(sitting: Sitting) -> None:
    if not sitting.label:
        raise InvalidRecord("sitting.label is empty: give the sitting a label.")
    if sitting.support not in get_args(Support):
        allowed = ", ".join(word for word in get_args(Support) if word)
        raise InvalidRecord(
            f"sitting.support is {sitting.support!r}: give one of {allowed}, or nothing."
        )
    if sitting.focus_mm is not None and not abs(sitting.focus_mm) <= _MOST_FOCUS_MM:
        raise InvalidRecord(
            f"sitting.focus_mm is {sitting.focus_mm!r}: give a height within"
            f" {_MOST_FOCUS_MM:g} mm of the usual one."
        )


def sitting_from(row: Row) -> Sitting:
    """What a row says of a sitting."""
    return Sitting(label=row["label"], **{name: row[name] for name in _DETAILS})


def note_sitting(connection: sa.Connection, machine: Row, at: str, sitting: Sitting) -> bool:
    """Add a sitting unless it is there; False when another one has its label.

    A bare label, as burns carry it, agrees with any description.
    """
    same = (sittings.c.machine_id == machine["id"], sittings.c.label == sitting.label)
    query = sa.select(sittings).where(*same).order_by(sittings.c.turn.desc()).limit(1)
    row = one_row(connection, query)
    if row is not None:
        return sitting in (sitting_from(row), Sitting(label=sitting.label))
    new = {
        "id": stable_id("sitting", machine["id"], sitting),
        "machine_id": machine["id"],
        "setup_id": machine["setup_id"],
        "label": sitting.label,
        "at": at,
        "turn": 1,
        **{name: getattr(sitting, name) for name in _DETAILS},
    }
    change = add_change(connection, "sitting", at, [new["id"]], machine_id=machine["id"])
    connection.execute(sittings.insert().values(**new, change_id=change))
    return True


def last_sitting(connection: sa.Connection, machine_id: str, label: str) -> Row:
    """Find the description of a sitting that counts; there is one."""
    query = sa.select(sittings).where(
        sittings.c.machine_id == machine_id, sittings.c.label == label
    )
    row = connection.execute(query.order_by(sittings.c.turn.desc()).limit(1)).mappings().one()
    return dict(row)


def add_description(
    connection: sa.Connection,
    last: Row,
    sitting: Sitting,
    at: str,
    why: str,
    undoes: str | None = None,
) -> None:
    """Add the description that follows ``last``."""
    row = {
        "id": stable_id("sitting", last["machine_id"], last["id"], at, sitting),
        "machine_id": last["machine_id"],
        "setup_id": last["setup_id"],
        "label": last["label"],
        "at": at,
        "follows": last["id"],
        "turn": last["turn"] + 1,
        **{name: getattr(sitting, name) for name in _DETAILS},
    }
    about = {"machine_id": last["machine_id"], "why": why, "undoes": undoes}
    change = add_change(connection, "description", at, [row["id"]], **about)
    connection.execute(sittings.insert().values(**row, change_id=change))
