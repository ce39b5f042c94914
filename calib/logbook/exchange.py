"""Give a logbook away as entries, and put another one's entries to one's own."""

from __future__ import annotations

import base64
import binascii
import hashlib
import io
import itertools
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import BadFile, InvalidRecord, LogbookError, shown
from calib.logbook import ledger
from calib.logbook.boards import OF_CELL, SIZES, keep_photograph, looked_at, media_type_of
from calib.logbook.bodies import Board, Lot, Picture, SetUp, checked
from calib.logbook.coding import material_key, read_time, write_time
from calib.logbook.entries import ImportReport
from calib.logbook.evidence import boards_with_cells, runs_of
from calib.logbook.ledger import SENT, WITHDRAW, Entry, entries, photographs
from calib.logbook.questions import answer_in, asked_in
from calib.logbook.room import Room, View
from calib.records import READ_OFF
from calib.spreadsheet import safe_cell_text

_HEAD = {"format": "calib logbook", "version": 2}
_CELL = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")
CSV_HEADER = (
    "machine", "sheet", "material", "thickness_mm", "lot", "operation", "source", "board", "cell",
    *_CELL, *READ_OFF, "count", "cut_length_mm", *SIZES, "session", "at", "note",
)  # fmt: skip


def export_text(book: Room) -> str:
    """All entries of a logbook, then its photographs, as lines of JSON; nothing is lost."""
    with book.look() as connection:
        lines = [ledger.canonical(_HEAD), *ledger.lines(connection)]
        query = sa.select(photographs).order_by(photographs.c.digest)
        for digest, content in connection.execute(query):
            text = base64.b64encode(content).decode()
            lines.append(ledger.canonical({"photograph": digest, "content": text}))
    return "\n".join(lines) + "\n"


def import_text(
    book: Room,
    text: str,
    *,
    when: datetime,
    answers: Mapping[str, str] | None = None,
    dry_run: bool = False,
) -> ImportReport:
    """Put the entries of another logbook to one's own: all of them, or nothing.

    What both books said differently stands beside one another until it is answered; ``answers``
    are given at once, by the keys of `Book.questions`.
    """
    said, pictures = read_lines(text)
    with book.saying(when) as view:
        every = sa.select(entries.c.id).where(view.among(entries.c.id, [one.id for one in said]))
        known = set(view.connection.execute(every).scalars())
        fresh = [entry for entry in said if entry.id not in known]
        check_entries(view, fresh, pictures)
        ledger.add(view.connection, fresh)
        for digest, content in pictures.items():
            keep_photograph(view.connection, digest, content)
        for key, answer in (answers or {}).items():
            answer_in(book.anew(view), key, answer)
        added = Counter(entry.kind for entry in fresh)
        report = ImportReport(
            added=added,
            already=Counter(entry.kind for entry in said) - added,
            questions=tuple(question for question, _ in asked_in(book.anew(view))),
        )
        if dry_run:
            view.connection.rollback()
    return report


def read_lines(text: str) -> tuple[list[Entry], dict[str, bytes]]:
    """Entries and photographs of a file; raises BadFile when it is no logbook's."""
    lines = [line for line in text.splitlines() if line.strip()]
    try:
        head = json.loads(lines[0]) if lines else None
    except (ValueError, RecursionError):
        head = None
    if not isinstance(head, dict) or head.get("format") != _HEAD["format"]:
        raise BadFile("The file holds no logbook: export the other logbook again.")
    if head.get("version") != _HEAD["version"]:
        raise BadFile(
            f"The file is of version {head.get('version')!r}, this program reads"
            f" {_HEAD['version']}: bring calib up to date."
        )
    said: dict[str, Entry] = {}
    pictures: dict[str, bytes] = {}
    for line in lines[1:]:
        if line.startswith('{"content":'):
            digest, content = _picture(line)
            pictures[digest] = content
        else:
            entry = ledger.from_line(line)
            said[entry.id] = entry
    return list(said.values()), pictures


def _picture(line: str) -> tuple[str, bytes]:
    try:
        found = json.loads(line)
        digest, content = found["photograph"], base64.b64decode(found["content"], validate=True)
    except (ValueError, KeyError, TypeError, binascii.Error, RecursionError):
        raise BadFile(f"{shown(line)} is no photograph: take the file as it was.") from None
    if hashlib.sha256(content).hexdigest() != digest:
        raise BadFile(
            f"Photograph {shown(digest)} was changed on its way: take the file as it was."
        )
    return digest, content


