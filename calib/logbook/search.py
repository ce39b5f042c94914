"""Find and list boards, jobs, check strips and notes, newest first."""

from __future__ import annotations

import dataclasses
import functools
import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord
from calib.logbook.boards import by_cell, the_look
from calib.logbook.coding import material_key, read_time, write_time
from calib.logbook.entries import Filters, Line, Page
from calib.logbook.ledger import Entry, canonical, entries, is_valid, read_body, stands, with_state
from calib.logbook.room import Room, View
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
            raise InvalidRecord(
                say("logbook.limit_is_give_number", limit=limit, longest_page=_LONGEST_PAGE)
            )
        if offset < 0:
            raise InvalidRecord(say("logbook.offset_is_give_or_more", offset=offset))
        with self.looking() as view:
            ids = [row.id for row in _found(view, filters)]
            page = ids[offset : offset + limit]
            listed = view.by_ids(page)
            boards = {one for key in page for one in view.names.same.get(key, (key,))}
            looks: defaultdict[str, list[Entry]] = defaultdict(list)
            for look in view.read(kind="look", about=boards):
                looks[view.names.first(look.about)].append(look)
        lines = (_line(view, listed[key], looks[key]) for key in page)
        return Page(entries=tuple(lines), total=len(ids), offset=offset)

    def boards(self, filters: Filters = _EVERYTHING, *, limit: int = 50, offset: int = 0) -> Page:
        """List boards that fit, newest first."""
        filters = dataclasses.replace(filters, kinds=("board",))
        return self.search(filters, limit=limit, offset=offset)


def _found(view: View, filters: Filters) -> Iterator[Any]:
    """Rows of the table that fit, newest first."""
    # A board counts whatever was said of it since; nothing replaces it.
    words = filters.text.lower().split() if filters.text else []
    columns = [entries.c[name] for name in ("id", "kind", "slot", "about", "machine", "sheet")]
    query = sa.select(*columns, *([entries.c.body] if words else [])).select_from(with_state)
    query = query.where(is_valid, entries.c.kind.in_(filters.kinds))
    names = view.names
    if filters.machine is not None:
        machine = names.machines.get(filters.machine)
        query = query.where(view.among(entries.c.machine, machine.ids if machine else ()))
    if (filters.sheet, filters.material, filters.thickness_mm) != (None, None, None):
        sheets = {
            key
            for name, thing in names.sheets.items()
            if filters.sheet in (None, name) and _is_of(thing.record, filters)
            for key in thing.ids
        }
        query = query.where(view.among(entries.c.sheet, sheets))
    if filters.operation is not None:
        query = query.where(_says("operation", filters.operation))
    if filters.since is not None:
        query = query.where(entries.c.at >= write_time(filters.since))
    if filters.until is not None:
        query = query.where(entries.c.at < write_time(filters.until))
    if filters.outcome is not None:
        query = query.where(_came_out(view, filters.outcome))
    noted = _cell_notes(view) if words else {}
    burnt_by = _burnt_by(view) if words else {}
    query = query.order_by(entries.c.at.desc(), entries.c.slot, entries.c.seq)
    for row in view.connection.execute(query):
        gone = {row.about, row.machine, row.sheet} & names.gone
        if not gone and row.id == names.first(row.id):
            more = noted.get(row.id, "") + burnt_by.get(row.id, "") if words else ""
            text = _text(view, row, more) if words else ""
            if all(word in text for word in words):
                yield row


def _is_of(sheet: Sheet, filters: Filters) -> bool:
    """Say whether a sheet is of a material, and of a thickness, nominal or measured."""
    wanted, thickness = filters.material, filters.thickness_mm
    known = (sheet.thickness_mm, sheet.working_thickness_mm)
    return (wanted is None or material_key(wanted) == material_key(sheet.material)) and (
        thickness is None or any(abs(value - thickness) <= SAME_THICKNESS_MM for value in known)
    )


def _cell_notes(view: View) -> Mapping[str, str]:
    """What was noted at the cells of boards."""
    query = sa.select(entries.c.about, entries.c.body).select_from(with_state)
    noted: defaultdict[str, str] = defaultdict(str)
    for about, body in view.connection.execute(query.where(entries.c.kind == "cell_note", stands)):
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


def _says(name: str, value: str | int) -> sa.ColumnElement[bool]:
    """True of bodies with a field of this value; no text in them can look like that."""
    return entries.c.body.contains(canonical({name: value})[1:-1], autoescape=True)


@functools.lru_cache(maxsize=10_000)
def _grades(body: str) -> tuple[Any, ...]:
    """What the body of a look says came out; many looks of one evening say the same."""
    said = read_body(body)
    return tuple(said.get(name) for name in READ_OFF)


def _came_out(view: View, outcome: str) -> sa.ColumnElement[bool]:
    """True of boards with a cell, and of runs with a part, that came out like that."""
    name, _, grade = outcome.rpartition(" ")
    wanted = int(grade) if name else outcome
    name = name or "through"
    looks = sa.select(entries.c.about, entries.c.slot, entries.c.body).select_from(with_state)
    answers: defaultdict[tuple[str, str], set[tuple[Any, ...]]] = defaultdict(set)
    for about, slot, body in view.connection.execute(looks.where(entries.c.kind == "look", stands)):
        answers[view.names.first(about), slot].add(_grades(body))
    # Two different looks at one cell count as none.
    clear = [(board, said.pop()) for (board, _), said in answers.items() if len(said) == 1]
    is_board = entries.c.kind == "board"
    if outcome == "unread":
        read = {board for board, grades in clear if grades != (None,) * len(READ_OFF)}
        return sa.and_(is_board, ~view.among(entries.c.id, read))
    place = READ_OFF.index(name)
    boards = {board for board, grades in clear if grades[place] == wanted}
    runs = sa.and_(~is_board, _says(name, wanted))
    return sa.or_(runs, view.among(entries.c.id, boards))


def _line(view: View, entry: Entry, looks: Sequence[Entry]) -> Line:
    burns = entry.body.get("burns", ())
    parts = [(burn["count"], burn) for burn in burns]
    of_cells = (the_look(said) for said in by_cell(looks).values())
    parts += [(1, look.body) for look in of_cells if look is not None]
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
