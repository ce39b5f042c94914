"""Everything that was ever said about a pair, what doesn't count any more too."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import sqlalchemy as sa

from calib.logbook import ledger
from calib.logbook.boards import GRADES
from calib.logbook.bodies import KeptSetting, Run, Session, body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import HistoryLine
from calib.logbook.ledger import WITHDRAW, Entry, among, entries
from calib.logbook.room import Directory, Room, code_of
from calib.records import Operation, Reading, Setting
from calib.units import show_chance

# Of a machine, a sheet, or a pair: what its history tells.
_OF_MACHINE = ("setup", "note", WITHDRAW)
_OF_SHEET = ("lot", "note", WITHDRAW)
_OF_PAIR = (
    "board", "look", "cell_note", "size", "job", "check_strip", "kept", "note", "photograph",
    WITHDRAW,
)  # fmt: skip


class History(Room):
    """The whole story of a pair."""

    def history(
        self, machine: str, sheet: str, operation: Operation | None = None
    ) -> tuple[HistoryLine, ...]:
        """List all that was said of a pair, as it came in; LogbookError when it isn't there."""
        with self.look() as connection:
            directory = self.directory(connection)
            of = directory.machine(machine).ids
            on = directory.sheet(sheet).ids
            found = _entries(connection, of, on)
            boards = {entry.id: entry for entry in found if entry.kind == "board"}
            codes = {key: code_of(directory, connection, one) for key, one in boards.items()}
        by_id = {entry.id: entry for entry in found}
        lines = []
        for entry in found:
            board = boards.get(entry.id if entry.kind == "board" else entry.about)
            burnt = board.body["grid"]["operation"] if board else _operation(entry)
            if operation in (None, burnt or operation):
                code = codes[board.id] if board else ""
                lines.append(_line(directory, entry, code, by_id))
        return tuple(lines)


def _entries(
    connection: sa.Connection, machine: frozenset[str], sheet: frozenset[str]
) -> list[Entry]:
    of_machine = among(connection, entries.c.machine, machine)
    on_sheet = among(connection, entries.c.sheet, sheet)
    first = among(connection, entries.c.id, machine | sheet)
    where = sa.or_(
        first,
        sa.and_(entries.c.kind.in_(_OF_MACHINE), of_machine, entries.c.sheet == ""),
        sa.and_(entries.c.kind.in_(_OF_SHEET), entries.c.machine == "", on_sheet),
        sa.and_(entries.c.kind.in_(_OF_PAIR), of_machine, on_sheet),
    )
    found = ledger.read(connection, where, all=True)
    sessions = {
        f"session {label}"
        for entry in found
        for label in (
            [entry.body.get("session", "")]
            + [burn["session"] for burn in entry.body.get("burns", ())]
        )
    }
    described = ledger.read(
        connection,
        entries.c.kind == "session",
        of_machine,
        among(connection, entries.c.slot, sessions),
        all=True,
    )
    return sorted([*found, *described], key=lambda entry: entry.seq)


def _operation(entry: Entry) -> str:
    if entry.kind in ("job", "check_strip"):
        return str(entry.body["burns"][0]["operation"])
    return str(entry.body.get("operation", ""))


def _line(directory: Directory, entry: Entry, code: str, by_id: Mapping[str, Entry]) -> HistoryLine:
    gone = {entry.about, entry.machine, entry.sheet} & directory.gone
    cell = entry.slot.split(" ", 1)[1] if entry.kind in ("look", "size", "cell_note") else ""
    if entry.kind == "photograph":
        cell = entry.body["cell"]
    reading = None
    if entry.kind == "look":
        reading = Reading(cell=cell, **{name: entry.body[name] for name in GRADES})
    return HistoryLine(
        at=read_time(entry.at),
        kind=_KINDS.get(entry.kind, entry.kind),
        text=_withdrawal(entry, by_id) if entry.kind == WITHDRAW else _TEXTS[entry.kind](entry),
        board=code,
        cell=cell,
        reading=reading,
        session=_session(entry),
        why=entry.why or str(entry.body.get("note", "") if entry.kind in _NOTED else ""),
        superseded=bool(gone) or not entry.stands,
    )