def check_entries(view: View, said: Iterable[Entry], pictures: Mapping[str, bytes]) -> None:
    """Check entries that are to be added: bodies, references, and that none contradicts another."""
    new = {entry.id: entry for entry in said}
    named = {key for entry in new.values() for key in (*_references(entry), *entry.replaces)}
    known = {**view.by_ids(named - new.keys()), **new}
    digests = {*pictures, *view.connection.execute(sa.select(photographs.c.digest)).scalars()}
    bodies: dict[str, Any] = {}

    def alone(entry: Entry) -> None:
        bodies[entry.id] = checked(entry)
        if write_time(read_time(entry.at)) != entry.at:
            raise InvalidRecord(f"{entry.at!r} is not a time.")
        _check_texts(entry)

    def beside(entry: Entry) -> None:
        _check_entry(entry, bodies[entry.id], known, digests, pictures)

    # Each by itself first: what it names is looked into then.
    for look_at, entry in itertools.product((alone, beside), new.values()):
        try:
            look_at(entry)
        except (InvalidRecord, LogbookError, TypeError) as error:
            what = f"{entry.kind.replace('_', ' ')} of {str(entry.at)[:16]}"
            raise BadFile(
                f"The file can't be taken, because of {what}: {error} Nothing of it was stored."
            ) from None


def _references(entry: Entry) -> Iterator[str]:
    yield from (key for key in (entry.about, entry.machine, entry.sheet) if key)
    for name in ("setup", "lot", "kept", "other"):
        value = entry.body.get(name)
        if isinstance(value, str) and value:
            yield value


def _check_texts(entry: Entry) -> None:
    for name in ("slot", "about", "machine", "sheet", "batch", "why", "kind", "at"):
        text = getattr(entry, name)
        if not isinstance(text, str) or len(text) > 2000 or not text.isprintable():
            raise InvalidRecord(f"{name} is {shown(text)}: give one line of text.")
    if not all(isinstance(key, str) for key in entry.replaces):
        raise InvalidRecord(f"replaces is {shown(entry.replaces)}: give ids.")


_ABOUT = {
    **dict.fromkeys((*OF_CELL, "photograph"), ("board",)),
    "setup": ("machine",),
    "session": ("machine",),
    "lot": ("sheet",),
    "note": ("board", ""),
    "name": ("machine", "sheet", "board"),
    "same": ("machine", "sheet", "board"),
    WITHDRAW: ("board", "machine", "sheet", ""),
}


def _check_entry(
    entry: Entry,
    body: Any,
    known: Mapping[str, Entry],
    digests: set[str],
    pictures: Mapping[str, bytes],
) -> None:
    """Check that an entry fits what it names."""
    for key in _references(entry):
        if key not in known:
            raise InvalidRecord(f"it names {key!r}, which isn't there.")
    for key, kind in ((entry.machine, "machine"), (entry.sheet, "sheet")):
        if key and known[key].kind != kind:
            raise InvalidRecord(f"it names {key!r} as its {kind}, which is none.")
    about = known.get(entry.about)
    if (about.kind if about else "") not in _ABOUT.get(entry.kind, ("",)):
        raise InvalidRecord(f"it is about {entry.about!r}, which can't be.")
    for key in entry.replaces:
        other = known.get(key)
        if key.startswith(SENT) and entry.kind in OF_CELL:
            continue
        if other is None:
            raise InvalidRecord(f"it replaces {key!r}, which isn't there.")
        if entry.kind != WITHDRAW and not _one_question(entry, other):
            raise InvalidRecord(f"it replaces {key!r}, which is about something else.")
    if entry.kind in ("board", *OF_CELL, "photograph"):
        if not (entry.machine and entry.sheet):
            raise InvalidRecord("it names no machine and sheet.")
        if about and (about.machine, about.sheet) != (entry.machine, entry.sheet):
            raise InvalidRecord("its board is of another machine or sheet.")
    if entry.kind in OF_CELL or entry.kind == "photograph":
        cell = entry.slot.partition(" ")[2]
        grid = about.body["grid"] if about else {"cells": []}
        labels = [one.get("label") for one in grid.get("cells", ())]
        if entry.kind != "photograph" and entry.slot != f"{entry.kind} {cell}":
            raise InvalidRecord(f"its slot is {entry.slot!r}, which can't be.")
        if cell not in labels and (cell or entry.kind != "photograph"):
            raise InvalidRecord(f"cell {cell!r} isn't on its board.")
    _check_body(entry, body, known, digests, pictures)


