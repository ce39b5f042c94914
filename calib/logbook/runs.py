"""Promises, jobs and check strips, kept settings, notes, and what is kept beside the burns."""

from __future__ import annotations

import typing
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError, shown
from calib.logbook import ledger
from calib.logbook.bodies import Chosen, Content, Note, Promised, Run, body_of
from calib.logbook.coding import check_text, read_time, write_time
from calib.logbook.entries import Kept, PromiseEntry, Settled
from calib.logbook.ledger import Entry, among, canonical, entries
from calib.logbook.room import (
    Directory,
    Thing,
    counting,
    entry_of,
    find_board,
)
from calib.logbook.workshop import Workshop
from calib.records import OPERATIONS, Burn, Operation, Promise, Setting

KeptKind = Literal["costs", "timed_job", "comb", "comb_readings", "kerf"]
KEPT_KINDS: tuple[KeptKind, ...] = typing.get_args(KeptKind)


class Runs(Workshop):
    """What is said of a pair beside its boards."""

    def add_promise(self, promise: Promise, *, machine: str, sheet: str, when: datetime) -> str:
        """Store a promise, before its results can come in; the same one again adds nothing.

        Raises LogbookError when machine or sheet aren't in the logbook.
        """
        at = write_time(when)
        with self.change() as connection:
            directory = self.directory(connection)
            about = _pair(directory, machine, sheet)
            body = Promised(promise=promise, lot=directory.sheets[sheet].version)
            return self.say(connection, [entry_of("promise", body, at, **about)])[0]

    def promises(
        self, *, machine: str | None = None, sheet: str | None = None
    ) -> tuple[PromiseEntry, ...]:
        """List promises, newest first, with the jobs that were run on them since."""
        with self.look() as connection:
            directory = self.directory(connection)
            where = of_pair(connection, directory, machine, sheet)
            found = ledger.read(connection, entries.c.kind == "promise", *where)
            jobs = ledger.read(connection, entries.c.kind == "job", *where)
        by_promise: dict[str, list[str]] = {}
        for job in jobs:
            by_promise.setdefault(job.body["promise"], []).append(job.id)
        return tuple(
            PromiseEntry(
                id=entry.id,
                promise=body_of(entry).promise,
                machine=directory.name(entry.machine),
                sheet=directory.name(entry.sheet),
                lot=lot_of(directory, entry),
                at=read_time(entry.at),
                jobs=tuple(by_promise.get(entry.id, ())),
            )
            for entry in sorted(found, key=lambda one: one.at, reverse=True)
        )

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
        """Record a job or a check strip that was run; the same one again adds nothing.

        Raises LogbookError when machine, sheet or promise aren't in the logbook; InvalidRecord when
        there are no burns, or of mixed or board source.
        """
        at = write_time(when)
        check_text("note", note)
        with self.change() as connection:
            directory = self.directory(connection)
            about = _pair(directory, machine, sheet)
            _check_promise(connection, directory, promise_id, about)
            thing = directory.machines[machine]
            body = Run(
                burns=tuple(burns),
                promise=promise_id or "",
                note=note,
                setup=thing.version,
                lot=directory.sheets[sheet].version,
            )
            (job,) = self.say(connection, [entry_of(body.burns[0].source, body, at, **about)])
            self.say_sessions(connection, thing, (burn.session for burn in burns), at)
            return job

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
            directory = self.directory(connection)
            about = _pair(directory, machine, sheet)
            _check_promise(connection, directory, promise_id, about, setting)
            body = Chosen(
                operation=operation,
                setting=setting,
                promise=promise_id or "",
                lot=directory.sheets[sheet].version,
                note=note,
            )
            slot = f"setting {operation}"
            known = ledger.read(
                connection,
                entries.c.kind == "setting",
                entries.c.slot == slot,
                *of_pair(connection, directory, machine, sheet),
            )
            replaces = [entry.id for entry in known]
            said = entry_of("setting", body, at, replaces=replaces, slot=slot, **about)
            if [canonical(entry.body) for entry in known] != [canonical(said.body)]:
                self.say(connection, [said])

    def settled(
        self,
        machine: str | None = None,
        sheet: str | None = None,
        operation: Operation | None = None,
    ) -> tuple[Settled, ...]:
        """Look up the settings that were settled on; where two books differ there is none."""
        with self.look() as connection:
            directory = self.directory(connection)
            where = of_pair(connection, directory, machine, sheet)
            found = ledger.read(connection, entries.c.kind == "setting", *where)
            ids = {entry.body["promise"] for entry in found} - {""}
            promised = {
                entry.id: entry
                for entry in ledger.read(connection, among(connection, entries.c.id, ids), all=True)
            }
        settled = [
            _settled(directory, entry, promised.get(entry.body["promise"]))
            for entry in only_answers(directory, found)
            if entry.body["setting"] is not None
        ]
        wanted = [one for one in settled if operation in (None, one.operation)]
        return tuple(sorted(wanted, key=lambda one: (one.machine, one.sheet, one.operation)))

    def add_note(
        self,
        text: str,
        *,
        when: datetime,
        machine: str | None = None,
        sheet: str | None = None,
        board_id: str | None = None,
    ) -> str:
        """Write a note; the same one again adds nothing.

        Raises LogbookError when what it is about isn't in the logbook; InvalidRecord when it is
        empty, too long, or holds characters that can't be kept.
        """
        at = write_time(when)
        body = Note(text=text)
        with self.change() as connection:
            directory = self.directory(connection)
            if board_id is not None:
                board = find_board(connection, directory, board_id)
                about = {"machine": board.entry.machine, "sheet": board.entry.sheet}
                said = entry_of("note", body, at, about=board.id, **about)
            else:
                said = entry_of("note", body, at, **_pair(directory, machine, sheet))
            return self.say(connection, [said])[0]

    def keep(
        self,
        kind: KeptKind,
        content: Mapping[str, Any],
        *,
        when: datetime,
        label: str = "",
        machine: str | None = None,
        sheet: str | None = None,
        note: str = "",
    ) -> str:
        """Keep something in place of what was kept of that kind and label; that stays in the book.

        Raises LogbookError when machine or sheet aren't in the logbook; InvalidRecord when the kind
        is none, or the content can't be kept.
        """
        at = write_time(when)
        if kind not in KEPT_KINDS:
            raise InvalidRecord(f"kind is {kind!r}: give one of {', '.join(KEPT_KINDS)}.")
        body = Content(label=label, content=dict(content), note=note)
        with self.change() as connection:
            directory = self.directory(connection)
            about = _pair(directory, machine, sheet)
            known = ledger.read(
                connection, entries.c.kind == kind, entries.c.slot == label, *_is(about)
            )
            said = entry_of(kind, body, at, replaces=(e.id for e in known), slot=label, **about)
            for entry in known:
                if (entry.at, canonical(entry.body)) == (at, canonical(said.body)):
                    return entry.id
            return self.say(connection, [said])[0]

    def kept(
        self,
        kind: KeptKind,
        *,
        label: str | None = None,
        machine: str | None = None,
        sheet: str | None = None,
    ) -> tuple[Kept, ...]:
        """Look up what is kept, newest first; what two books say differently is left out."""
        with self.look() as connection:
            directory = self.directory(connection)
            where = of_pair(connection, directory, machine, sheet)
            if label is not None:
                where.append(entries.c.slot == label)
            found = ledger.read(connection, entries.c.kind == kind, *where)
        return tuple(
            Kept(
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
def understood(entry: Kept) -> Iterator[None]:
    """Tell in words that the content of an entry isn't what its kind wants.

    Nothing but its being named fields is looked at when it comes in with another logbook. Raises
    LogbookError instead of any error of that.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        what = entry.kind.replace("_", " ")
        raise LogbookError(
            f"What was kept of {what} {shown(entry.label)} on {entry.at:%Y-%m-%d} can't be read;"
            " perhaps it came with another logbook. Record it, or plan it, anew."
        ) from error


def _pair(directory: Directory, machine: str | None, sheet: str | None) -> dict[str, str]:
    return {
        "machine": "" if machine is None else directory.machine(machine).id,
        "sheet": "" if sheet is None else directory.sheet(sheet).id,
    }


def _is(about: Mapping[str, str]) -> list[sa.ColumnElement[bool]]:
    return [entries.c.machine == about["machine"], entries.c.sheet == about["sheet"]]


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
        said[0]
        for said in by_question.values()
        if len({canonical(entry.body) for entry in said}) == 1
    ]
    return sorted(alone, key=lambda entry: entry.seq)


def _check_promise(
    connection: sa.Connection,
    directory: Directory,
    promise_id: str | None,
    about: Mapping[str, str],
    setting: Setting | None = None,
) -> None:
    """Check that a promise is in the logbook, for this pair, and of this setting."""
    if promise_id is None:
        return
    found = ledger.read(
        connection, entries.c.id == promise_id, entries.c.kind == "promise", *counting(directory)
    )
    pair = (directory.things[about["machine"]], directory.things[about["sheet"]])
    if not found or (found[0].machine, found[0].sheet) not in [
        (machine, sheet) for machine in pair[0].ids for sheet in pair[1].ids
    ]:
        raise LogbookError(
            f"There is no promise {promise_id!r} for this machine and sheet in the logbook: list"
            " the promises, or leave it out."
        )
    promised: Setting = body_of(found[0]).promise.setting
    if setting is not None and promised != setting:
        raise LogbookError(
            f"Promise {promise_id!r} is of {promised.power_pct:g} % and"
            f" {promised.speed_mm_s:g} mm/s, not of {setting.power_pct:g} % and"
            f" {setting.speed_mm_s:g} mm/s: leave it out, or settle on what was promised."
        )


def lot_of(directory: Directory, entry: Entry) -> str:
    """Name of the lot that an entry names."""
    return directory.lots.get(entry.body.get("lot", ""), "")


def _settled(directory: Directory, entry: Entry, promised: Entry | None) -> Settled:
    sheet = directory.things[entry.sheet].sheet
    chosen: Chosen = body_of(entry)
    assert chosen.setting is not None  # `settled` passes the others over
    return Settled(
        machine=directory.name(entry.machine),
        sheet=sheet.name,
        material=sheet.material,
        thickness_mm=sheet.thickness_mm,
        lot=lot_of(directory, entry),
        operation=chosen.operation,
        setting=chosen.setting,
        at=read_time(entry.at),
        promise=body_of(promised).promise if promised else None,
        note=chosen.note,
        promised_at=read_time(promised.at) if promised else None,
        promised_lot=lot_of(directory, promised) if promised else None,
    )
