"""Undo withdraws what was said last in one go; redo withdraws that. Nothing is erased."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypedDict, Unpack

import sqlalchemy as sa

from calib.errors import LogbookError, shown
from calib.logbook.boards import OF_CELL, cell_of
from calib.logbook.entries import Undoable
from calib.logbook.ledger import SENT, WITHDRAW, Entry, entries, is_valid, with_state
from calib.logbook.room import THINGS, Room, View
from calib.logbook.runs import STORED_KINDS
from calib.texts.say import say

# Boards and names stay: what rests on them would be left hanging.
_UNDOABLE = (
    *OF_CELL, *STORED_KINDS, "setup", "lot", "session", "kept", "job", "check_strip", "note",
    "photograph",
)  # fmt: skip
# So much of an id says which entry is meant.
_LEAST = 6
# What an undo or a redo says is no further thing to be undone.
UNDO, REDO = "undo ", "redo "
# In older books: sessions that burns named.
NAMED = "named "
_batch = entries.c.batch
# What an undo may take back; striking out is one such thing.
_SAID = sa.or_(
    sa.and_(entries.c.kind.in_(_UNDOABLE), ~_batch.startswith(NAMED)),
    sa.and_(
        entries.c.kind == WITHDRAW,
        *(~_batch.startswith(beginning) for beginning in (UNDO, REDO, SENT)),
    ),
)
_TAKEN_BACK = _batch.startswith(UNDO)


class Whose(TypedDict, total=False):
    """Whose latest change is meant: a board's; a machine's, a sheet's, or that of the two."""

    board_id: str | None
    machine: str | None
    sheet: str | None


class Undoing(Room):
    """Taking back, and putting again."""

    def undo(
        self, *, when: datetime, why: str = "", only: str | None = None, **whose: Unpack[Whose]
    ) -> str:
        """Withdraw what was said last and wasn't withdrawn yet; again withdraws what was before.

        With ``board_id``: its readings, notes and photographs. With ``machine`` and ``sheet``:
        these of all boards of the pair, its jobs, check strips, combs and kept settings. With
        ``machine`` alone: its set-up, descriptions of sessions, timed jobs and notes. With
        ``sheet`` alone: its lot, measurement and notes. Boards stay. ``only`` is what
        `next_undo` named; refused when something came after it.
        """
        with self.saying(when) as view:
            said = _last(view, whose)
            if only not in (None, said[0].batch):
                raise LogbookError(
                    say("logbook.something_else_was_stored_for_meanwhile", called=_called(whose))
                )
            view.withdraw(said, why, batch=f"{UNDO}{said[0].id} {view.at}")
            return _words(view, said)

    def next_undo(self, **whose: Unpack[Whose]) -> Undoable:
        """Say what `undo` would take back; nothing is stored. It refuses what `undo` refuses."""
        with self.looking() as view:
            said = _last(view, whose)
            words = _words(view, said)
        burns = [burn["count"] for entry in said for burn in entry.body.get("burns", ())]
        cells = {cell_of(entry) for entry in said if entry.kind in OF_CELL}
        return Undoable(change_id=said[0].batch, words=words, things=sum(burns) or len(cells) or 1)

    def redo(self, *, when: datetime, why: str = "", **whose: Unpack[Whose]) -> str:
        """Put again what the last undo took back; the same scopes as for `undo`."""
        with self.saying(when) as view:
            undo, back = _undone(view, whose)
            view.withdraw(undo, why, batch=f"{REDO}{undo[0].id} {view.at}")
            return _words(view, back)

    def next_redo(self, **whose: Unpack[Whose]) -> str:
        """Say what `redo` would put again; nothing is stored. It refuses what `redo` refuses."""
        with self.looking() as view:
            return _words(view, _undone(view, whose)[1])

    def withdraw(self, entry_ids: Sequence[str], *, when: datetime, why: str) -> Undoable:
        """Withdraw entries by their ids, or what ids begin with; so a machine, with all of it.

        What is about them doesn't count either. Says what was withdrawn; withdrawing the
        ``change_id`` of that puts all of it again.
        """
        if not why.strip():
            raise LogbookError(say("logbook.say_why_it_is_withdrawn"))
        with self.saying(when) as view:
            found = [_named(view, one) for one in entry_ids]
            gone = [entry.id for entry in found if entry.kind in THINGS]
            words = "; ".join(_words(view, [entry]) for entry in found)
            columns = (entries.c.about, entries.c.machine, entries.c.sheet)
            about = sa.or_(*(view.among(column, gone) for column in columns))
            count = sa.select(sa.func.count()).select_from(entries).where(about)
            things = len(found) + view.connection.execute(count).scalar_one()
            change_id = view.withdraw(found, why)
        return Undoable(change_id=change_id, words=words, things=things)


