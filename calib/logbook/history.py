"""All that was ever said: told in its order, taken back and put again, asked where it differs.

Undo withdraws what was said last in one go, redo withdraws that: nothing is erased. What two books,
or two people, said differently without knowing of each other is a question until it is answered.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, TypedDict, Unpack

import sqlalchemy as sa

from calib.errors import LogbookError, shown
from calib.logbook.boards import OF_CELL, cell_of
from calib.logbook.bodies import KINDS, NewName, Same, Session, body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import HistoryLine, Question, Undoable
from calib.logbook.ledger import SENT, WITHDRAW, Entry, among, canonical, entries, standing
from calib.logbook.room import THINGS, Room, View, grades_of, record_part
from calib.logbook.runs import STORED_KINDS
from calib.logbook.workshop import sessions_of
from calib.records import READ_OFF, Operation, Reading
from calib.texts.say import say
from calib.units import show_chance

_SAME, _RENAME = "same", "rename: "
# So much of an id says which entry is meant.
_LEAST = 6
# Batches of what an undo or a redo says, which is no further thing to be undone; in older books,
# of sessions that burns named.
_UNDO, _REDO, _NAMED = "undo ", "redo ", "named "
_batch = entries.c.batch
_TAKEN_BACK = _batch.startswith(_UNDO)
# What an undo may take back; striking out is one such thing.
_UNDONE = [kind for kind, one in KINDS.items() if one.undone]
_SAID = sa.or_(
    sa.and_(entries.c.kind.in_(_UNDONE), ~_batch.startswith(_NAMED)),
    sa.and_(
        entries.c.kind == WITHDRAW, *(~_batch.startswith(start) for start in (_UNDO, _REDO, SENT))
    ),
)


class Whose(TypedDict, total=False):
    """Whose latest change is meant: a board's; a machine's, a sheet's, or that of the two."""

    board_id: str | None
    machine: str | None
    sheet: str | None


