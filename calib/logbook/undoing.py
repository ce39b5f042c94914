"""Undo withdraws what was said last in one go; redo withdraws that. Nothing is erased."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TypedDict, Unpack

import sqlalchemy as sa

from calib.errors import LogbookError, shown
from calib.logbook import ledger
from calib.logbook.boards import OF_CELL
from calib.logbook.entries import Undoable
from calib.logbook.ledger import WITHDRAW, Entry, among, entries, is_valid, with_state
from calib.logbook.room import (
    Directory,
    Room,
    code_of,
    entry_of,
    find_board,
)
from calib.logbook.workshop import NAMED

# Boards and names stay: what rests on them would be left hanging.
_UNDOABLE = (
    *OF_CELL, "setup", "lot", "session", "kept", "job", "check_strip", "note", "photograph",
    "costs", "timed_job", "comb", "comb_readings", "kerf",
)  # fmt: skip
# So much of an id says which entry is meant.
_LEAST = 6
# What an undo or a redo says is no further thing to be undone.
UNDO, REDO = "undo ", "redo "
Scope = list[sa.ColumnElement[bool]]


class Whose(TypedDict, total=False):
    """Whose latest change is meant: a board's; a machine's, a sheet's, or that of the two."""

    board_id: str | None
    machine: str | None
    sheet: str | None


class Undoing(Room):
    """Taking back, and putting again."""

    def undo(
        self,
        *,
        when: datetime,
        why: str = "",
        only: str | None = None,
        **whose: Unpack[Whose],
    ) -> str:
        """Withdraw what was said last and wasn't withdrawn yet; again withdraws what was before.

        With ``board_id``: its readings, notes and photographs. With ``machine`` and ``sheet``:
        these of all boards of the pair, its jobs, check strips, combs and kept settings. With
        ``machine`` alone: its set-up, descriptions of sessions, timed jobs and notes. With
        ``sheet`` alone: its lot, measurement and notes. Boards stay. ``only`` is what
        `next_undo` named; refused when something came after it.
        """
        with self.saying(when, why=why) as (connection, directory, at):
            scope, of = _scope(connection, directory, whose)
            said = _last(connection, scope, of)
            if only not in (None, said[0].batch):
                raise LogbookError(
                    f"Something else was stored for {of} meanwhile: look at it, then undo again."
                    " Nothing was taken back."
                )
            self.say(connection, [_withdrawal(said, at, why)], batch=f"{UNDO}{said[0].id} {at}")
            return _words(connection, directory, said)

    def next_undo(self, **whose: Unpack[Whose]) -> Undoable:
        """Say what `undo` would take back; nothing is stored. It refuses what `undo` refuses."""
        with self.looking() as (connection, directory):
            scope, of = _scope(connection, directory, whose)
            said = _last(connection, scope, of)
            words = _words(connection, directory, said)
        burns = [burn["count"] for entry in said for burn in entry.body.get("burns", ())]
        cells = {entry.slot.split(" ", 1)[1] for entry in said if entry.kind in OF_CELL}
        return Undoable(change_id=said[0].batch, words=words, things=sum(burns) or len(cells) or 1)

    def redo(self, *, when: datetime, why: str = "", **whose: Unpack[Whose]) -> str:
        """Put again what the last undo took back; the same scopes as for `undo`."""
        with self.saying(when, why=why) as (connection, directory, at):
            undo, back = _undone(connection, directory, whose)
            again = _withdrawal(undo, at, why)
            self.say(connection, [again], batch=f"{REDO}{undo[0].id} {at}")
            return _words(connection, directory, back)

    def next_redo(self, **whose: Unpack[Whose]) -> str:
        """Say what `redo` would put again; nothing is stored. It refuses what `redo` refuses."""
        with self.looking() as (connection, directory):
            return _words(connection, directory, _undone(connection, directory, whose)[1])

    def withdraw(self, entry_ids: Sequence[str], *, when: datetime, why: str) -> Undoable:
        """Withdraw entries by their ids, or what ids begin with; so a machine, with all of it.

        What is about them doesn't count either. Says what was withdrawn; withdrawing the
        ``change_id`` of that puts all of it again.
        """
        if not why.strip():
            raise LogbookError("Say why it is withdrawn.")
        with self.saying(when, why=why) as (connection, directory, at):
            found = [_named(connection, one) for one in entry_ids]
            gone = sorted({
                entry.id for entry in found if entry.kind in ("machine", "sheet", "board")
            })
            about = [among(connection, column, gone) for column in
                     (entries.c.about, entries.c.machine, entries.c.sheet)]  # fmt: skip
            words = "; ".join(_words(connection, directory, [entry]) for entry in found)
            count = sa.select(sa.func.count()).select_from(entries).where(sa.or_(*about))
            things = len(found) + (connection.execute(count).scalar_one() if gone else 0)
            (change_id,) = self.say(connection, [_withdrawal(found, at, why)])
        return Undoable(change_id=change_id, words=words, things=things)


