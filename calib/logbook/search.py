"""Find and list boards, jobs, check strips and notes, newest first."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord
from calib.logbook import ledger
from calib.logbook.boards import by_cell, grades_of, says_nothing, the_look
from calib.logbook.coding import material_key, read_time, write_time
from calib.logbook.entries import Filters, Line, Page
from calib.logbook.evidence import said_of_boards
from calib.logbook.ledger import Entry, among, entries, is_valid, stands, with_state
from calib.logbook.room import Directory, Room, Thing, code_of, counting
from calib.logbook.runs import lot_of
from calib.logbook.workshop import is_as_thick
from calib.records import SCALES, Sheet, outcome_order

_LONGEST_PAGE = 1000
_EVERYTHING = Filters()
_LOT = re.compile(r'"lot":"([0-9]{20}-[0-9a-f]{24})"')
_LISTED = ("board", "job", "check_strip", "note")
Wanted = list[sa.ColumnElement[bool]]


class Search(Room):
    """Searching."""

    def search(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List what fits, newest first."""
        if not 1 <= limit <= _LONGEST_PAGE:
            raise InvalidRecord(f"limit is {limit!r}: give a number from 1 to {_LONGEST_PAGE}.")
        if offset < 0:
            raise InvalidRecord(f"offset is {offset!r}: give 0 or more.")
        with self.looking() as (connection, directory):
            wanted = _wanted(connection, directory, filters)
            if filters.text:
                wanted.append(_with_words(connection, directory, filters.text, wanted))
            query = sa.select(entries.c.seq).select_from(with_state).where(*wanted)
            query = query.order_by(entries.c.at.desc(), entries.c.slot, entries.c.seq)
            every = connection.execute(query).scalars().all()
            seqs = list(every[offset : offset + limit])
            read = ledger.read(connection, entries.c.seq.in_(seqs), all=True)
            found = {entry.id: entry for entry in sorted(read, key=lambda e: seqs.index(e.seq))}
            about = {one for key in found for one in directory.same.get(key, (key,))}
            looks = said_of_boards(
                connection, directory, ("look",), [among(connection, entries.c.about, about)]
            )
            lines = tuple(
                _line(connection, directory, entry, looks.get(key, ()))
                for key, entry in found.items()
            )
        return Page(entries=lines, total=len(every), offset=offset)

    def boards(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List boards that fit, newest first."""
        return self.search(
            dataclasses.replace(filters, kinds=("board",)), limit=limit, offset=offset
        )


def _wanted(connection: sa.Connection, directory: Directory, filters: Filters) -> Wanted:
    kinds = [kind for kind in _LISTED if kind in filters.kinds]
    if filters.operation is not None or filters.outcome is not None:
        kinds = [kind for kind in kinds if kind != "note"]
    if filters.outcome == "unread":
        kinds = [kind for kind in kinds if kind == "board"]
    # A board counts whatever was said of it since; nothing replaces it.
    wanted: Wanted = [
        entries.c.kind.in_(kinds), is_valid, *counting(directory),
    ]  # fmt: skip
    doubles = {min(group) for group in directory.same.values()}
    if doubles:
        hidden = sorted(set(directory.same) - doubles)
        wanted.append(sa.or_(entries.c.kind != "board", entries.c.id.not_in(hidden)))
    if filters.machine is not None:
        machine = directory.machines.get(filters.machine)
        wanted.append(among(connection, entries.c.machine, _ids([machine])))
    if (filters.sheet, filters.material, filters.thickness_mm) != (None, None, None):
        sheets = [thing for thing in directory.sheets.values() if _fits(thing, filters)]
        wanted.append(among(connection, entries.c.sheet, _ids(sheets)))
    if filters.operation is not None:
        wanted.append(_says("operation", filters.operation))
    if filters.since is not None:
        wanted.append(entries.c.at >= write_time(filters.since))
    if filters.until is not None:
        wanted.append(entries.c.at < write_time(filters.until))
    if filters.outcome is not None:
        wanted.append(_came_out(connection, directory, filters.outcome))
    return wanted


def _ids(things: Sequence[Thing | None]) -> set[str]:
    return {key for thing in things if thing is not None for key in thing.ids}


def _fits(thing: Thing, filters: Filters) -> bool:
    sheet: Sheet = thing.sheet
    key = None if filters.material is None else material_key(filters.material)
    return (
        filters.sheet in (None, sheet.name)
        and key in (None, material_key(sheet.material))
        and (filters.thickness_mm is None or is_as_thick(sheet, filters.thickness_mm))
    )


def _says(name: str, value: str | int | None) -> sa.ColumnElement[bool]:
    """True of bodies with a field of this value; no text in them can look like that."""
    text = ledger.canonical({name: value})[1:-1]
    return entries.c.body.contains(text, autoescape=True)


def _came_out(
    connection: sa.Connection, directory: Directory, outcome: str
) -> sa.ColumnElement[bool]:
    """True of boards with a cell, and of jobs with a part, that came out like that."""
    looks = (
        sa.select(entries.c.about).select_from(with_state).where(entries.c.kind == "look", stands)
    )
    unclear = _unclear(connection, directory)
    if unclear:
        looks = looks.where(~among(connection, entries.c.about + " " + entries.c.slot, unclear))
    if outcome == "unread":
        read = set(connection.execute(looks.where(sa.not_(says_nothing())).distinct()).scalars())
        return ~among(connection, entries.c.id, _first_of(directory, read))
    kind, _, grade = outcome.partition(" ")
    says = _says(kind, int(grade)) if grade else _says("through", outcome)
    boards = set(connection.execute(looks.where(says).distinct()).scalars())
    runs = sa.and_(entries.c.kind != "board", says)
    return sa.or_(runs, among(connection, entries.c.id, _first_of(directory, boards)))


def _first_of(directory: Directory, ids: set[str]) -> set[str]:
    return {min(directory.same.get(key, (key,))) for key in ids}


def _unclear(connection: sa.Connection, directory: Directory) -> list[str]:
    """Questions at cells to which two answers stand that differ."""
    cells = (entries.c.about, entries.c.slot)
    often = sa.select(*cells).where(entries.c.kind == "look").group_by(*cells)
    often = often.having(sa.func.count() > 1)
    asked = {f"{about} {slot}" for about, slot in connection.execute(often)}
    if not asked:
        return []
    question = entries.c.about + " " + entries.c.slot
    found = ledger.read(connection, entries.c.kind == "look", among(connection, question, asked))
    answers: dict[str, set[tuple[Any, ...]]] = {}
    for entry in found:
        said = grades_of(entry)
        answers.setdefault(f"{entry.about} {entry.slot}", set()).add(said)
    return [key for key, said in answers.items() if len(said) > 1]


def _with_words(
    connection: sa.Connection, directory: Directory, text: str, wanted: Wanted
) -> sa.ColumnElement[bool]:
    """True of those in which all of some words stand: in a code, name, material, lot or note."""
    words = text.lower().split()
    lots = {key: name.lower() for key, name in directory.lots.items()}
    lots = {key: name for key, name in lots.items() if any(word in name for word in words)}
    # A board's own words are its lot's; its body is long, and read only where that matters.
    body = sa.case((entries.c.kind == "board", ""), else_=entries.c.body)
    query = sa.select(
        entries.c.id, entries.c.slot, entries.c.machine, entries.c.sheet,
        entries.c.body if lots else body,
    ).select_from(with_state)  # fmt: skip
    noted: dict[str, str] = {}
    notes = sa.select(entries.c.about, entries.c.body).select_from(with_state)
    for about, note in connection.execute(notes.where(entries.c.kind == "cell_note", stands)):
        noted[about] = f"{noted.get(about, '')}\n{ledger.read_body(note)['note'].lower()}"
    known: dict[tuple[str, str], str] = {}
    found = []
    for key, slot, machine, sheet, own in connection.execute(query.where(*wanted)):
        if (machine, sheet) not in known:
            thing = directory.things.get(sheet)
            names = (directory.name(machine), directory.name(sheet))
            material = thing.sheet.material if thing else ""
            known[machine, sheet] = "\n".join((*names, material)).lower()
        lot = _LOT.search(own) if lots else None
        lot_name = lots.get(lot[1], "") if lot else ""
        short = "\n".join((slot.lower(), known[machine, sheet], lot_name, noted.get(key, "")))
        missing = [word for word in words if word not in short]
        if missing and own:
            says = ledger.read_body(own)
            said = f"{says.get('note', '')}\n{says.get('text', '')}".lower()
            missing = [word for word in missing if word not in said]
        if not missing:
            found.append(key)
    return among(connection, entries.c.id, found)


def _line(
    connection: sa.Connection, directory: Directory, entry: Entry, looks: Sequence[Entry]
) -> Line:
    counts: Counter[str] = Counter()
    read = 0
    parts: list[tuple[int, Any]] = [(burn["count"], burn) for burn in entry.body.get("burns", ())]
    parts += [
        (1, look.body) for said in by_cell(looks).values() if (look := the_look(said)) is not None
    ]
    for count, says in parts:
        keys = [says["through"]] if says["through"] is not None else []
        keys += [f"{name} {says[name]}" for name in SCALES if says.get(name) is not None]
        read += count if keys else 0
        for key in keys:
            counts[key] += count
    grid = entry.body.get("grid", {})
    thing = directory.things.get(entry.sheet)
    sheet = thing.sheet if thing else None
    operations = [burn["operation"] for burn in entry.body.get("burns", ())]
    return Line(
        kind=entry.kind,  # type: ignore[arg-type]
        id=code_of(directory, connection, entry) if grid else entry.id,
        at=read_time(entry.at),
        machine=directory.name(entry.machine),
        sheet=directory.name(entry.sheet),
        material=sheet.material if sheet else "",
        thickness_mm=sheet.thickness_mm if sheet else None,
        lot=lot_of(directory, entry),
        operation=grid["operation"] if grid else next(iter(operations), ""),
        round=grid.get("round"),
        cells=len(grid["cells"]) if grid else read,
        read=read,
        outcomes={name: counts[name] for name in sorted(counts, key=outcome_order)},
        note=str(entry.body.get("note") or entry.body.get("text") or ""),
    )
