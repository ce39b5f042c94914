"""Kept settings, jobs and check strips, notes, and what is stored beside the burns."""

from __future__ import annotations

import dataclasses
import typing
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError, shown
from calib.logbook import ledger
from calib.logbook.boards import grades_of
from calib.logbook.bodies import Content, KeptSetting, Note, Run, body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import Kept, Stored
from calib.logbook.ledger import Entry, among, canonical, entries
from calib.logbook.room import (
    Directory,
    Thing,
    counting,
    entry_of,
    find_board,
)
from calib.logbook.workshop import Workshop
from calib.records import OPERATIONS, Advice, Burn, Operation, Setting

StoredKind = Literal["costs", "timed_job", "comb", "comb_readings", "kerf"]
STORED_KINDS: tuple[StoredKind, ...] = typing.get_args(StoredKind)


class Runs(Workshop):
    """What is said of a pair beside its boards."""

    def add_job(
        self,
        machine: str,
        sheet: str,
        burns: Sequence[Burn],
        *,
        when: datetime,
        note: str = "",
        kept_id: str | None = None,
    ) -> str:
        """Record a job or a check strip that was run; the same one again adds nothing."""
        with self.saying(when, note=note) as (connection, directory, at):
            about = _pair(directory, machine, sheet)
            where = of_pair(connection, directory, machine, sheet)
            of_id = (entries.c.kind == "kept", entries.c.id == kept_id)
            kept = ledger.read(connection, *of_id, *where, all=True) if kept_id else ()
            if kept_id and not any(entry.is_valid for entry in kept):
                raise LogbookError(
                    f"There is no kept setting {kept_id!r} for this machine and sheet in the"
                    " logbook: keep one, or leave it out."
                )
            thing = directory.machines[machine]
            body = Run(
                burns=tuple(burns),
                kept=kept_id or "",
                note=note,
                setup=thing.version,
                lot=directory.sheets[sheet].version,
            )
            (job,) = self.say(connection, [entry_of(body.burns[0].source, body, at, **about)])
            self.say_sessions(connection, thing, (burn.session for burn in burns), at)
            return job

    def keep(
        self,
        machine: str,
        sheet: str,
        operation: Operation,
        setting: Setting | None,
        *,
        when: datetime,
        advice: Advice | None = None,
        note: str = "",
    ) -> str:
        """Keep a setting with what was stated of it, or none any more; an earlier one stays.

        The very same of the same lot and set-up adds nothing.
        """
        if operation not in OPERATIONS:
            raise InvalidRecord(f"operation is {operation!r}: give one of {', '.join(OPERATIONS)}.")
        with self.saying(when, note=note) as (connection, directory, at):
            about = _pair(directory, machine, sheet)
            body = KeptSetting(
                operation=operation,
                setting=setting,
                advice=advice,
                setup=directory.machines[machine].version,
                lot=directory.sheets[sheet].version,
                note=note,
            )
            said = entry_of("kept", body, at, slot=f"kept {operation}", **about)
            known = _standing(connection, directory, said)
            if setting is None and not any(entry.body["setting"] for entry in known):
                raise LogbookError(
                    f"No setting is kept for {operation.replace('_', ' ')} of {sheet!r} on"
                    f" {machine!r}."
                )
            return self._in_place(connection, known, said)

    def kept(
        self,
        machine: str | None = None,
        sheet: str | None = None,
        operation: Operation | None = None,
        *,
        earlier: bool = False,
    ) -> tuple[Kept, ...]:
        """Look up the kept settings; where two books differ there is none.

        ``earlier``: those too that another one, or none, was kept in place of; newest first.
        """
        with self.looking() as (connection, directory):
            where = of_pair(connection, directory, machine, sheet)
            found = ledger.read(connection, entries.c.kind == "kept", *where, all=earlier)
        valid = [entry for entry in found if entry.is_valid]
        kept = [
            Kept(
                id=entry.id,
                machine=directory.name(entry.machine),
                sheet=directory.name(entry.sheet),
                operation=body.operation,
                setting=body.setting,
                advice=body.advice,
                lot=lot_of(directory, entry),
                at=read_time(entry.at),
                note=body.note,
            )
            for entry in (valid if earlier else only_answers(directory, valid))
            if (body := body_of(entry)).setting is not None and operation in (None, body.operation)
        ]
        if earlier:
            return tuple(sorted(kept, key=lambda one: one.at, reverse=True))
        return tuple(sorted(kept, key=lambda one: (one.machine, one.sheet, one.operation)))

    def add_note(
        self,
        text: str,
        *,
        when: datetime,
        machine: str | None = None,
        sheet: str | None = None,
        board_id: str | None = None,
    ) -> str:
        """Write a note; the same one again adds nothing."""
        body = Note(text=text)
        with self.saying(when) as (connection, directory, at):
            if board_id is not None:
                board = find_board(connection, directory, board_id)
                about = {"machine": board.entry.machine, "sheet": board.entry.sheet}
                said = entry_of("note", body, at, about=board.id, **about)
            else:
                said = entry_of("note", body, at, **_pair(directory, machine, sheet))
            return self.say(connection, [said])[0]

    def store(
        self,
        kind: StoredKind,
        content: Mapping[str, Any],
        *,
        when: datetime,
        label: str = "",
        machine: str | None = None,
        sheet: str | None = None,
        note: str = "",
    ) -> str:
        """Store something in place of what was stored of that kind and label; that is not lost."""
        if kind not in STORED_KINDS:
            raise InvalidRecord(f"kind is {kind!r}: give one of {', '.join(STORED_KINDS)}.")
        body = Content(label=label, content=dict(content), note=note)
        with self.saying(when) as (connection, directory, at):
            said = entry_of(kind, body, at, slot=label, **_pair(directory, machine, sheet))
            return self._in_place(connection, _standing(connection, directory, said), said)

    def _in_place(self, connection: sa.Connection, known: Sequence[Entry], said: Entry) -> str:
        """Say something in place of what stands; the very same adds nothing."""
        if [canonical(entry.body) for entry in known] == [canonical(said.body)]:
            return known[0].id
        replaces = tuple(sorted(entry.id for entry in known))
        return self.say(connection, [dataclasses.replace(said, replaces=replaces)])[0]

    def stored(
        self,
        kind: StoredKind,
        *,
        label: str | None = None,
        machine: str | None = None,
        sheet: str | None = None,
    ) -> tuple[Stored, ...]:
        """Look up what is stored, newest first; what two books say differently is left out."""
        with self.looking() as (connection, directory):
            where = of_pair(connection, directory, machine, sheet)
            if label is not None:
                where.append(entries.c.slot == label)
            found = ledger.read(connection, entries.c.kind == kind, *where)
        return tuple(
            Stored(
                id=entry.id,
                kind=kind,
                label=entry.slot,
                machine=directory.name(entry.machine) or None,
                sheet=directory.name(entry.sheet) or None,
                at=read_time(entry.at),
                content=entry.body["content"],
                note=entry.body["note"],
            )
            for entry in reversed(only_answers(directory, found))
        )


