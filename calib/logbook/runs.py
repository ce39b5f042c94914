"""Kept settings, jobs and check strips, notes, and what is stored beside the burns."""

from __future__ import annotations

import typing
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any, Literal

from calib.errors import InvalidRecord, LogbookError, shown
from calib.logbook.bodies import Content, KeptSetting, Note, Run, body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import Kept, Stored
from calib.logbook.room import Room, View
from calib.records import OPERATIONS, Advice, Burn, Operation, Setting
from calib.texts.say import say

StoredKind = Literal["costs", "timed_job", "comb", "comb_readings", "kerf"]
STORED_KINDS: tuple[StoredKind, ...] = typing.get_args(StoredKind)


class Runs(Room):
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
        with self.saying(when) as view:
            of_pair = view.names.pair(machine, sheet)
            if kept_id and not view.read(kind="kept", id=kept_id, earlier=True, **of_pair):
                raise LogbookError(say("logbook.there_is_no_kept_setting", kept_id=kept_id))
            now = _now(view, machine, sheet)
            body = Run(burns=tuple(burns), kept=kept_id or "", note=note, **now)
            about = view.names.about(machine, sheet)
            return view.add(view.entry(body.burns[0].source, body, **about))[0]

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
        """Keep a setting with what was stated of it, or none any more; an earlier one stays."""
        if operation not in OPERATIONS:
            may = ", ".join(OPERATIONS)
            raise InvalidRecord(say("logbook.operation_is_give_one", given=operation, may=may))
        with self.saying(when) as view:
            now = _now(view, machine, sheet)
            body = KeptSetting(
                operation=operation, setting=setting, advice=advice, note=note, **now
            )
            about = view.names.about(machine, sheet)
            said = view.entry("kept", body, slot=f"kept {operation}", **about)
            of_pair = view.names.pair(machine, sheet)
            known = view.read(kind="kept", slot=said.slot, **of_pair)
            if setting is None and not any(entry.body["setting"] for entry in known):
                what = operation.replace("_", " ")
                raise LogbookError(
                    say("logbook.no_setting_is_kept", what=what, sheet=sheet, machine=machine)
                )
            return view.add_instead(known, said)

    def kept(
        self,
        machine: str | None = None,
        sheet: str | None = None,
        operation: Operation | None = None,
        *,
        earlier: bool = False,
    ) -> tuple[Kept, ...]:
        """Look up the kept settings; where two books differ there is none.

        ``earlier``: replaced ones too, newest first.
        """
        with self.looking() as view:
            found = view.read(kind="kept", earlier=earlier, **view.names.pair(machine, sheet))
        kept = [
            Kept(
                id=entry.id,
                machine=view.names.name(entry.machine),
                sheet=view.names.name(entry.sheet),
                operation=body.operation,
                setting=body.setting,
                advice=body.advice,
                lot=view.names.lot(entry),
                at=read_time(entry.at),
                note=body.note,
            )
            for entry in (found if earlier else view.clear(found))
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
        with self.saying(when) as view:
            about = view.names.about(machine, sheet)
            if board_id is not None:
                about = view.board(board_id).about
            return view.add(view.entry("note", body, **about))[0]

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
            known = ", ".join(STORED_KINDS)
            raise InvalidRecord(say("logbook.kind_is_give_one_of", kind=kind, known=known))
        body = Content(label=label, content=dict(content), note=note)
        with self.saying(when) as view:
            said = view.entry(kind, body, slot=label, **view.names.about(machine, sheet))
            of = view.names.pair(machine, sheet, alone=True)
            return view.add_instead(view.read(kind=kind, slot=label, **of), said)

    def stored(
        self,
        kind: StoredKind,
        *,
        label: str | None = None,
        machine: str | None = None,
        sheet: str | None = None,
    ) -> tuple[Stored, ...]:
        """Look up what is stored, newest first; what two books say differently is left out."""
        with self.looking() as view:
            of = view.names.pair(machine, sheet) | ({} if label is None else {"slot": label})
            found = view.clear(view.read(kind=kind, **of))
        return tuple(
            Stored(
                id=entry.id,
                kind=kind,
                label=entry.slot,
                machine=view.names.name(entry.machine) or None,
                sheet=view.names.name(entry.sheet) or None,
                at=read_time(entry.at),
                content=entry.body["content"],
                note=entry.body["note"],
            )
            for entry in reversed(found)
        )


def _now(view: View, machine: str, sheet: str) -> dict[str, str]:
    """The set-up and the lot that what is said now is burnt with and on."""
    return {"setup": view.names.machine(machine).version, "lot": view.names.sheet(sheet).version}


@contextmanager
def understood(entry: Stored) -> Iterator[None]:
    """Tell in words that content isn't what its kind wants: an import doesn't look at that."""
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        what = entry.kind.replace("_", " ")
        label = shown(entry.label)
        wrong = say("logbook.what_was_stored_of_on_cant", what=what, label=label, entry=entry)
        raise LogbookError(wrong) from error