def _named(connection: sa.Connection, beginning: str) -> Entry:
    """The one entry whose id, or what follows the time in it, begins so."""
    asked = str(beginning).strip()
    where = [entries.c.id.startswith(asked, autoescape=True),
             entries.c.id.contains(f"-{asked}", autoescape=True)]  # fmt: skip
    found = ledger.read(connection, sa.or_(*where), all=True) if len(asked) >= _LEAST else []
    valid = [entry for entry in found if entry.is_valid]
    if len(valid) == 1:
        return valid[0]
    much = f"there are {len(valid)} that begin so" if len(valid) > 1 else "there is none"
    if found and not valid:
        much = "it was withdrawn already"
    raise LogbookError(
        f"Which entry of the logbook is {shown(asked)}? By that id {much}: give {_LEAST} letters of"
        " one, or more."
    )


# What an undo may take back; striking out is one such thing.
_SAID = (
    ~entries.c.batch.startswith(NAMED),
    sa.or_(
        entries.c.kind.in_(_UNDOABLE),
        sa.and_(
            entries.c.kind == WITHDRAW,
            ~entries.c.batch.startswith(UNDO),
            ~entries.c.batch.startswith(REDO),
            ~entries.c.batch.startswith(ledger.SENT),
        ),
    ),
)


def _scope(connection: sa.Connection, directory: Directory, whose: Whose) -> tuple[Scope, str]:
    if code := whose.get("board_id"):
        board = find_board(connection, directory, code)
        return [among(connection, entries.c.about, board.ids)], f"board {code!r}"
    machine, sheet = whose.get("machine"), whose.get("sheet")
    if machine is None and sheet is None:
        raise LogbookError("Name a board, a machine or a sheet whose latest change to take back.")
    ids = (
        (entries.c.machine, {""} if machine is None else directory.machine(machine).ids),
        (entries.c.sheet, {""} if sheet is None else directory.sheet(sheet).ids),
    )
    scope = [among(connection, column, one) for column, one in ids]
    return scope, " and ".join(repr(name) for name in (machine, sheet) if name is not None)


def _undone(
    connection: sa.Connection, directory: Directory, whose: Whose
) -> tuple[list[Entry], list[Entry]]:
    """The last undo, and what it took back."""
    scope, of = _scope(connection, directory, whose)
    undo = _newest(connection, [*scope, entries.c.batch.startswith(UNDO)])
    said = _newest(connection, [*scope, *_SAID])
    if not undo or (said and said[0].seq > undo[0].seq):
        raise LogbookError(f"There is nothing to put again for {of}.")
    ids = [key for entry in undo for key in entry.replaces]
    return undo, list(ledger.by_ids(connection, ids).values())


def _newest(connection: sa.Connection, where: Scope) -> list[Entry]:
    """What was said in one go last and wasn't withdrawn, in the order of its ids."""
    newest = sa.select(entries.c.batch).select_from(with_state).where(is_valid, *where)
    newest = newest.order_by(entries.c.seq.desc()).limit(1)
    batch = connection.execute(newest).scalar()
    if batch is None:
        return []
    found = ledger.read(connection, entries.c.batch == batch, all=True)
    return [entry for entry in found if entry.is_valid]


def _last(connection: sa.Connection, scope: Scope, of: str) -> list[Entry]:
    said = _newest(connection, [*scope, *_SAID])
    if not said:
        raise LogbookError(f"There is nothing to take back for {of}.")
    return said


def _withdrawal(said: Sequence[Entry], at: str, why: str) -> Entry:
    main = said[0]
    return entry_of(
        WITHDRAW, None, at, why=why, replaces=(entry.id for entry in said),
        about=main.about, machine=main.machine, sheet=main.sheet,
    )  # fmt: skip


def _words(connection: sa.Connection, directory: Directory, said: Sequence[Entry]) -> str:
    """Say what was said in one go, as a user would name it."""
    main = said[0]
    day = f"of {main.at[:10]} {main.at[11:16]} UTC"
    if main.kind in (*OF_CELL, WITHDRAW):
        told = said if main.kind != WITHDRAW else ledger.by_ids(connection, main.replaces).values()
        boards = list(ledger.by_ids(connection, [main.about]).values())
        code = code_of(directory, connection, boards[0]) if boards else ""
        cells = sorted({e.slot.split(" ", 1)[1] for e in told if e.kind in OF_CELL})
        what = "readings" if main.kind != WITHDRAW else "striking out"
        return f"{what} of board {code}, cells {', '.join(cells)}, {day}"
    if main.kind == "board":
        return f"board {code_of(directory, connection, main)}, {day}"
    name = directory.name(main.machine or main.sheet or main.id)
    what = {
        "machine": f"machine {name!r}",
        "sheet": f"sheet {name!r}",
        "setup": f"change of set-up ({main.body.get('what')}) of {name!r}",
        "lot": f"lot or measurement of {name!r}",
        "session": f"description of session {main.body.get('label')!r}",
        "kept": f"kept setting for {str(main.body.get('operation')).replace('_', ' ')}",
        "photograph": f"photograph {main.body.get('filename')}",
    }.get(main.kind, main.kind.replace("_", " "))
    if main.kind in ("costs", "timed_job", "comb", "comb_readings", "kerf"):
        what = f"{what} {main.slot!r}"
    return f"{what}, {day}"
