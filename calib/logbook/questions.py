"""What two books, or two people, said differently without knowing of each other; answers to it."""

from __future__ import annotations

import contextlib
import dataclasses
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import LogbookError, shown
from calib.logbook.boards import cell_of
from calib.logbook.bodies import NewName, Same
from calib.logbook.entries import Question
from calib.logbook.history import text_of
from calib.logbook.ledger import Entry, canonical, entries, stands, with_state
from calib.logbook.room import Room, Thing, View
from calib.logbook.runs import STORED_KINDS, answer_of, question_of
from calib.texts.say import say

# Kinds with one answer to each question; readings of cells come first.
_ASKED = ("look", "size", "session", "kept", *STORED_KINDS)
_SAME, _RENAME = "same", "rename: "


class Questions(Room):
    """What is to be answered."""

    def questions(self) -> tuple[Question, ...]:
        """List what was said in two ways, of which nobody has said yet which holds."""
        with self.looking() as view:
            return tuple(one for one, _ in asked_in(view))

    def answer(self, key: str, answer: str, *, when: datetime, why: str = "") -> None:
        """Answer a question: by the number of what holds, ``same``, or ``rename: NEW NAME``."""
        with self.saying(when) as view:
            answer_in(view, key, answer, why)


def answer_in(view: View, key: str, answer: str, why: str = "") -> None:
    """Answer a question in the middle of a change."""
    asked = {one.key: (one, said) for one, said in asked_in(view)}
    if key not in asked:
        raise LogbookError(
            say("logbook.there_is_no_question", key=shown(key))
            + (
                say("logbook.there_is", map=", ".join(map(repr, asked)))
                if asked
                else say("logbook.nothing_is_open")
            )
        )
    question, said = asked[key]
    name = answer.removeprefix(_RENAME).strip()
    last = said[-1]
    about = {"about": last.id, "machine": last.machine, "sheet": last.sheet, "why": why}
    if _SAME in question.answers and answer.startswith(_RENAME) and name:
        known = {"machine": view.names.machines, "sheet": view.names.sheets}
        taken = name in known.get(last.kind, {})
        if last.kind == "board":
            with contextlib.suppress(LogbookError):
                taken = bool(view.board(name))
        if taken:
            raise LogbookError(say("logbook.name_is_taken_already", name=name))
        view.say(view.entry("name", NewName(name=name), slot="name", **about))
    elif answer == _SAME and _SAME in question.answers:
        view.say(view.entry("same", Same(other=said[0].id), slot="same", **about))
    elif answer in question.answers and answer.isdigit():
        view.say(_chosen(view, said, said[int(answer) - 1], why))
    else:
        raise LogbookError(
            say(
                "logbook.answer_to",
                key=key,
                answer=shown(answer),
                answers=", ".join(question.answers),
            )
        )


def asked_in(view: View) -> Iterator[tuple[Question, list[Entry]]]:
    """Each question with the entries that differ, one for each way, oldest first."""
    names = view.names
    yield from _doubled_names(view)
    things: list[Thing[Any]] = [*names.machines.values(), *names.sheets.values()]
    for thing in things:
        if len(thing.heads) > 1:
            what = "set-up" if thing.heads[0].kind in ("machine", "setup") else "lot"
            yield _which(f"{what} {thing.name}", list(thing.heads))
    columns = (entries.c[name] for name in ("id", "kind", "about", "machine", "sheet", "slot"))
    every = sa.select(*columns).select_from(with_state).where(stands, entries.c.kind.in_(_ASKED))
    answers: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for row in view.connection.execute(every):
        answers[question_of(names, row)].append(row.id)
    several = [key for ids in answers.values() if len(ids) > 1 for key in ids]
    ways: defaultdict[tuple[str, ...], dict[str, Entry]] = defaultdict(dict)
    for entry in view.read(id=several):
        ways[question_of(names, entry)].setdefault(answer_of(entry), entry)
    for said in ways.values():
        if len(said) > 1:
            yield _which(_key(view, next(iter(said.values()))), list(said.values()))


def _doubled_names(view: View) -> Iterator[tuple[Question, list[Entry]]]:
    names = view.names
    answers = (_SAME, f"{_RENAME}NEW NAME")
    for what, things in (("machine", names.machines), ("sheet", names.sheets)):
        for name, thing in things.items():
            if name != thing.own:
                said = [things[thing.own], thing]
                firsts = [one.versions[0] for one in said]
                words = tuple(
                    (
                        f"{entry.body['machine']['rated_w']:g} W"
                        if what == "machine"
                        else str(entry.body["sheet"]["material"])
                    )
                    + say("logbook.known_since", at=entry.at[:10])
                    for entry in firsts
                )
                found = view.by_ids(one.id for one in said)
                question = Question(key=f"{what} {name}", said=words, answers=answers)
                yield question, [found[one.id] for one in said]
    boards = view.by_ids(names.codes)
    for key, (code, own) in names.codes.items():
        if code != own:
            pair = [view.board(own).entry, boards[key]]
            words = tuple(
                say("logbook.planned_utc", at=one.at[:10], at_2=one.at[11:16]) for one in pair
            )
            # Readings of one board belong to the other only if their cells are the same.
            alike = pair[0].body["grid"]["cells"] == pair[1].body["grid"]["cells"]
            may = answers if alike else answers[1:]
            yield Question(key=say("logbook.board", code=code), said=words, answers=may), pair


def _which(key: str, said: list[Entry]) -> tuple[Question, list[Entry]]:
    told = tuple(f"{_words(entry)} ({entry.at[:10]} {entry.at[11:16]} UTC)" for entry in said)
    numbers = tuple(str(number) for number in range(1, len(said) + 1))
    return Question(key=key, said=told, answers=numbers), said


def _words(entry: Entry) -> str:
    if entry.kind in ("machine", "setup"):
        return f"{entry.body['what']}: {entry.body['machine']['rated_w']:g} W"
    return canonical(entry.body["content"])[:100] if "content" in entry.body else text_of(entry)


def _key(view: View, entry: Entry) -> str:
    names = [view.names.name(entry.machine), view.names.name(entry.sheet)]
    if entry.kind in ("look", "size"):
        (board,) = view.ever(id=entry.about)
        what = "reading" if entry.kind == "look" else "size"
        return f"{what} {view.names.code(board)} {cell_of(entry)}"
    if entry.kind == "session":
        return say("logbook.session_2", entry=entry, names=names)
    if entry.kind == "kept":
        return say("logbook.setting", names=" ".join(names), entry=entry)
    return " ".join(word for word in (entry.kind, entry.slot, *names) if word)


def _chosen(view: View, said: Sequence[Entry], one: Entry, why: str) -> Entry:
    """Say one of several again, in place of all of them."""
    kind, slot, machine, sheet = one.kind, one.slot, one.machine, one.sheet
    if kind == "machine":
        kind, slot, machine = "setup", "set-up", one.id
    elif kind == "sheet":
        kind, slot, sheet = "lot", "lot", one.id
    again = view.entry(
        kind, why=why, replaces=(other.id for other in said), slot=slot,
        about=one.about or (one.id if kind != one.kind else ""), machine=machine, sheet=sheet,
    )  # fmt: skip
    body = {**one.body, "what": "other"} if one.body.get("what") == "first" else one.body
    return dataclasses.replace(again, body=body)
