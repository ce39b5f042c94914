"""Find and list boards, jobs, check strips and notes, newest first."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord
from calib.logbook.coding import material_key, read_time, write_time
from calib.logbook.entries import Filters, Line, Page
from calib.logbook.evidence import looks_of
from calib.logbook.ledger import Entry, among, entries, read_body, says
from calib.logbook.room import Room, View, grades_of
from calib.logbook.workshop import sessions_of
from calib.records import READ_OFF, SCALES, Sheet, outcome_order
from calib.texts.say import say

# Two thicknesses are the same sheet's when they differ by no more [mm]: 1/8 in and 3.2 mm are;
# the small rest is for the rounding of decimal fractions.
SAME_THICKNESS_MM = 0.05 + 1e-9
_LONGEST_PAGE = 1000
_EVERYTHING = Filters()
_LOT = re.compile(r'"lot":"([0-9]{20}-[0-9a-f]{24})"')


class Search(Room):
    """Searching."""

    def search(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List what fits, newest first."""
        if not 1 <= limit <= _LONGEST_PAGE:
            most = _LONGEST_PAGE
            raise InvalidRecord(say("logbook.limit_is_give_number", limit=limit, most=most))
        if offset < 0:
            raise InvalidRecord(say("logbook.offset_is_give_or_more", offset=offset))
        with self.looking() as view:
            ids = _found(view, filters)
            page = ids[offset : offset + limit]
            listed = view.by_ids(page)
            boards = {one for key in page for one in view.names.same.get(key, (key,))}
            looks = looks_of(view, about=boards)
        lines = (_line(view, listed[key], looks.get(key, {}).values()) for key in page)
        return Page(entries=tuple(lines), total=len(ids), offset=offset)

    def boards(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List boards that fit, newest first."""
        filters = dataclasses.replace(filters, kinds=("board",))
        return self.search(filters, limit=limit, offset=offset)


def _found(view: View, filters: Filters) -> list[str]:
    """Ids of what fits, newest first."""
    names = view.names
    # Of boards that were said to be the same the first is listed.
    others = [key for key in names.same if key != names.first(key)]
    where = [entries.c.kind.in_(filters.kinds), ~among(entries.c.id, others)]
    if filters.machine is not None:
        machine = names.machines.get(filters.machine)
        where.append(among(entries.c.machine, machine.ids if machine else ()))
    if (filters.sheet, filters.material, filters.thickness_mm) != (None, None, None):
        sheets = [
            key
            for name, thing in names.sheets.items()
            if filters.sheet in (None, name) and _is_of(thing.record, filters)
            for key in thing.ids
        ]
        where.append(among(entries.c.sheet, sheets))
    if filters.operation is not None:
        where.append(says("operation", filters.operation))
    if filters.since is not None:
        where.append(entries.c.at >= write_time(filters.since))
    if filters.until is not None:
        where.append(entries.c.at < write_time(filters.until))
    if filters.outcome is not None:
        where.append(_came_out(view, filters.outcome))
    # A board counts whatever was said of it since; nothing replaces it.
    query = view.counting(entries.c.id, earlier=True).where(*where)
    query = query.order_by(entries.c.at.desc(), entries.c.slot, entries.c.seq)
    words = (filters.text or "").lower().split()
    if not words:
        return [*view.connection.execute(query).scalars()]
    noted, burnt_by = _cell_notes(view), _burnt_by(view)
    more = [entries.c[name] for name in ("kind", "slot", "machine", "sheet", "body")]
    return [
        row.id
        for row in view.connection.execute(query.add_columns(*more))
        for text in [_text(view, row, noted.get(row.id, "") + burnt_by.get(row.id, ""))]
        if all(word in text for word in words)
    ]


def _is_of(sheet: Sheet, filters: Filters) -> bool:
    """Say whether a sheet is of a material, and of a thickness, nominal or measured."""
    wanted, thickness = filters.material, filters.thickness_mm
    known = (sheet.thickness_mm, sheet.working_thickness_mm)
    return (wanted is None or material_key(wanted) == material_key(sheet.material)) and (
        thickness is None or any(abs(value - thickness) <= SAME_THICKNESS_MM for value in known)
    )


def _cell_notes(view: View) -> Mapping[str, str]:
    """What was noted at the cells of boards."""
    notes = view.counting(entries.c.about, entries.c.body).where(entries.c.kind == "cell_note")
    noted: defaultdict[str, str] = defaultdict(str)
    for about, body in view.connection.execute(notes):
        noted[view.names.first(about)] += f"\n{read_body(body).get('note', '')}"
    return noted


def _burnt_by(view: View) -> Mapping[str, str]:
    """Who burnt the cells of boards and the parts of jobs, as far as sessions say."""
    who = {
        (view.names.first(entry.machine), entry.body["label"]): entry.body.get("who", "")
        for entry in view.read(kind="session")
    }
    burnt: defaultdict[str, str] = defaultdict(str)
    for entry in view.read(kind=("look", "job", "check_strip")) if any(who.values()) else ():
        key = view.names.first(entry.about) if entry.kind == "look" else entry.id
        for label in sessions_of(entry):
            burnt[key] += f"\n{who.get((view.names.first(entry.machine), label), '')}"
    return burnt


def _text(view: View, row: Any, noted: str) -> str:
    """What words are looked for in: code, names, material, lot and notes."""
    names = view.names
    sheet = names.things.get(row.sheet)
    # A board's body is long, and of its words only the lot's name is asked.
    own = {} if row.kind == "board" else read_body(row.body)
    lot = _LOT.search(row.body)
    words = (
        names.code(row), names.name(row.machine), names.name(row.sheet),
        sheet.record.material if sheet else "", names.lots.get(lot[1], "") if lot else "", noted,
        own.get("note", ""), own.get("text", ""),
    )  # fmt: skip
    return "\n".join(words).lower()


def _was_read(name: str) -> sa.ColumnElement[bool]:
    return sa.and_(entries.c.body.contains(f'"{name}":', autoescape=True), ~says(name, None))


def _came_out(view: View, outcome: str) -> sa.ColumnElement[bool]:
    """True of boards with a cell, and of runs with a part, that came out like that."""
    name, _, grade = outcome.rpartition(" ")
    name, wanted = name or "through", int(grade) if name else outcome
    unread = outcome == "unread"
    fits = sa.or_(*map(_was_read, READ_OFF)) if unread else says(name, wanted)
    about = entries.c.about
    looks = view.counting(about).where(entries.c.kind == "look")
    # Two different looks at one cell count as none; only where there may be two are they read.
    twice = looks.group_by(about, entries.c.slot).having(sa.func.count() > 1)
    doubted = {*view.connection.execute(twice).scalars(), *view.names.same}
    alone = looks.where(fits, ~among(about, doubted)).distinct()
    boards = {*view.connection.execute(alone).scalars()}
    for look in view.clear(view.read(kind="look", about=doubted)):
        said = grades_of(look)
        if any(one is not None for one in said) if unread else said[READ_OFF.index(name)] == wanted:
            boards.add(view.names.first(look.about))
    is_board = entries.c.kind == "board"
    if unread:
        return sa.and_(is_board, ~among(entries.c.id, boards))
    return sa.or_(sa.and_(~is_board, fits), among(entries.c.id, boards))


def _line(view: View, entry: Entry, looks: Iterable[Entry]) -> Line:
    burns = entry.body.get("burns", ())
    parts = [(burn["count"], burn) for burn in burns]
    parts += [(1, look.body) for look in looks]
    counts: Counter[str] = Counter()
    read = 0
    for count, said in parts:
        keys = [said["through"]] if said["through"] is not None else []
        keys += [f"{name} {said[name]}" for name in SCALES if said.get(name) is not None]
        read += count if keys else 0
        counts.update(dict.fromkeys(keys, count))
    grid = entry.body.get("grid", {})
    names = view.names
    sheet = names.thing(entry.sheet).record if entry.sheet else None
    return Line(
        kind=entry.kind,  # type: ignore[arg-type]
        id=names.code(entry) if grid else entry.id,
        at=read_time(entry.at),
        machine=names.name(entry.machine),
        sheet=names.name(entry.sheet),
        material=sheet.material if sheet else "",
        thickness_mm=sheet.thickness_mm if sheet else None,
        lot=names.lot(entry),
        operation=grid["operation"] if grid else burns[0]["operation"] if burns else "",
        round=grid.get("round"),
        cells=len(grid["cells"]) if grid else read,
        read=read,
        outcomes={name: counts[name] for name in sorted(counts, key=outcome_order)},
        note=str(entry.body.get("note") or entry.body.get("text") or ""),
    )
