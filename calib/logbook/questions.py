"""What two books, or two people, said differently without knowing of each other; answers to it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from datetime import datetime

import sqlalchemy as sa

from calib.errors import LogbookError, shown
from calib.logbook import ledger
from calib.logbook.bodies import NewName, Same
from calib.logbook.coding import check_text, write_time
from calib.logbook.entries import Question
from calib.logbook.history import text_of
from calib.logbook.ledger import Entry, among, canonical, entries
from calib.logbook.room import (
    Directory,
    Room,
    bearers_of,
    code_of,
    counting,
    entry_of,
    find_board,
    record_part,
)
from calib.logbook.runs import STORED_KINDS, answer_of, question_of

# Kinds with one answer to each question; readings of cells come first.
_ASKED = ("look", "size", "session", "kept", *STORED_KINDS)
_SAME, _RENAME = "same", "rename: "


class Questions(Room):
    """What is to be answered."""

    def questions(self) -> tuple[Question, ...]:
        """List what was said in two ways, of which nobody has said yet which holds."""
        with self.look() as connection:
            return tuple(one for one, _ in _questions(connection, self.directory(connection)))

    def questions_within(self, connection: sa.Connection) -> tuple[Question, ...]:
        """The same in the middle of a change."""
        directory = self.directory(connection, keep=False)
        return tuple(one for one, _ in _questions(connection, directory))

    def answer(self, key: str, answer: str, *, when: datetime, why: str = "") -> None:
        """Answer a question: by the number of what holds, ``same``, or ``rename: NEW NAME``."""
        with self.change() as connection:
            self.answer_within(connection, key, answer, write_time(when), why)

    def answer_within(
        self, connection: sa.Connection, key: str, answer: str, at: str, why: str = ""
    ) -> None:
        """Answer a question in the middle of a change."""
        check_text("why", why)
        directory = self.directory(connection, keep=False)
        asked = {one.key: (one, said) for one, said in _questions(connection, directory)}
        if key not in asked:
            raise LogbookError(
                f"There is no question {shown(key)}: "
                + (f"there is {', '.join(map(repr, asked))}." if asked else "nothing is open.")
            )
        question, said = asked[key]
        name = answer.removeprefix(_RENAME).strip()
        if _SAME in question.answers and answer.startswith(_RENAME) and name:
            _check_free(connection, directory, said[1], name)
            self.say(connection, [_about(said[1], "name", NewName(name=name), at, why)])
        elif answer == _SAME and _SAME in question.answers:
            self.say(connection, [_about(said[1], "same", Same(other=said[0].id), at, why)])
        elif answer in question.answers and answer.isdigit():
            self.say(connection, [_chosen(said, said[int(answer) - 1], at, why)])
        else:
            raise LogbookError(
                f"The answer to {key!r} is {shown(answer)}: give one of"
                f" {', '.join(question.answers)}."
            )


def _questions(
    connection: sa.Connection, directory: Directory
) -> Iterator[tuple[Question, list[Entry]]]:
    """Each question with the entries that differ, one for each way, oldest first."""
    yield from _doubled_names(connection, directory)
    for thing in (*directory.machines.values(), *directory.sheets.values()):
        if len(thing.heads) > 1:
            what = "set-up" if thing.heads[0].kind in ("machine", "setup") else "lot"
            yield _which(f"{what} {thing.name}", list(thing.heads))
    stand: dict[tuple[str, ...], list[Entry]] = {}
    for entry in _asked(connection, directory):
        said = stand.setdefault(question_of(directory, entry), [])
        if all(answer_of(entry) != answer_of(other) for other in said):
            said.append(entry)
    for said in stand.values():
        if len(said) > 1:
            yield _which(_key(connection, directory, said[0]), said)


def _asked(connection: sa.Connection, directory: Directory) -> list[Entry]:
    """Entries in slots with more than one of them."""
    asked = (entries.c.kind, entries.c.slot)
    often = sa.select(*asked).where(entries.c.kind.in_(_ASKED)).group_by(*asked)
    often = often.having(sa.func.count() > 1)
    question = entries.c.kind + " " + entries.c.slot
    slots = [f"{kind} {slot}" for kind, slot in connection.execute(often)]
    return ledger.read(
        connection,
        entries.c.kind.in_(_ASKED),
        among(connection, question, slots),
        *counting(directory),
    )


def _doubled_names(
    connection: sa.Connection, directory: Directory
) -> Iterator[tuple[Question, list[Entry]]]:
    answers = (_SAME, f"{_RENAME}NEW NAME")
    for what, things in (("machine", directory.machines), ("sheet", directory.sheets)):
        for name, thing in things.items():
            own = str(record_part(thing.versions[0])["name"])
            if name != own and name.startswith(f"{own} (") and own in things:
                said = [things[own], thing]
                parts = [(record_part(one.versions[0]), one.versions[0].at[:10]) for one in said]
                words = tuple(
                    f"{part['rated_w']:g} W, known since {day}"
                    if what == "machine"
                    else f"{part['material']}, known since {day}"
                    for part, day in parts
                )
                question = Question(key=f"{what} {name}", said=words, answers=answers)
                found = ledger.by_ids(connection, [one.id for one in said])
                yield question, [found[one.id] for one in said]
    for code in sorted(directory.doubled):
        boards = bearers_of(directory, connection, code)
        for board in boards[1:]:
            words = tuple(
                f"planned {one.at[:10]} {one.at[11:16]} UTC" for one in (boards[0], board)
            )
            named = code_of(directory, connection, board)
            # Readings of one board belong to the other only if their cells are the same.
            alike = board.body["grid"]["cells"] == boards[0].body["grid"]["cells"]
            question = Question(
                key=f"board {named}", said=words, answers=answers if alike else answers[1:]
            )
            yield question, [boards[0], board]


def _which(key: str, said: list[Entry]) -> tuple[Question, list[Entry]]:
    told = tuple(f"{_words(entry)} ({entry.at[:10]} {entry.at[11:16]} UTC)" for entry in said)
    numbers = tuple(str(number) for number in range(1, len(said) + 1))
    return Question(key=key, said=told, answers=numbers), said


def _words(entry: Entry) -> str:
    if entry.kind in ("machine", "setup"):
        return f"{entry.body['what']}: {entry.body['machine']['rated_w']:g} W"
    return canonical(entry.body["content"])[:100] if "content" in entry.body else text_of(entry)


def _key(connection: sa.Connection, directory: Directory, entry: Entry) -> str:
    names = [directory.name(entry.machine), directory.name(entry.sheet)]
    if entry.kind in ("look", "size"):
        board = ledger.by_ids(connection, [entry.about])[entry.about]
        what = "reading" if entry.kind == "look" else "size"
        cell = entry.slot.split(" ", 1)[1]
        return f"{what} {code_of(directory, connection, board)} {cell}"
    if entry.kind == "session":
        return f"session {entry.body['label']} {names[0]}"
    if entry.kind == "kept":
        return f"setting {' '.join(names)} {entry.body['operation']}"
    return " ".join(word for word in (entry.kind, entry.slot, *names) if word)


def _about(thing: Entry, kind: str, record: object, at: str, why: str) -> Entry:
    pair = {"machine": thing.machine, "sheet": thing.sheet}
    slot = "name" if kind == "name" else "same"
    return entry_of(kind, record, at, why=why, about=thing.id, slot=slot, **pair)


def _chosen(said: Sequence[Entry], one: Entry, at: str, why: str) -> Entry:
    """Say one of several again, in place of all of them."""
    kind = {"machine": "setup", "sheet": "lot"}.get(one.kind, one.kind)
    about = {
        "about": one.about or (one.id if one.kind in ("machine", "sheet") else ""),
        "machine": one.machine or (one.id if one.kind == "machine" else ""),
        "sheet": one.sheet or (one.id if one.kind == "sheet" else ""),
        "slot": one.slot or {"setup": "set-up", "lot": "lot"}.get(kind, ""),
    }
    entry = entry_of(kind, None, at, why=why, replaces=(other.id for other in said), **about)
    body = {**one.body, "what": "other"} if one.body.get("what") == "first" else one.body
    return Entry(**{**entry.document(), "replaces": entry.replaces, "body": body})


def _check_free(connection: sa.Connection, directory: Directory, thing: Entry, name: str) -> None:
    taken = name in {"machine": directory.machines, "sheet": directory.sheets}.get(thing.kind, {})
    if thing.kind == "board":
        with contextlib.suppress(LogbookError):
            taken = bool(find_board(connection, directory, name))
    if taken:
        raise LogbookError(f"The name {name!r} is taken already: give another one.")
