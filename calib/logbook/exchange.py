"""Give a logbook away as entries, and put another one's entries to one's own."""

from __future__ import annotations

import base64
import hashlib
import io
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import BadFile, InvalidRecord, LogbookError, shown
from calib.logbook import ledger
from calib.logbook.boards import OF_CELL, SIZES, by_cell, cell_of, looked_at, media_type_of
from calib.logbook.bodies import KINDS, Board, Lot, Picture, Run, SetUp, body_of, checked
from calib.logbook.coding import read_time, write_time
from calib.logbook.entries import ImportReport
from calib.logbook.evidence import boards_of, runs_of
from calib.logbook.history import answer_in, asked_in
from calib.logbook.ledger import SENT, WITHDRAW, Entry, among, entries, keep_photograph, photographs
from calib.logbook.room import Room
from calib.logbook.workshop import same_stuff
from calib.records import READ_OFF
from calib.spreadsheet import safe_cell_text
from calib.texts.say import say

_HEAD = {"format": "calib logbook", "version": 2}
_CELL = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")
CSV_HEADER = (
    "machine", "sheet", "material", "thickness_mm", "lot", "operation", "source", "board", "cell",
    *_CELL, "air", *READ_OFF, "char_at", "count", "cut_length_mm", *SIZES, "session", "at", "note",
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

    What both said differently is a question; ``answers`` are given by the keys of the questions.
    """
    said, pictures = read_lines(text)
    with book.saying(when) as view:
        every = sa.select(entries.c.id).where(among(entries.c.id, [one.id for one in said]))
        known = set(view.connection.execute(every).scalars())
        fresh = [entry for entry in said if entry.id not in known]
        check_entries(view.connection, fresh, pictures)
        ledger.add(view.connection, fresh)
        for digest, content in pictures.items():
            keep_photograph(view.connection, digest, content)
        for key, answer in (answers or {}).items():
            answer_in(book.anew(view), key, answer)
        questions = tuple(question for question, _ in asked_in(book.anew(view)))
        if dry_run:
            view.connection.rollback()
    added = Counter(entry.kind for entry in fresh)
    already = Counter(entry.kind for entry in said) - added
    return ImportReport(added=added, already=already, questions=questions)


def read_lines(text: str) -> tuple[list[Entry], dict[str, bytes]]:
    """Entries and photographs of a file; raises BadFile when it is no logbook's."""
    # Only by this letter: others that end a line may stand in what somebody wrote.
    lines = [line for line in text.split("\n") if line.strip()]
    try:
        head = json.loads(lines[0])
    except (IndexError, ValueError, RecursionError):
        head = None
    if not isinstance(head, dict) or head.get("format") != _HEAD["format"]:
        raise BadFile(say("logbook.file_holds_no_logbook"))
    if head.get("version") != _HEAD["version"]:
        own, given = _HEAD["version"], head.get("version")
        raise BadFile(say("logbook.file_is_of_version", given=given, own=own))
    said: dict[str, Entry] = {}
    pictures: dict[str, bytes] = {}
    for line in lines[1:]:
        if not line.startswith('{"content":'):
            entry = ledger.from_line(line)
            said[entry.id] = entry
            continue
        try:
            found = json.loads(line)
            digest, content = found["photograph"], base64.b64decode(found["content"], validate=True)
        except (ValueError, KeyError, TypeError, RecursionError):
            raise BadFile(say("logbook.is_no_photograph", line=shown(line))) from None
        if hashlib.sha256(content).hexdigest() != digest:
            wrong = say("logbook.photograph_was_changed_on_its_way", digest=shown(digest))
            raise BadFile(wrong)
        pictures[digest] = content
    return list(said.values()), pictures


def check_entries(
    connection: sa.Connection, said: Iterable[Entry], pictures: Mapping[str, bytes]
) -> None:
    """Check entries that are to be added: bodies, references, and that none contradicts another."""
    new = {entry.id: entry for entry in said}
    named = {key for entry in new.values() for key in (*_references(entry), *entry.replaces)}
    named = {key for key in named - new.keys() if "\0" not in key}  # no database can be asked of it
    there = ledger.read(connection, id=named, all=True)
    known = {entry.id: entry for entry in there} | new
    digests = {*pictures, *connection.execute(sa.select(photographs.c.digest)).scalars()}
    bodies: dict[str, Any] = {}
    try:
        # Each by itself first: what it names is looked into then.
        for entry in new.values():
            bodies[entry.id] = checked(entry)
            if write_time(read_time(entry.at)) != entry.at:
                raise InvalidRecord(say("logbook.is_not_time", entry=entry))
        for entry in new.values():
            for wrong in _misfits(entry, bodies[entry.id], known, digests, pictures):
                raise InvalidRecord(wrong)
    except (InvalidRecord, LogbookError, TypeError) as error:
        what = f"{entry.kind.replace('_', ' ')} of {str(entry.at)[:16]}"
        raise BadFile(say("logbook.file_cant_be_taken", what=what, error=error)) from None


def _references(entry: Entry) -> list[str]:
    of_body = (entry.body.get(name) for name in ("setup", "lot", "kept", "other"))
    keys = (entry.about, entry.machine, entry.sheet, *of_body)
    return [key for key in keys if isinstance(key, str) and key]


# What may replace what, whatever their slots.
_FOLLOWS = {("setup", "machine"), ("setup", "setup"), ("lot", "sheet"), ("lot", "lot")}


def _misfits(
    entry: Entry,
    body: Any,
    known: Mapping[str, Entry],
    digests: set[str],
    pictures: Mapping[str, bytes],
) -> Iterator[str]:
    """Say how an entry doesn't fit what it names; only the first is sure to make sense."""
    for key in _references(entry):
        if key not in known:
            yield say("logbook.it_names_which_isnt_there", key=key)
    for key, kind in ((entry.machine, "machine"), (entry.sheet, "sheet")):
        if key and known[key].kind != kind:
            yield say("logbook.it_names", key=key, kind=kind)
    about = known.get(entry.about)
    if (about.kind if about else "nothing") not in KINDS[entry.kind].about.split():
        yield say("logbook.it_is_about", entry=entry)
    for key in entry.replaces:
        other = known.get(key)
        if key.startswith(SENT) and entry.kind in OF_CELL:
            continue
        if other is None:
            yield say("logbook.it_replaces_which_isnt_there", key=key)
        elif entry.kind != WITHDRAW and (entry.kind, other.kind) not in _FOLLOWS:
            if (entry.kind, entry.slot) != (other.kind, other.slot):
                yield say("logbook.it_replaces_which_is_about_something", key=key)
    if entry.kind in ("board", *OF_CELL, "photograph"):
        if not (entry.machine and entry.sheet):
            yield say("logbook.it_names_no_machine_and_sheet")
        if about and (about.machine, about.sheet) != (entry.machine, entry.sheet):
            yield say("logbook.its_board_is_of_another_machine")
    if about and entry.kind in (*OF_CELL, "photograph"):
        cell, picture = cell_of(entry), entry.kind == "photograph"
        if not picture and entry.slot != f"{entry.kind} {cell}":
            yield say("logbook.its_slot", entry=entry)
        labels = [one["label"] for one in about.body["grid"]["cells"]]
        if cell not in labels and not (picture and not cell):
            yield say("logbook.cell_isnt_on_its_board", cell=cell)
    if isinstance(body, Board):
        grid = body.grid
        if grid.board_id != entry.slot:
            yield say("logbook.its_code", grid=grid, entry=entry)
        if not same_stuff(grid.sheet, body_of(known[entry.sheet]).sheet):
            stuff = f"{grid.sheet.material}, {grid.sheet.thickness_mm:g} mm"
            yield say("logbook.board_is", entry=entry, stuff=stuff, grid=grid)
    elif about and isinstance(body, Lot):
        sheet, given = body_of(about).sheet, body.sheet
        if not same_stuff(sheet, given):
            yield say("logbook.lot_of", given=given, sheet=sheet)
    elif isinstance(body, SetUp) and (entry.kind == "machine") != (body.what == "first"):
        yield say("logbook.cant_be", entry=entry, body=body)
    elif isinstance(body, Picture):
        if body.digest not in digests:
            yield say("logbook.photograph_isnt_in_file", body=body)
        content = pictures.get(body.digest)
        if content is not None and media_type_of(content) != body.media_type:
            yield say("logbook.photograph_isnt", body=body)
    elif isinstance(body, Run) and body.burns[0].source != entry.kind:
        yield say("logbook.its_burns_are_of_source", body=body)


def export_csv(book: Room) -> str:
    """Write all burns that count as one table for people."""
    import pandas as pd  # slow to load, and only wanted here

    table = pd.DataFrame(list(_rows(book)), columns=list(CSV_HEADER), dtype=object)
    out = io.StringIO()
    table.map(_field).to_csv(out, index=False, lineterminator="\r\n")
    return out.getvalue()


def _rows(book: Room) -> Iterator[dict[str, Any]]:
    with book.looking() as view:
        boards, runs = boards_of(view), runs_of(view)
        said: defaultdict[str, list[Entry]] = defaultdict(list)
        for entry in view.read(kind=OF_CELL):
            said[view.names.first(entry.about)].append(entry)
    names = view.names

    def of(entry: Entry) -> dict[str, Any]:
        sheet = names.thing(entry.sheet).record
        return {
            "machine": names.name(entry.machine),
            "sheet": sheet.name,
            "material": sheet.material,
            "thickness_mm": sheet.thickness_mm,
            "lot": names.lot(entry),
        }

    for board in boards:
        grid, of_cells = board.body["grid"], by_cell(said[board.id])
        for cell in grid["cells"]:
            here = of_cells[cell["label"]]
            reading = looked_at(cell["label"], here).reading
            if not reading.is_empty:
                look = here["look"][0]
                yield (
                    of(board)
                    | {"operation": grid["operation"], "source": "board", "count": 1}
                    | {"board": names.code(board), "cell": cell["label"], "at": look.at}
                    | {"session": look.body["session"], "note": reading.note}
                    | {"air": grid.get("air")}
                    | {name: cell[name] for name in _CELL}
                    | {name: getattr(reading, name) for name in (*READ_OFF, "char_at", *SIZES)}
                )
    for run in runs:
        for burn in run.body["burns"]:
            yield burn | of(run) | {"at": run.at, "note": run.body["note"]}


def _field(value: Any) -> str:
    if value is None or value != value:  # pandas writes nothing as what differs from itself
        return ""
    return f"{value:.10g}" if isinstance(value, float) else safe_cell_text(str(value))