@contextmanager
def understood(entry: Stored) -> Iterator[None]:
    """Tell in words that the content of an entry isn't what its kind wants.

    Nothing but its being named fields is looked at when it comes in with another logbook.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        what = entry.kind.replace("_", " ")
        raise LogbookError(
            f"What was stored of {what} {shown(entry.label)} on {entry.at:%Y-%m-%d} can't be read;"
            " perhaps it came with another logbook. Record it, or plan it, anew."
        ) from error


def _pair(directory: Directory, machine: str | None, sheet: str | None) -> dict[str, str]:
    return {
        "machine": "" if machine is None else directory.machine(machine).id,
        "sheet": "" if sheet is None else directory.sheet(sheet).id,
    }


def _standing(connection: sa.Connection, directory: Directory, said: Entry) -> list[Entry]:
    """What stands in the slot of an entry, of the very machine and sheet that it is about."""
    pair = ((entries.c.machine, said.machine), (entries.c.sheet, said.sheet))
    ids = ((column, directory.things[key].ids if key else [""]) for column, key in pair)
    where = [among(connection, column, names) for column, names in ids]
    return ledger.read(connection, entries.c.kind == said.kind, entries.c.slot == said.slot, *where)


def of_pair(
    connection: sa.Connection, directory: Directory, machine: str | None, sheet: str | None
) -> list[sa.ColumnElement[bool]]:
    """The condition that entries count and are of a machine, of a sheet; LogbookError without."""
    where = counting(directory)
    things: list[tuple[sa.ColumnElement[str], Thing]] = []
    if machine is not None:
        things.append((entries.c.machine, directory.machine(machine)))
    if sheet is not None:
        things.append((entries.c.sheet, directory.sheet(sheet)))
    for column, thing in things:
        one = next(iter(thing.ids))
        where.append(column == one if len(thing.ids) == 1 else among(connection, column, thing.ids))
    return where


def answer_of(entry: Entry) -> str:
    """What an entry answers, to be compared."""
    return canonical(grades_of(entry) if entry.kind == "look" else entry.body)


def question_of(directory: Directory, entry: Entry) -> tuple[str, ...]:
    """What an entry answers, whatever things were said to be the same."""
    about = min(directory.same.get(entry.about, (entry.about,)))
    things = (directory.things.get(key) for key in (entry.machine, entry.sheet))
    machine, sheet = (thing.id if thing else "" for thing in things)
    return entry.kind, about, machine, sheet, entry.slot


def only_answers(directory: Directory, found: Sequence[Entry]) -> list[Entry]:
    """One entry for each question that has one answer; two that differ are none, alike ones one."""
    by_question: dict[tuple[str, ...], list[Entry]] = {}
    for entry in found:
        by_question.setdefault(question_of(directory, entry), []).append(entry)
    alone = [
        said[0] for said in by_question.values() if len({answer_of(entry) for entry in said}) == 1
    ]
    return sorted(alone, key=lambda entry: entry.seq)


def lot_of(directory: Directory, entry: Entry) -> str:
    """Name of the lot that an entry names."""
    return directory.lots.get(entry.body.get("lot", ""), "")
