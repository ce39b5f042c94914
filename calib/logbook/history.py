"""Everything that was ever said about a pair, what doesn't count any more too."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from calib.logbook.boards import OF_CELL, cell_of, grades_of
from calib.logbook.bodies import KeptSetting, Session, body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import HistoryLine
from calib.logbook.ledger import WITHDRAW, Entry
from calib.logbook.room import Room
from calib.logbook.workshop import sessions_of
from calib.records import READ_OFF, Operation, Reading, Setting
from calib.texts.say import say
from calib.units import show_chance

# Of a machine, a sheet, or a pair: what its history tells.
_OF_MACHINE = ("setup", "note", "timed_job", WITHDRAW)
_OF_SHEET = ("lot", "note", WITHDRAW)
_OF_PAIR = (
    "board", "look", "cell_note", "size", "job", "check_strip", "kept", "note", "photograph",
    "comb", "comb_readings", "kerf", WITHDRAW,
)  # fmt: skip
# What the kinds are called in a list where their own names say less.
_KINDS = {
    "machine": "set-up",
    "setup": "set-up",
    "sheet": "lot",
    "look": "reading",
    "size": "reading",
    "cell_note": "reading",
    "kept": say("logbook.kept_setting"),
    "timed_job": say("logbook.timed_job"),
    "comb_readings": say("logbook.comb_readings"),
    WITHDRAW: "withdrawal",
}


class History(Room):
    """The whole story of a pair."""

    def history(
        self, machine: str, sheet: str, operation: Operation | None = None
    ) -> tuple[HistoryLine, ...]:
        """List all that was said of a pair, as it came in; LogbookError when it isn't there."""
        with self.looking() as view:
            of, on = view.names.machine(machine).ids, view.names.sheet(sheet).ids
            found = view.ever(id=of | on)
            found += view.ever(kind=_OF_MACHINE, machine=of, sheet="")
            found += view.ever(kind=_OF_SHEET, machine="", sheet=on)
            found += view.ever(kind=_OF_PAIR, machine=of, sheet=on)
            slots = {
                say("logbook.session", label=label)
                for entry in found
                for label in sessions_of(entry)
            }
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
            grades = zip(READ_OFF, grades_of(entry), strict=True)
            noted = entry.kind in ("job", "check_strip", "kept")
            line = HistoryLine(
                id=entry.id,
                at=read_time(entry.at),
                kind=_KINDS.get(entry.kind, entry.kind),
                text=_withdrawal(entry, by_id) if entry.kind == WITHDRAW else text_of(entry),
                board=view.names.code(board) if board else "",
                cell=cell,
                reading=Reading(cell=cell, **dict(grades)) if entry.kind == "look" else None,
                session=next(iter(sessions_of(entry)), ""),
                why=entry.why or (entry.body["note"] if noted else ""),
                superseded=not (entry.stands and view.names.counts(entry)),
            )
            lines.append(line)
        return tuple(lines)


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


def _lot(entry: Entry) -> str:
    sheet = body_of(entry).sheet
    measured = "" if sheet.measured_mm is None else say("logbook.measured", sheet=sheet)
    return f"lot {sheet.lot or 'not named'}{measured}"


def _look(entry: Entry) -> str:
    words = [
        f"{name} {said}"
        for name, said in zip(READ_OFF, grades_of(entry), strict=True)
        if said is not None
    ]
    return ", ".join(words) or say("logbook.not_burnt")


def _size(entry: Entry) -> str:
    sides = (entry.body[name] for name in ("width_mm", "height_mm"))
    return "measured " + " x ".join("?" if side is None else f"{side:g}" for side in sides) + " mm"


def _withdrawal(entry: Entry, by_id: Mapping[str, Entry]) -> str:
    gone = [by_id[key] for key in entry.replaces if key in by_id]
    if any(one.kind == WITHDRAW for one in gone):
        return say("logbook.put_again")
    words = [f"{_KINDS.get(one.kind, one.kind)} {cell_of(one)}".strip() for one in gone]
    return say("logbook.took_back", fromkeys=", ".join(dict.fromkeys(words))).strip()


def _plain(operation: str) -> str:
    return operation.replace("_", " ")


def _setting(setting: Setting | None) -> str:
    if setting is None:
        return say("logbook.none_any_more")
    pitch = "" if setting.line_pitch_mm is None else say("logbook.lines_apart", setting=setting)
    passes = "" if setting.passes == 1 else say("logbook.passes", setting=setting)
    return f"{setting.power_pct:g} %, {setting.speed_mm_s:g} mm/s{passes}{pitch}"


def _kept(entry: Entry) -> str:
    kept: KeptSetting = body_of(entry)
    words = f"{_plain(kept.operation)}: {_setting(kept.setting)}"
    if kept.advice is None:
        return words
    return say(
        "logbook.chance_for_next", words=words, chance=show_chance(kept.advice.chance), kept=kept
    )


def _run(entry: Entry) -> str:
    burns = entry.body["burns"]
    return say(
        "logbook.parts",
        plain=_plain(burns[0]["operation"]),
        burns=sum(burn["count"] for burn in burns),
    )


def _board(entry: Entry) -> str:
    grid = entry.body["grid"]
    return say("logbook.round_planned", grid=grid, plain=_plain(grid["operation"]))


_TEXTS: Mapping[str, Callable[[Entry], str]] = {
    "machine": lambda entry: str(entry.body["what"]),
    "setup": lambda entry: str(entry.body["what"]),
    "sheet": _lot,
    "lot": _lot,
    "session": lambda entry: session_words(body_of(entry)),
    "board": _board,
    "look": _look,
    "size": _size,
    "cell_note": lambda entry: f"note: {entry.body['note']}",
    "job": _run,
    "check_strip": _run,
    "kept": _kept,
    "note": lambda entry: str(entry.body["text"]),
    "photograph": lambda entry: str(entry.body["filename"]),
}


def text_of(entry: Entry) -> str:
    """Say what an entry says."""
    if entry.kind in _TEXTS:
        return _TEXTS[entry.kind](entry)
    return f"{entry.kind.replace('_', ' ')} {entry.slot}".strip()