class History(Room):
    """The whole story, what is to be taken back, and what is to be answered."""

    def history(
        self, machine: str, sheet: str, operation: Operation | None = None
    ) -> tuple[HistoryLine, ...]:
        """List all that was said of a pair, as it came in; LogbookError when it isn't there."""
        with self.looking() as view:
            of, on = view.names.machine(machine).ids, view.names.sheet(sheet).ids
            found = view.ever(id=of | on)
            whose: Any = {"machine": (of, ""), "sheet": ("", on), "pair": (of, on)}
            for what, (machines, sheets) in whose.items():
                kinds = [kind for kind, one in KINDS.items() if what in one.told_of.split()]
                found += view.ever(kind=kinds, machine=machines, sheet=sheets)
            slots = {f"session {label}" for entry in found for label in sessions_of(entry)}
            found += view.ever(kind="session", machine=of, slot=slots)
        by_id = {entry.id: entry for entry in found}
        lines = []
        for entry in sorted(found, key=lambda one: one.seq):
            board = entry if entry.kind == "board" else by_id.get(entry.about)
            board = board if board and board.kind == "board" else None
            runs = entry.body.get("burns", [entry.body])
            burnt = board.body["grid"]["operation"] if board else runs[0].get("operation")
            if operation not in (None, burnt or operation):
                continue
            cell = cell_of(entry) if entry.kind in (*OF_CELL, "photograph") else ""
            read: dict[str, Any] = dict(zip(READ_OFF, grades_of(entry), strict=True))
            read["char_at"] = entry.body.get("char_at")
            noted = entry.kind in ("job", "check_strip", "kept")
            line = HistoryLine(
                id=entry.id,
                at=read_time(entry.at),
                kind=KINDS[entry.kind].called,
                text=_withdrawal(entry, by_id) if entry.kind == WITHDRAW else _text(entry),
                board=view.names.code(board) if board else "",
                cell=cell,
                reading=Reading(cell=cell, **read) if entry.kind == "look" else None,
                session=next(iter(sessions_of(entry)), ""),
                why=entry.why or (entry.body["note"] if noted else ""),
                superseded=not (entry.stands and view.names.counts(entry)),
            )
            lines.append(line)
        return tuple(lines)

    def undo(
        self, *, when: datetime, why: str = "", only: str | None = None, **whose: Unpack[Whose]
    ) -> str:
        """Withdraw what was said last and wasn't withdrawn yet; again withdraws what was before.

        Of a board, of a pair with its boards, of a machine or a sheet alone, or of anything; boards
        stay. ``only`` is what `next_undo` named; refused when something came after it.
        """
        with self.saying(when) as view:
            said = _last(view, whose)
            if only not in (None, said[0].batch):
                wrong = say(
                    "logbook.something_else_was_stored_for_meanwhile", called=_called(whose)
                )
                raise LogbookError(wrong)
            view.withdraw(said, why, batch=f"{_UNDO}{said[0].id} {view.at}")
            return _words(view, said)

    def next_undo(self, **whose: Unpack[Whose]) -> Undoable:
        """Say what `undo` would take back, or why there is nothing; nothing is stored."""
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
            view.withdraw(undo, why, batch=f"{_REDO}{undo[0].id} {view.at}")
            return _words(view, back)

    def next_redo(self, **whose: Unpack[Whose]) -> str:
        """Say what `redo` would put again, or why there is nothing; nothing is stored."""
        with self.looking() as view:
            return _words(view, _undone(view, whose)[1])

    def withdraw(self, entry_ids: Sequence[str], *, when: datetime, why: str) -> Undoable:
        """Withdraw entries, and what is about them, by their ids or what ids begin with.

        Says what was withdrawn; withdrawing the ``change_id`` of that puts all of it again.
        """
        if not why.strip():
            raise LogbookError(say("logbook.say_why_it_is_withdrawn"))
        with self.saying(when) as view:
            found = [_named(view, one) for one in entry_ids]
            gone = [entry.id for entry in found if entry.kind in THINGS]
            words = "; ".join(_words(view, [entry]) for entry in found)
            columns = (entries.c.about, entries.c.machine, entries.c.sheet)
            with_it = view.ever(sa.or_(*(among(column, gone) for column in columns)))
            things = len(found) + len(with_it)
            change_id = view.withdraw(found, why)
        return Undoable(change_id=change_id, words=words, things=things)

    def questions(self) -> tuple[Question, ...]:
        """List what was said in two ways, of which nobody has said yet which holds."""
        with self.looking() as view:
            return tuple(one for one, _ in asked_in(view))

    def answer(self, key: str, answer: str, *, when: datetime, why: str = "") -> None:
        """Answer a question: by the number of what holds, ``same``, or ``rename: NEW NAME``."""
        with self.saying(when) as view:
            answer_in(view, key, answer, why)


def _text(entry: Entry) -> str:
    """Say what an entry says."""
    body = entry.body
    match entry.kind:
        case "machine" | "setup":
            return str(body["what"])
        case "sheet" | "lot":
            sheet = body_of(entry).sheet
            measured = "" if sheet.measured_mm is None else say("logbook.measured", sheet=sheet)
            return f"lot {sheet.lot or 'not named'}{measured}"
        case "session":
            return session_words(body_of(entry))
        case "board":
            return say("logbook.round_planned", grid=body["grid"], plain=_burnt(body["grid"]))
        case "look":
            read = zip(READ_OFF, grades_of(entry), strict=True)
            told = [f"{name} {said}" for name, said in read if said is not None]
            return ", ".join(told) or say("logbook.not_burnt")
        case "size":
            sides = (body[name] for name in ("width_mm", "height_mm"))
            return f"measured {' x '.join('?' if one is None else f'{one:g}' for one in sides)} mm"
        case "cell_note":
            return f"note: {body['note']}"
        case "job" | "check_strip":
            count = sum(burn["count"] for burn in body["burns"])
            return say("logbook.parts", plain=_burnt(body["burns"][0]), burns=count)
        case "kept":
            kept = body_of(entry)
            setting = say("logbook.none_any_more")
            if one := kept.setting:
                pitch = "" if one.line_pitch_mm is None else say("logbook.lines_apart", setting=one)
                passes = "" if one.passes == 1 else say("logbook.passes", setting=one)
                setting = f"{one.power_pct:g} %, {one.speed_mm_s:g} mm/s{passes}{pitch}"
            words = f"{_burnt(body)}: {setting}"
            if kept.advice is None:
                return words
            chance = show_chance(kept.advice.chance)
            return say("logbook.chance_for_next", words=words, chance=chance, kept=kept)
        case "note":
            return str(body["text"])
        case "photograph":
            return str(body["filename"])
    return f"{entry.kind.replace('_', ' ')} {entry.slot}".strip()


