"""Text of the logbook's lists."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.logbook.coding import material_key
from calib.report.words import (
    bullets,
    date_words,
    operation_words,
    paragraphs,
    reading_words,
    table,
)

if TYPE_CHECKING:
    from calib.logbook.entries import Entry, HistoryLine, ImportReport, Page


def page_text(page: Page) -> str:
    """List boards, jobs, check strips and notes."""
    if not page.entries:
        return "Nothing in the logbook fits." if not page.offset else "There is nothing further on."
    header = (
        "planned or run",
        "what",
        "code",
        "sheet",
        "machine",
        "operation",
        "round",
        "read",
        "came out",
    )
    first = page.offset + 1
    last = page.offset + len(page.entries)
    shown = f"{first} to {last} of {page.total}, newest first."
    return paragraphs(table(header, [_entry(entry) for entry in page.entries]), shown)


def unknown_material_text(material: str, known: Sequence[str]) -> str:
    """Say that no sheet is of a material, and which there are; nothing when one is."""
    if material_key(material) in map(material_key, known):
        return ""
    there = ", ".join(sorted(set(known))) or "no sheet yet"
    return f"No entry matches: no sheet is of material {material!r}; the logbook has {there}."


def _entry(entry: Entry) -> tuple[str, ...]:
    outcomes = ", ".join(f"{count} {name}" for name, count in entry.outcomes.items())
    return (
        date_words(entry.at),
        entry.kind.replace("_", " "),
        entry.id[:8],
        entry.sheet,
        entry.machine,
        operation_words(entry.operation),
        "" if entry.round is None else str(entry.round),
        "" if entry.kind == "note" else f"{entry.read} of {entry.cells}",
        entry.note if entry.kind == "note" else outcomes,
    )


def history_text(lines: Sequence[HistoryLine]) -> str:
    """Tell the whole story of a pair; what no longer counts is marked."""
    rows = [
        (
            date_words(line.at),
            line.kind,
            f"{line.board} {line.cell}".strip(),
            line.text if line.reading is None else reading_words(line.reading) or line.text,
            line.why,
            "no longer counts" if line.superseded else "",
        )
        for line in lines
    ]
    return table(("when", "what", "where", "taken down", "why", ""), rows)


def import_text(report: ImportReport) -> str:
    """Say what an import did, and what it asks."""
    counts = [
        (title, ", ".join(f"{number} {kind}" for kind, number in numbers.items() if number))
        for title, numbers in (
            ("Added", report.added),
            ("There already", report.already),
            ("Held back until answered", report.held_back),
        )
    ]
    lines = [f"{title}: {text or 'nothing'}." for title, text in counts]
    questions = [
        f"{c.key}: here {c.here}; there {c.there}. Answer with --answer '{c.key}=WORD', WORD one of"
        f" {', '.join(c.answers)}."
        for c in report.conflicts
    ]
    return paragraphs("\n".join(lines), bullets("The two books differ", questions))