def _named(view: View, beginning: str) -> Entry:
    """The one entry whose id, or what follows the time in it, begins so."""
    asked = str(beginning).strip()
    where = [entries.c.id.startswith(asked, autoescape=True),
             entries.c.id.contains(f"-{asked}", autoescape=True)]  # fmt: skip
    found = view.ever(sa.or_(*where)) if len(asked) >= _LEAST else []
    valid = [entry for entry in found if entry.is_valid]
    if len(valid) == 1:
        return valid[0]
    much = (
        say("logbook.there_are_that_begin", count=len(valid))
        if len(valid) > 1
        else say("logbook.there_is_none")
    )
    if found and not valid:
        much = say("logbook.it_was_withdrawn_already")
    raise LogbookError(
        say("logbook.which_entry_of_logbook", asked=shown(asked), much=much, least=_LEAST)
    )


def _called(whose: Whose) -> str:
    if board := whose.get("board_id"):
        return say("logbook.board_2", board=board)
    names = (whose.get("machine"), whose.get("sheet"))
    return " and ".join(repr(name) for name in names if name is not None)


def _newest(view: View, whose: Whose, what: sa.ColumnElement[bool]) -> list[Entry]:
    """What was said of something in one go last and wasn't withdrawn, in the order of its ids."""
    if not _called(whose):
        raise LogbookError(say("logbook.name_board_machine_or_sheet_whose"))
    if board := whose.get("board_id"):
        of: dict[str, Any] = {"about": view.board(board).ids}
    else:
        of = view.names.pair(whose.get("machine"), whose.get("sheet"), alone=True)
    scope = [view.among(entries.c[name], ids) for name, ids in of.items()]
    newest = sa.select(_batch).select_from(with_state).where(is_valid, what, *scope)
    batch = view.connection.execute(newest.order_by(entries.c.seq.desc()).limit(1)).scalar()
    said = [] if batch is None else view.ever(batch=batch)
    return [entry for entry in said if entry.is_valid]


def _undone(view: View, whose: Whose) -> tuple[list[Entry], list[Entry]]:
    """The last undo, and what it took back."""
    undo, said = _newest(view, whose, _TAKEN_BACK), _newest(view, whose, _SAID)
    if not undo or (said and said[0].seq > undo[0].seq):
        raise LogbookError(say("logbook.there_is_nothing_to_put_again", called=_called(whose)))
    return undo, view.ever(id=(key for entry in undo for key in entry.replaces))


def _last(view: View, whose: Whose) -> list[Entry]:
    said = _newest(view, whose, _SAID)
    if not said:
        raise LogbookError(say("logbook.there_is_nothing_to_take_back", called=_called(whose)))
    return said


def _words(view: View, said: Sequence[Entry]) -> str:
    """Say what was said in one go, as a user would name it."""
    main, names = said[0], view.names
    day = f"of {main.at[:10]} {main.at[11:16]} UTC"
    if main.kind in (*OF_CELL, WITHDRAW):
        told = view.ever(id=main.replaces) if main.kind == WITHDRAW else said
        if told and told[0].kind not in OF_CELL:
            return say("logbook.withdrawal_of", words=_words(view, told))
        codes = [names.code(board) for board in view.ever(id=main.about)]
        cells = sorted({cell_of(entry) for entry in told if entry.kind in OF_CELL})
        what = say("logbook.striking_out") if main.kind == WITHDRAW else "readings"
        return say(
            "logbook.of_board_cells",
            what=what,
            codes="".join(codes),
            cells=", ".join(cells),
            day=day,
        )
    if main.kind == "board":
        return say("logbook.board_3", code=names.code(main), day=day)
    name = names.name(main.machine or main.sheet or main.id)
    what = {
        "machine": say("logbook.machine", name=name),
        "sheet": say("logbook.sheet", name=name),
        "setup": say("logbook.change_of_set_up", body=main.body.get("what"), name=name),
        "lot": say("logbook.lot_or_measurement", name=name),
        "session": say("logbook.description_of_session", body=main.body.get("label")),
        "kept": say(
            "logbook.kept_setting_for", body=str(main.body.get("operation")).replace("_", " ")
        ),
        "photograph": say("logbook.photograph_2", body=main.body.get("filename")),
    }.get(main.kind, main.kind.replace("_", " "))
    if main.kind in STORED_KINDS:
        what = f"{what} {main.slot!r}"
    return f"{what}, {day}"