def _burnt(of: Mapping[str, Any]) -> str:
    return str(of["operation"]).replace("_", " ")


def session_words(session: Session) -> str:
    """Say how a machine was set up for a session.

    Examples
    --------
    >>> session_words(Session(label="monday", air=True, focus_mm=-1.0, support="pins"))
    'monday: focus -1 mm, air on, on pins'
    """
    flags = (
        (session.air, say("logbook.air_on"), say("logbook.air_off")),
        (session.lens_cleaned, say("logbook.lens_cleaned"), say("logbook.lens_not_cleaned")),
        (session.masked, say("logbook.face_masked"), say("logbook.face_bare")),
    )
    words = [] if session.focus_mm is None else [say("logbook.focus", session=session)]
    words += [yes if value else no for value, yes, no in flags if value is not None]
    words += [f"on {session.support}"] if session.support else []
    words += [session.note] if session.note else []
    return f"{session.label}: {', '.join(words) or 'not described'}"


def _withdrawal(entry: Entry, by_id: Mapping[str, Entry]) -> str:
    gone = [by_id[key] for key in entry.replaces if key in by_id]
    if any(one.kind == WITHDRAW for one in gone):
        return say("logbook.put_again")
    words = [f"{KINDS[one.kind].called} {cell_of(one)}".strip() for one in gone]
    return say("logbook.took_back", fromkeys=", ".join(dict.fromkeys(words))).strip()


def _named(view: View, beginning: str) -> Entry:
    """The one entry whose id, or what follows the time in it, begins so."""
    asked = str(beginning).strip()
    begins = entries.c.id.startswith(asked, autoescape=True)
    within = entries.c.id.contains(f"-{asked}", autoescape=True)
    found = view.ever(sa.or_(begins, within)) if len(asked) >= _LEAST else []
    valid = [entry for entry in found if entry.is_valid]
    if len(valid) == 1:
        return valid[0]
    none = say("logbook.it_was_withdrawn_already" if found else "logbook.there_is_none")
    much = say("logbook.there_are_that_begin", count=len(valid)) if valid else none
    which = say("logbook.which_entry_of_logbook", asked=shown(asked), much=much, least=_LEAST)
    raise LogbookError(which)


def _called(whose: Whose) -> str:
    if board := whose.get("board_id"):
        return f"board {board!r}"
    names = (whose.get("machine"), whose.get("sheet"))
    said = " and ".join(repr(name) for name in names if name is not None)
    return said or say("logbook.the_logbook")


def _newest(view: View, whose: Whose, what: sa.ColumnElement[bool]) -> list[Entry]:
    """What was said in one go last, of something or anything, and wasn't withdrawn."""
    of: dict[str, Any] = {}
    if board := whose.get("board_id"):
        of = {"about": view.board(board).ids}
    elif whose.get("machine") or whose.get("sheet"):
        of = view.names.pair(whose.get("machine"), whose.get("sheet"), alone=True)
    scope = [among(entries.c[name], ids) for name, ids in of.items()]
    newest = standing(_batch, earlier=True).where(what, *scope)
    batch = view.connection.execute(newest.order_by(entries.c.seq.desc()).limit(1)).scalar()
    said = [] if batch is None else view.ever(batch=batch)
    return [entry for entry in said if entry.is_valid]


def _last(view: View, whose: Whose) -> list[Entry]:
    """What an undo takes back."""
    if said := _newest(view, whose, _SAID):
        return said
    raise LogbookError(say("logbook.there_is_nothing_to_take_back", called=_called(whose)))


def _undone(view: View, whose: Whose) -> tuple[list[Entry], list[Entry]]:
    """The last undo, and what it took back."""
    undo, said = _newest(view, whose, _TAKEN_BACK), _newest(view, whose, _SAID)
    if not undo or (said and said[0].seq > undo[0].seq):
        raise LogbookError(say("logbook.there_is_nothing_to_put_again", called=_called(whose)))
    return undo, view.ever(id=(key for entry in undo for key in entry.replaces))


