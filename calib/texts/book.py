"""Text of the logbook: lists, questions, backups, photographs, sessions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from calib.logbook.coding import material_key
from calib.texts.say import say
from calib.texts.words import (
    bullets,
    counted,
    date_words,
    operation_words,
    paragraphs,
    reading_words,
    short_code,
    table,
    wrapped,
)

if TYPE_CHECKING:
    from calib.logbook.backup import Check
    from calib.logbook.bodies import Session
    from calib.logbook.entries import HistoryLine, ImportReport, Line, Page, Photograph, Question
    from calib.tasks.keeping import BackupFile, Kept


def page_text(page: Page) -> str:
    """List boards, jobs, check strips and notes."""
    if not page.entries:
        return say("texts.no_more_entries" if page.offset else "texts.nothing_matches")
    header = (
        "planned or run", "what", "code", "sheet", "machine", "operation", "round", "read",
        "came out",
    )  # fmt: skip
    first, last = page.offset + 1, page.offset + len(page.entries)
    shown = say("texts.entries_of", first=first, last=last, total=page.total)
    return paragraphs(table(header, [_entry(entry) for entry in page.entries]), shown)


def unknown_material_text(material: str, known: Sequence[str]) -> str:
    """Say that no sheet is of a material, and which there are; nothing when one is."""
    if material_key(material) in map(material_key, known):
        return ""
    there = ", ".join(sorted(set(known))) or "no sheet yet"
    return say("texts.no_sheet_of_material", material=material, there=there)


def _entry(entry: Line) -> tuple[str, ...]:
    outcomes = ", ".join(f"{count} {name}" for name, count in entry.outcomes.items())
    return (
        date_words(entry.at),
        entry.kind.replace("_", " "),
        short_code(entry.id),
        entry.sheet,
        entry.machine,
        operation_words(entry.operation),
        "" if entry.round is None else str(entry.round),
        "" if entry.kind == "note" else f"{entry.read} of {entry.cells}",
        entry.note if entry.kind == "note" else outcomes,
    )


def history_text(lines: Sequence[HistoryLine], material: str) -> str:
    """Tell the whole story of a pair; what no longer counts is marked."""
    rows = [
        (
            date_words(line.at),
            short_code(line.id),
            line.kind,
            f"{line.board} {line.cell}".strip(),
            (line.reading and reading_words(line.reading, material)) or line.text,
            line.why,
            say("texts.no_longer_counts") if line.superseded else "",
        )
        for line in lines
    ]
    return table(("when", "entry", "what", "where", "recorded", "why", ""), rows)


def import_text(report: ImportReport) -> str:
    """Say what an import did, and what it asks."""
    counts = [
        (title, counts_in_words(numbers))
        for title, numbers in (("Added", report.added), ("There already", report.already))
    ]
    lines = [f"{title}: {text or 'nothing'}." for title, text in counts]
    return paragraphs("\n".join(lines), questions_text(report.questions))


def questions_text(questions: Sequence[Question]) -> str:
    """List what was said in two ways, and how to say which holds; nothing without any."""
    asked = [
        say(
            "texts.answer_with",
            one=one,
            said="; or ".join(f"({n}) {said}" for n, said in enumerate(one.said, 1)),
            answers=", ".join(one.answers),
        )
        for one in questions
    ]
    return bullets(say("texts.none_counts_until_answered"), asked)


# What kinds of entries are called where their own names say less.
_KINDS = {
    "setup": "change of set-up",
    "look": "reading",
    "size": "coupon measured",
    "cell_note": "note on a cell",
    "kept": "kept setting",
    "withdraw": "withdrawal",
    "name": "new name",
    "costs": "set of costs",
    "comb": "joint board",
    "comb_readings": "set of readings of a joint board",
    "same": "answer",
}
_MANY = {
    "setup": "changes of set-up", "size": "coupons measured", "cell_note": "notes on cells",
    "costs": "sets of costs", "comb_readings": "sets of readings of joint boards",
}  # fmt: skip


def counts_in_words(counts: Mapping[str, int]) -> str:
    """Write how many entries there are of each kind.

    Examples
    --------
    >>> counts_in_words({"sheet": 1, "setup": 2, "note": 0, "check_strip": 2})
    '1 sheet, 2 changes of set-up, 2 check strips'
    """
    return ", ".join(
        f"{count} {_MANY[kind]}"
        if count > 1 and kind in _MANY
        else counted(count, _KINDS.get(kind, kind.replace("_", " ")))
        for kind, count in counts.items()
        if count
    )


def kept_text(kept: Kept) -> str:
    """Say where a backup is and what is in it."""
    rows = counts_in_words(kept.rows) or "nothing yet"
    return say("texts.looked_at_after", kept=kept, rows=rows)


def backups_text(files: Sequence[BackupFile]) -> str:
    """List the backups of a logbook."""
    if not files:
        return say("texts.no_backup")
    rows = [
        (date_words(one.made), "good" if one.whole else "damaged", _size(one), str(one.file))
        for one in files
    ]
    return table(("made", "state", "size", "file"), rows)


def check_text(found: Check) -> str:
    """Say that a logbook is sound, and what it was compared with."""
    rows = counts_in_words(found.rows) or "nothing in it yet"
    compared, missing = say("texts.make_a_backup"), counts_in_words(found.missing)
    if found.compared_with is not None:
        compared = say("texts.newest_backup", found=found)
    return paragraphs(
        say("texts.logbook_is_sound", rows=rows),
        wrapped(compared),
        wrapped(say("texts.missing_from_logbook", missing=missing)) if missing else "",
    )


def photographs_text(board: str, photographs: Sequence[Photograph]) -> str:
    """List the photographs of a board."""
    if not photographs:
        return say("texts.no_photograph", board=board)
    rows = [
        (date_words(one.at), one.cell or "board", _size(one), one.filename) for one in photographs
    ]
    head = f"Board {board}: {counted(len(photographs), 'photograph')}"
    return f"{head}\n{table(('attached', 'of', 'size', 'file'), rows)}"


def sessions_text(sessions: Sequence[Session]) -> str:
    """List sessions with what was recorded of them."""
    if not sessions:
        return say("texts.no_session_yet")
    rows = [
        (
            session.label,
            session.who,
            "" if session.focus_mm is None else f"{session.focus_mm:g} mm",
            _yes(session.air),
            _yes(session.lens_cleaned),
            session.support,
            _yes(session.masked),
            session.note,
        )
        for session in sessions
    ]
    return table(("session", "who", "focus", "air", "lens cleaned", "on", "masked", "note"), rows)


def _size(one: Photograph | BackupFile) -> str:
    return f"{one.size_bytes / 1024.0:.0f} KiB"


def _yes(value: bool | None) -> str:
    return "" if value is None else ("yes" if value else "no")
