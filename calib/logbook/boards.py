"""Boards with what was forecast of their cells, what came out of them, and their photographs."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.bodies import Board, CellNote, Look, Picture, Size, body_of
from calib.logbook.coding import check_text, read_time
from calib.logbook.entries import Looked, Photograph, Recorded, Tapped
from calib.logbook.ledger import REPLACED, SENT, WITHDRAW, Entry, keep_photograph, photographs
from calib.logbook.room import FoundBoard, Room, View, grades_of
from calib.records import READ_OFF, Grid, Reading
from calib.texts.say import say

SIZES = ("width_mm", "height_mm")
# Kinds that answer a question about one cell, each in a slot of its own.
OF_CELL = ("look", "size", "cell_note")
# Enough for a phone's picture, little enough that a book of them can still be copied about.
MAX_PHOTOGRAPH_BYTES = 10 * 2**20
_BEGINNINGS = {
    "image/png": rb"\x89PNG\r\n\x1a\n",
    "image/jpeg": rb"\xff\xd8\xff",
    "image/webp": rb"RIFF....WEBP",
}
_KEY = re.compile(r"[0-9A-Za-z-]{8,64}")
_ID = re.compile(r"[0-9]{20}-[0-9a-f]{24}")
_LONGEST_NOTE = 1000

Forecasts = Mapping[str, Mapping[str, float]]
Seen = Mapping[str, Sequence[str]]  # Ids of what somebody saw of a cell, by kind
Said = dict[str, list[Entry]]  # What stands of one cell, by kind


class CellChanged(LogbookError):
    """The cell was read otherwise since the tap that is to be taken back."""

    def __init__(self, looked: Looked) -> None:
        self.looked = looked
        super().__init__(say("logbook.cell_was_read_by_somebody_else", looked=looked))


class Boards(Room):
    """The boards of a logbook."""

    def add_board(self, grid: Grid, *, when: datetime, forecasts: Forecasts | None = None) -> None:
        """Add a planned board; the same one again adds nothing."""
        check_text("board_id", grid.board_id, longest=40)
        chances: dict[str, dict[str, int]] = {}
        for cell, events in (forecasts or {}).items():
            chances[cell] = {}
            for event, chance in events.items():
                if not 0.0 <= chance <= 1.0:
                    raise InvalidRecord(say("logbook.chance_of", event=event, chance=chance))
                chances[cell][event] = round(1000.0 * chance)
        body = Board(grid=grid, lot="", forecasts=chances)
        with self.saying(when) as view:
            known = None
            with contextlib.suppress(LogbookError):
                known = view.board(grid.board_id).grid()
            if known == grid:
                return
            if known is not None:
                raise LogbookError(say("logbook.another_board_is_in_logbook", grid=grid))
            sheet = view.names.sheet(grid.sheet.name)
            lots = [one.id for one in sheet.versions if sheet.at(one).lot == grid.sheet.lot]
            body = dataclasses.replace(body, lot=[sheet.version, *lots][-1])
            about = view.names.about(grid.machine.name, grid.sheet.name)
            view.add(view.entry("board", body, slot=grid.board_id, **about))

    def board(self, board_id: str) -> Grid:
        """Look a planned board up; LogbookError when there is none."""
        with self.looking() as view:
            return view.board(board_id).grid()

    def board_key(self, board_id: str) -> str:
        """What tells a board from every other one, in whichever logbook."""
        with self.looking() as view:
            return view.board(board_id).id

    def record(
        self,
        board_id: str,
        readings: Sequence[Reading],
        *,
        when: datetime,
        session: str = "",
        why: str = "",
    ) -> Recorded:
        """Record what was read off a board; what a reading leaves open keeps its earlier value."""
        with self.saying(when) as view:
            board = view.board(board_id, [reading.cell for reading in readings])
            said = said_of(view, board)
            new: list[Entry] = []
            added = corrected = 0
            for reading in readings:
                told, corrects = _told(view, board, reading, said[reading.cell], session, why)
                new += told
                added += bool(told) and not corrects
                corrected += bool(told) and corrects
            view.add(*new)
        unchanged = len(readings) - added - corrected
        return Recorded(added=added, corrected=corrected, unchanged=unchanged)

    def strike_out(
        self, board_id: str, labels: Sequence[str], *, when: datetime, why: str
    ) -> Recorded:
        """Say that cells count as not burnt after all; what was read stays in the history."""
        if not why.strip():
            raise LogbookError(say("logbook.say_why_cells_are_struck_out"))
        with self.saying(when) as view:
            board = view.board(board_id, labels)
            said = said_of(view, board)
            struck = [label for label in labels if looked_at(label, said[label]).is_said]
            slots = [f"{kind} {label}" for kind in OF_CELL for label in struck]
            if every := view.read(about=board.ids, slot=slots, earlier=True):
                view.withdraw(every, why)
        return Recorded(corrected=len(struck), unchanged=len(labels) - len(struck))

    def readings(self, board_id: str) -> tuple[Reading, ...]:
        """List what counts now of a board, in the order of its cells; LogbookError without it."""
        looks = self.looks(board_id).values()
        return tuple(looked.reading for looked in looks if not looked.is_blank)

    def looks(self, board_id: str) -> dict[str, Looked]:
        """What counts of each cell of a board, and what stands apart there."""
        with self.looking() as view:
            board = view.board(board_id)
            said = said_of(view, board)
        return {cell: looked_at(cell, said[cell]) for cell in board.cells}

    def burnt_in(self, board_id: str) -> tuple[tuple[str, str], ...]:
        """Label of the session and id of the set-up of each burn of a board, each pair once."""
        with self.looking() as view:
            found = view.read(kind="look", about=view.board(board_id).ids)
        return tuple(dict.fromkeys((entry.body["session"], entry.body["setup"]) for entry in found))

    def tap(
        self,
        board_id: str,
        key: str,
        reading: Reading,
        *,
        saw: str = "",
        when: datetime,
        session: str = "",
    ) -> Tapped:
        """Record what came out of one cell, whole, or a note on it; an empty one: it wasn't read.

        The same ``key`` again stores nothing. ``saw`` is the id of what the sender saw, or the key
        of the own tap before; what somebody else said meanwhile stands beside this.
        """
        cell = reading.cell
        with self.saying(when) as view:
            board = view.board(board_id, [cell])
            batch = _batch(board, key)
            if before := view.ever(batch=batch):
                ids = [entry.id for entry in before if entry.kind in OF_CELL]
                return _tapped(view, board, cell, ids, stored=False, again=True)
            saw = "" if saw == key else saw
            own = _KEY.fullmatch(saw) is not None and not _ID.match(saw)
            seen = _seen(view, board, cell, saw, own)
            said = said_of(view, board, cell)[cell]
            now = looked_at(cell, said)
            new: dict[str, Any] = {}
            # After an own tap all of it is said, as that one may still be on its way.
            if reading.is_empty and not reading.note and (now.is_said or own):
                new["look"] = _look(board, reading, (), session)
                if now.reading.width_mm or now.reading.height_mm:
                    new["size"] = Size()
                if now.reading.note:
                    new["cell_note"] = CellNote()
            if not reading.is_empty:
                looks = said["look"]
                known = [entry for entry in looks if entry.id in seen["look"]]
                given = tuple(getattr(reading, name) for name in READ_OFF)
                place = reading.char_at
                moved = place is not None and any(e.body.get("char_at") != place for e in looks)
                if own or not known or moved or any(grades_of(one) != given for one in looks):
                    new["look"] = _look(board, reading, known or looks, session)
            notes = [entry.body["note"] for entry in said["cell_note"]]
            if reading.note and reading.note not in notes:
                new["cell_note"] = CellNote(note=reading.note)
            own_ids = view.add(*_answers(view, board, cell, new, seen), batch=batch)
            return _tapped(view, board, cell, own_ids, stored=bool(new), again=False)

    def take_back_tap(
        self, board_id: str, key: str, target: str, *, when: datetime
    ) -> tuple[Tapped, ...]:
        """Take one tap back: the cell is as it was before; empty when the tap had stored nothing.

        Raises CellChanged when the cell was read otherwise since.
        """
        with self.saying(when) as view:
            board = view.board(board_id)
            taken = view.ever(batch=_batch(board, target))
            looks = [entry for entry in taken if entry.kind in OF_CELL]
            if not looks:
                return ()
            cell = cell_of(looks[0])
            again = not any(entry.is_valid for entry in looks)
            if not again:
                if any(entry.state == REPLACED for entry in looks):
                    raise CellChanged(looked_at(cell, said_of(view, board, cell)[cell]))
                view.withdraw(taken, batch=_batch(board, key))
            ids = [entry.id for entry in looks]
            return (_tapped(view, board, cell, ids, stored=not again, again=again),)

    def attach(
        self, board_id: str, filename: str, content: bytes, *, when: datetime, cell: str = ""
    ) -> str:
        """Keep a photograph of a board or of one of its cells; the same one again adds nothing."""
        kind: Any = media_type_of(content)
        digest, size = hashlib.sha256(content).hexdigest(), len(content)
        picture = Picture(
            cell=cell, filename=filename, media_type=kind, size_bytes=size, digest=digest
        )
        with self.saying(when) as view:
            board = view.board(board_id, [cell] if cell else [])
            for entry in view.read(kind="photograph", about=board.ids):
                if (entry.body["cell"], entry.body["digest"]) == (cell, digest):
                    return entry.id
            keep_photograph(view.connection, digest, content)
            slot = f"photograph {cell}"
            return view.add(view.entry("photograph", picture, slot=slot, **board.about))[0]

    def photographs(self, board_id: str) -> tuple[Photograph, ...]:
        """List the photographs of a board, oldest first; LogbookError when there is no board."""
        with self.looking() as view:
            found = view.read(kind="photograph", about=view.board(board_id).ids)
        own = ("cell", "filename", "media_type", "size_bytes")
        return tuple(
            Photograph(id=e.id, board=board_id, at=read_time(e.at), **{n: e.body[n] for n in own})
            for e in found
        )

    def photograph(self, photograph_id: str) -> bytes:
        """Read the file of a photograph; LogbookError when there is none."""
        with self.looking() as view:
            digests = [entry.body.get("digest", "") for entry in view.ever(id=photograph_id)]
            query = sa.select(photographs.c.content).where(photographs.c.digest.in_(digests))
            content = view.connection.execute(query).scalar()
        if content is None:
            raise LogbookError(say("logbook.there_is_no_photograph", photograph_id=photograph_id))
        return bytes(content)


def cell_of(entry: Entry) -> str:
    """Code of the cell that an entry is about."""
    return entry.slot.partition(" ")[2]


def said_of(view: View, board: FoundBoard, *cells: str) -> Mapping[str, Said]:
    """What stands of each cell of a board, or of some, by kind."""
    slots = [f"{kind} {cell}" for kind in OF_CELL for cell in cells]
    of: dict[str, Any] = {"slot": slots} if cells else {}
    return by_cell(view.read(kind=OF_CELL, about=board.ids, **of))


def by_cell(found: Iterable[Entry]) -> Mapping[str, Said]:
    """Entries about cells of one board, by cell and kind; none of those that nothing is said of."""
    said: defaultdict[str, Said] = defaultdict(lambda: {kind: [] for kind in OF_CELL})
    for entry in found:
        said[cell_of(entry)][entry.kind].append(entry)
    return said


def looked_at(cell: str, said: Said) -> Looked:
    """What counts of a cell; two different looks that stand count as not read, and are shown."""
    sizes = {tuple(entry.body.get(name) for name in SIZES) for entry in said["size"]}
    size = dict(zip(SIZES, sizes.pop(), strict=True)) if len(sizes) == 1 else {}
    notes = dict.fromkeys(entry.body.get("note", "") for entry in said["cell_note"])
    note = "; ".join(note for note in notes if note)[:_LONGEST_NOTE]

    def looked(key: str, *looks: Entry, apart: tuple[Looked, ...] = ()) -> Looked:
        grades = dict(zip(READ_OFF, grades_of(looks[0]), strict=True)) if looks else {}
        grades |= {"char_at": looks[0].body.get("char_at")} if looks else {}
        reading: dict[str, Any] = {"cell": cell, "note": note, **size, **grades}
        return Looked(id=key, reading=Reading(**reading), apart=apart)

    ids = "+".join(sorted(entry.id for found in said.values() for entry in found))
    ways: dict[tuple[Any, ...], Entry] = {}
    for entry in said["look"]:
        ways.setdefault(grades_of(entry), entry)
    if len(ways) == 1:
        return looked(ids, *ways.values())
    return looked(ids, apart=tuple(looked(entry.id, entry) for entry in ways.values()))


def _look(board: FoundBoard, reading: Reading, replaced: Sequence[Entry], session: str) -> Look:
    """A look; a correction leaves the burn in the session, set-up and lot of the first one."""
    said = (e for e in replaced if any(value is not None for value in grades_of(e)))
    first = next(map(body_of, said), None)
    return Look(
        **{name: getattr(reading, name) for name in (*READ_OFF, "char_at")},
        session=session or (first.session if first else ""),
        setup=first.setup if first else board.machine.version,
        lot=first.lot if first else board.entry.body["lot"],
    )


def _answers(
    view: View, board: FoundBoard, cell: str, new: Mapping[str, Any], seen: Seen, why: str = ""
) -> list[Entry]:
    """What is said anew of a cell, by kind, each in place of what was seen."""
    return [
        view.entry(
            kind, new[kind], why=why, replaces=seen[kind], slot=f"{kind} {cell}", **board.about
        )
        for kind in new
    ]


def _told(
    view: View, board: FoundBoard, given: Reading, said: Said, session: str, why: str
) -> tuple[list[Entry], bool]:
    """What a reading from a file says anew, and whether it corrects what was said before."""
    looked = looked_at(given.cell, said)
    known = looked.reading
    answers = bool(looked.apart) and not given.is_empty
    if answers and not why.strip():
        both = say("logbook.and_as").join(_grade_words(one.reading) for one in looked.apart)
        grade = _grade_words(given)
        raise LogbookError(say("logbook.cell_was_read", given=given, both=both, grade=grade))
    names = (*READ_OFF, "char_at", *SIZES, "note")
    left_open = {name: getattr(known, name) for name in names if getattr(given, name) in (None, "")}
    new = dataclasses.replace(given, **left_open)
    differs = [name for name in names if getattr(new, name) != getattr(known, name)]
    changed = [name for name in differs if getattr(known, name) is not None and name != "note"]
    if changed and not why.strip():
        name = changed[0]
        before, now = getattr(known, name), getattr(new, name)
        raise LogbookError(
            say("logbook.cell_was_read_as_and_is_now", given=given, name=name, before=before,
                now=now)
        )  # fmt: skip
    records: dict[str, Any] = {}
    if answers or {*differs} & {*READ_OFF, "char_at"}:
        records["look"] = _look(board, new, said["look"], session)
    if {*differs} & {*SIZES}:
        records["size"] = Size(width_mm=new.width_mm, height_mm=new.height_mm)
    if "note" in differs:
        records["cell_note"] = CellNote(note=new.note)
    seen = {kind: [entry.id for entry in said[kind]] for kind in records}
    told = _answers(view, board, given.cell, records, seen, why)
    return told, bool(changed or looked.apart)


def _grade_words(reading: Reading) -> str:
    given = [(name, getattr(reading, name)) for name in READ_OFF]
    words = [f"{name} {value!r}" for name, value in given if value is not None]
    return ", ".join(words) or say("logbook.not_burnt")


def _batch(board: FoundBoard, key: str) -> str:
    if not _KEY.fullmatch(key):
        raise InvalidRecord(say("logbook.key_is_give_to_letters", key=key[:70]))
    return f"{SENT}{board.id} {key}"


def _seen(view: View, board: FoundBoard, cell: str, saw: str, own: bool) -> Seen:
    """What a sender saw of a cell, by kind: ids, or an own tap, which may not have arrived yet."""
    slots = [f"{kind} {cell}" for kind in OF_CELL]
    if own:
        batch = _batch(board, saw)
        found = view.ever(batch=batch)
        if not found:
            return dict.fromkeys(OF_CELL, [batch])
        if found[0].kind == WITHDRAW:
            # What was there after an own tap had been taken back.
            back = found[0].seq
            found = [e for e in view.read(about=board.ids, slot=slots) if e.seq < back]
    else:
        found = view.ever(id=saw.split("+"), about=board.ids, slot=slots)
    return {kind: [entry.id for entry in found if entry.kind == kind] for kind in OF_CELL}


def _tapped(
    view: View, board: FoundBoard, cell: str, own: Iterable[str], *, stored: bool, again: bool
) -> Tapped:
    """Say what became of a tap; ``own`` are the ids of what it stored."""
    said = said_of(view, board)
    looks = {label: looked_at(label, said[label]) for label in board.cells}
    read = sum(not looked.reading.is_empty for looked in looks.values())
    ids, cells = "+".join(sorted(own)), len(board.cells)
    return Tapped(look=ids, looked=looks[cell], stored=stored, again=again, read=read, cells=cells)


def media_type_of(content: bytes) -> str:
    """Tell what kind of picture a file is by its first bytes."""
    if len(content) > MAX_PHOTOGRAPH_BYTES:
        most, given = MAX_PHOTOGRAPH_BYTES // 2**20, len(content) / 2**20
        raise InvalidRecord(say("logbook.photograph_has_mib", given=given, most=most))
    for kind, beginning in _BEGINNINGS.items():
        if re.match(beginning, content, re.DOTALL):
            return kind
    raise InvalidRecord(say("logbook.photograph_begins", content=content[:4]))