def _words(view: View, said: Sequence[Entry], at: str = "") -> str:
    """Say what was said in one go, as a user would name it, and when, else ``at``."""
    main, body, names = said[0], said[0].body, view.names
    at = at or main.at
    day = f"of {_clock(at)}"
    if main.kind in (*OF_CELL, WITHDRAW):
        told = view.ever(id=main.replaces) if main.kind == WITHDRAW else said
        if told and told[0].kind not in OF_CELL:
            return say("logbook.withdrawal_of", words=_words(view, told, at))
        codes = "".join(names.code(board) for board in view.ever(id=main.about))
        labels = {cell_of(entry) for entry in told if entry.kind in OF_CELL}
        cells = ", ".join(sorted(labels, key=lambda label: (label[:1], len(label), label)))
        what = say("logbook.striking_out") if main.kind == WITHDRAW else "readings"
        if main.kind == "look" and main.replaces and len(said) == 1:
            # One answer to one question of a cell: what it changed.
            before = grades_of(view.ever(id=main.replaces)[0])
            parts = zip(READ_OFF, before, grades_of(main), strict=True)
            changed = [f"{name} {now}" for name, old, now in parts if now not in (None, old)]
            what = ", ".join(changed) or what
        return say("logbook.of_board_cells", what=what, codes=codes, cells=cells, day=day)
    name = names.name(main.machine or main.sheet or main.id)
    what = main.kind.replace("_", " ")
    match main.kind:
        case "machine" | "sheet":
            what += f" {name!r}"
        case "board":
            what += f" {names.code(main)}"
        case "setup":
            what = say("logbook.change_of_set_up", body=body.get("what"), name=name)
        case "lot":
            what = _lot_words(view, main, name)
        case "session":
            what = say("logbook.description_of_session", body=body.get("label"))
        case "kept":
            what = say("logbook.kept_setting_for", body=_burnt(body))
            what += say("logbook.of_pair", sheet=names.name(main.sheet), machine=name)
        case "note":
            what += f" {shown(body.get('text', ''))}"
        case "photograph":
            what += f" {body.get('filename')}"
        case kind if kind in STORED_KINDS:
            what += f" {main.slot!r}" if main.slot else ""
    return f"{what}, {day}"


def _lot_words(view: View, main: Entry, name: str) -> str:
    """Say what a sheet became: another lot, another measurement, or what is declared of it."""
    told = (*view.ever(id=main.about), *view.ever(kind="lot", about=main.about))
    earlier = [entry for entry in told if entry.seq < main.seq]
    last = max(earlier, key=lambda entry: (entry.is_valid, entry.seq))
    before, now = body_of(last).sheet, body_of(main).sheet
    if now.lot != before.lot:
        return say("logbook.new_lot_of_sheet", lot=now.lot, name=name)
    if now.measured_mm not in (None, before.measured_mm):
        return say("logbook.measurement_of_sheet", measured=now.measured_mm, name=name)
    return say("logbook.declaration_of_sheet", name=name)


def answer_in(view: View, key: str, answer: str, why: str = "") -> None:
    """Answer a question in the middle of a change."""
    asked = {one.key: (one, said) for one, said in asked_in(view)}
    if key not in asked:
        others = ", ".join(map(repr, asked))
        open_ones = say("logbook.there_is", map=others) if asked else say("logbook.nothing_is_open")
        raise LogbookError(say("logbook.there_is_no_question", key=shown(key)) + open_ones)
    question, said = asked[key]
    name = answer.removeprefix(_RENAME).strip()
    last = said[-1]
    about = {"about": last.id, "machine": last.machine, "sheet": last.sheet, "why": why}
    if _SAME in question.answers and answer.startswith(_RENAME) and name:
        taken = name in view.names.by_kind.get(last.kind, {})
        if last.kind == "board":
            with contextlib.suppress(LogbookError):
                taken = bool(view.board(name))
        if taken:
            raise LogbookError(say("logbook.name_is_taken_already", name=name))
        view.add(view.entry("name", NewName(name=name), slot="name", **about))
    elif answer == _SAME and _SAME in question.answers:
        view.add(view.entry("same", Same(other=said[0].id), slot="same", **about))
    elif answer in question.answers and answer.isdigit():
        view.add(_chosen(view, said, said[int(answer) - 1], why))
    else:
        may = ", ".join(question.answers)
        raise LogbookError(say("logbook.answer_to", key=key, answer=shown(answer), answers=may))