def _one_question(entry: Entry, other: Entry) -> bool:
    if entry.kind in ("setup", "lot"):
        first = {"setup": "machine", "lot": "sheet"}[entry.kind]
        return other.kind in (entry.kind, first)
    return (entry.kind, entry.slot) == (other.kind, other.slot)


def _check_body(
    entry: Entry,
    body: Any,
    known: Mapping[str, Entry],
    digests: set[str],
    pictures: Mapping[str, bytes],
) -> None:
    if isinstance(body, Board):
        sheet = known[entry.sheet].body
        if body.grid.board_id != entry.slot:
            raise InvalidRecord(f"its code is {body.grid.board_id!r}, its slot {entry.slot!r}.")
        stuff = material_key(str(sheet["sheet"]["material"])), sheet["sheet"]["thickness_mm"]
        own = material_key(body.grid.sheet.material), body.grid.sheet.thickness_mm
        if own != stuff:
            raise InvalidRecord(
                f"board {entry.slot!r} is of {body.grid.sheet.material},"
                f" {body.grid.sheet.thickness_mm:g} mm, and its sheet"
                f" {body.grid.sheet.name!r} isn't."
            )
    elif isinstance(body, Lot) and entry.kind == "lot":
        first = known[entry.about].body["sheet"]
        given = body.sheet
        if (material_key(given.material), given.thickness_mm) != (
            material_key(str(first["material"])), first["thickness_mm"],
        ):  # fmt: skip
            raise InvalidRecord(
                f"a lot of {given.name!r} is of {given.material}, {given.thickness_mm:g} mm, the"
                f" sheet is of {first['material']}, {first['thickness_mm']:g} mm."
            )
    elif isinstance(body, SetUp) and (entry.kind == "machine") != (body.what == "first"):
        raise InvalidRecord(f"a {entry.kind} can't be {body.what!r}.")
    elif isinstance(body, Picture):
        if body.digest not in digests:
            raise InvalidRecord(f"photograph {body.filename!r} isn't in the file.")
        content = pictures.get(body.digest)
        if content is not None and media_type_of(content) != body.media_type:
            raise InvalidRecord(f"photograph {body.filename!r} isn't {body.media_type}.")
    elif entry.kind in ("job", "check_strip") and body.burns[0].source != entry.kind:
        raise InvalidRecord(f"its burns are of source {body.burns[0].source}.")


def export_csv(book: Room) -> str:
    """Write all burns that count as one table for people."""
    import pandas as pd  # slow to load, and only wanted here

    table = pd.DataFrame(list(_rows(book)), columns=list(CSV_HEADER), dtype=object)
    out = io.StringIO()
    table.map(_field).to_csv(out, index=False, lineterminator="\r\n")
    return out.getvalue()


def _rows(book: Room) -> Iterator[dict[str, Any]]:
    with book.looking() as view:
        boards, runs = boards_with_cells(view), runs_of(view)
    names = view.names

    def of(entry: Entry) -> dict[str, Any]:
        sheet = names.thing(entry.sheet).sheet
        return {
            "machine": names.name(entry.machine),
            "sheet": sheet.name,
            "material": sheet.material,
            "thickness_mm": sheet.thickness_mm,
            "lot": names.lot(entry),
        }

    for board, said in boards:
        grid = board.body["grid"]
        for cell in grid["cells"]:
            here = said.get(cell["label"], {})
            reading = looked_at(cell["label"], here).reading
            if not reading.is_empty:
                look = here["look"][0]
                yield (
                    of(board)
                    | {"operation": grid["operation"], "source": "board", "count": 1}
                    | {"board": names.code(board), "cell": cell["label"], "at": look.at}
                    | {"session": look.body["session"], "note": reading.note}
                    | {name: cell[name] for name in _CELL}
                    | {name: getattr(reading, name) for name in (*READ_OFF, *SIZES)}
                )
    for run in runs:
        for burn in run.body["burns"]:
            yield burn | of(run) | {"at": run.at, "note": run.body["note"]}


def _field(value: Any) -> str:
    if value is None or value != value:  # pandas writes nothing as what differs from itself
        return ""
    return f"{value:.10g}" if isinstance(value, float) else safe_cell_text(str(value))