# What the kinds are called in a list where their own names say less.
_KINDS = {
    "machine": "set-up", "setup": "set-up", "sheet": "lot", "look": "reading", "size": "reading",
    "cell_note": "reading", "kept": "kept setting", WITHDRAW: "withdrawal",
}  # fmt: skip
_NOTED = ("job", "check_strip", "kept")


def _session(entry: Entry) -> str:
    if entry.kind == "session":
        return str(entry.body["label"])
    burns = [burn["session"] for burn in entry.body.get("burns", ())]
    return str(entry.body.get("session") or next((label for label in burns if label), ""))


def session_words(session: Session) -> str:
    """Say how a machine was set up for a session.

    Examples
    --------
    >>> session_words(Session(label="monday", air=True, focus_mm=-1.0, support="pins"))
    'monday: focus -1 mm, air on, on pins'
    """
    flags = (
        (session.air, "air on", "air off"),
        (session.lens_cleaned, "lens cleaned", "lens not cleaned"),
        (session.masked, "face masked", "face bare"),
    )
    words = [] if session.focus_mm is None else [f"focus {session.focus_mm:g} mm"]
    words += [yes if value else no for value, yes, no in flags if value is not None]
    words += [f"on {session.support}"] if session.support else []
    words += [session.note] if session.note else []
    return f"{session.label}: {', '.join(words) or 'not described'}"


def _lot(entry: Entry) -> str:
    sheet = body_of(entry).sheet
    measured = "" if sheet.measured_mm is None else f", measured {sheet.measured_mm:g} mm"
    return f"lot {sheet.lot or 'not named'}{measured}"


def look_words(entry: Entry) -> str:
    """Say what a look says."""
    words = [f"{name} {entry.body[name]}" for name in GRADES if entry.body[name] is not None]
    return ", ".join(words) or "not burnt"


def _size(entry: Entry) -> str:
    sides = (entry.body[name] for name in ("width_mm", "height_mm"))
    return "measured " + " x ".join("?" if side is None else f"{side:g}" for side in sides) + " mm"


def _withdrawal(entry: Entry, by_id: Mapping[str, Entry]) -> str:
    gone = [by_id[key] for key in entry.replaces if key in by_id]
    if any(one.kind == WITHDRAW for one in gone):
        return "put again"
    words = [
        f"{_KINDS.get(one.kind, one.kind)} {one.slot.partition(' ')[2]}".strip() for one in gone
    ]
    return f"took back {', '.join(dict.fromkeys(words))}".strip()


def _plain(operation: str) -> str:
    return operation.replace("_", " ")


def setting_words(setting: Setting | None) -> str:
    """Say a setting, or that there is none."""
    if setting is None:
        return "none any more"
    pitch = "" if setting.line_pitch_mm is None else f", lines {setting.line_pitch_mm:g} mm apart"
    passes = "" if setting.passes == 1 else f", {setting.passes} passes"
    return f"{setting.power_pct:g} %, {setting.speed_mm_s:g} mm/s{passes}{pitch}"


def _run(entry: Entry) -> str:
    run: Run = body_of(entry)
    return f"{_plain(run.operation)}, {sum(burn.count for burn in run.burns)} parts"


def _kept(entry: Entry) -> str:
    kept: KeptSetting = body_of(entry)
    words = f"{_plain(kept.operation)}: {setting_words(kept.setting)}"
    if kept.advice is None:
        return words
    return f"{words}, chance {show_chance(kept.advice.chance)} for the next {kept.advice.scope}"


def _board(entry: Entry) -> str:
    grid = entry.body["grid"]
    return f"round {grid['round']} planned, {_plain(grid['operation'])}"


_TEXTS: Mapping[str, Callable[[Entry], str]] = {
    "machine": lambda entry: str(entry.body["what"]),
    "setup": lambda entry: str(entry.body["what"]),
    "sheet": _lot,
    "lot": _lot,
    "session": lambda entry: session_words(body_of(entry)),
    "board": _board,
    "look": look_words,
    "size": _size,
    "cell_note": lambda entry: f"note: {entry.body['note']}",
    "job": _run,
    "check_strip": _run,
    "kept": _kept,
    "note": lambda entry: str(entry.body["text"]),
    "photograph": lambda entry: str(entry.body["filename"]),
    **dict.fromkeys(
        ("costs", "timed_job", "comb", "comb_readings", "kerf"),
        lambda entry: f"{entry.kind.replace('_', ' ')} {entry.slot}".strip(),
    ),
}