def asked_in(view: View) -> Iterator[tuple[Question, list[Entry]]]:
    """Each question with the entries that differ, one for each way, oldest first."""
    yield from _doubled_names(view)
    for kind, what in (("machine", "set-up"), ("sheet", "lot")):
        for thing in view.names.by_kind[kind].values():
            if len(thing.heads) > 1:
                yield _which(f"{what} {thing.name}", list(thing.heads))
    # Only where several stand is looked at what they say.
    names = ("id", "kind", "about", "machine", "sheet", "slot")
    asked = [kind for kind, one in KINDS.items() if one.asked]
    every = standing(*(entries.c[name] for name in names)).where(entries.c.kind.in_(asked))
    rows = view.connection.execute(every).all()
    keys = [view.names.question(row) for row in rows]
    count = Counter(keys)
    several = [row.id for row, key in zip(rows, keys, strict=True) if count[key] > 1]
    for said in view.ways(view.read(id=several)):
        if len(said) > 1:
            yield _which(_key(view, said[0]), said)


def _doubled_names(view: View) -> Iterator[tuple[Question, list[Entry]]]:
    """Two machines, sheets or boards of one name."""
    names = view.names
    answers = (_SAME, f"{_RENAME}NEW NAME")
    for what, things in names.by_kind.items():
        for thing in (one for one in things.values() if one.name != one.own):
            said = [things[thing.own], thing]
            words = []
            for first in (one.versions[0] for one in said):
                record = record_part(first)
                known = f"{record['rated_w']:g} W" if what == "machine" else record["material"]
                words.append(f"{known}{say('logbook.known_since', at=first.at[:10])}")
            question = Question(key=f"{what} {thing.name}", said=tuple(words), answers=answers)
            yield question, [entry for one in said for entry in view.ever(id=one.id)]
    boards = view.by_ids(names.codes)
    for key, (code, own) in names.codes.items():
        if code != own:
            pair = [view.board(own).entry, boards[key]]
            words = [say("logbook.planned_utc", at=one.at[:10], at_2=one.at[11:16]) for one in pair]
            # Readings of one board belong to the other only if their cells are the same.
            alike = pair[0].body["grid"]["cells"] == pair[1].body["grid"]["cells"]
            may = answers if alike else answers[1:]
            yield Question(key=f"board {code}", said=tuple(words), answers=may), pair


def _clock(at: str) -> str:
    """A time of the logbook as the clock on the wall shows it."""
    return read_time(at).astimezone().strftime("%Y-%m-%d %H:%M")


def _which(key: str, said: list[Entry]) -> tuple[Question, list[Entry]]:
    told = []
    for entry in said:
        words = _text(entry)
        if entry.kind in ("machine", "setup"):
            words = f"{entry.body['what']}: {entry.body['machine']['rated_w']:g} W"
        elif "content" in entry.body:
            words = canonical(entry.body["content"])[:100]
        told.append(f"{words} ({_clock(entry.at)})")
    numbers = tuple(str(number) for number in range(1, len(said) + 1))
    return Question(key=key, said=tuple(told), answers=numbers), said


def _key(view: View, entry: Entry) -> str:
    machine, sheet = view.names.name(entry.machine), view.names.name(entry.sheet)
    if entry.kind in ("look", "size"):
        (board,) = view.ever(id=entry.about)
        what = "reading" if entry.kind == "look" else "size"
        return f"{what} {view.names.code(board)} {cell_of(entry)}"
    if entry.kind == "session":
        return f"session {entry.body['label']} {machine}"
    if entry.kind == "kept":
        return f"setting {machine} {sheet} {entry.body['operation']}"
    return " ".join(word for word in (entry.kind, entry.slot, machine, sheet) if word)


def _chosen(view: View, said: Sequence[Entry], one: Entry, why: str) -> Entry:
    """Say one of several again, in place of all of them."""
    fields = {name: getattr(one, name) for name in ("kind", "slot", "about", "machine", "sheet")}
    if one.kind == "machine":
        fields |= {"kind": "setup", "slot": "set-up", "about": one.id, "machine": one.id}
    elif one.kind == "sheet":
        fields |= {"kind": "lot", "slot": "lot", "about": one.id, "sheet": one.id}
    again = view.entry(**fields, why=why, replaces=(other.id for other in said))
    body = {**one.body, "what": "other"} if one.body.get("what") == "first" else one.body
    return dataclasses.replace(again, body=body)
