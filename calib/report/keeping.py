"""Text of backups, photographs and sittings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.logbook.bodies import Sitting
from calib.logbook.checking import Check
from calib.logbook.entries import Photograph
from calib.report.book import counts_in_words
from calib.report.words import counted, date_words, paragraphs, table, wrapped

if TYPE_CHECKING:
    from calib.tasks.keeping import BackupFile, Kept

_KIB = 1024.0


def kept_text(kept: Kept) -> str:
    """Say where a backup is and what is in it."""
    rows = counts_in_words(kept.rows) or "nothing yet"
    return f"{kept.file}\nIn it, looked at after it was written: {rows}."


def backups_text(files: Sequence[BackupFile]) -> str:
    """List the backups of a logbook."""
    if not files:
        return "There is no backup beside the logbook."
    rows = [
        (
            date_words(file.made),
            "good" if file.whole else "damaged",
            f"{file.size_bytes / _KIB:.0f} KiB",
            str(file.file),
        )
        for file in files
    ]
    return table(("made", "state", "size", "file"), rows)


def check_text(found: Check) -> str:
    """Say that a logbook is sound, and what it was compared with."""
    rows = counts_in_words(found.rows) or "nothing in it yet"
    if found.compared_with is None:
        compared = "There is no backup beside it: make one with backup."
    else:
        compared = f"Its newest backup is {found.compared_with}."
    missing = counts_in_words(found.missing)
    return paragraphs(
        f"The logbook is sound: {rows}.",
        wrapped(compared),
        wrapped(
            f"Not in the logbook, but in that backup: {missing}. That is so when an earlier backup"
            " was put back since."
        )
        if missing
        else "",
    )


def photographs_text(board: str, photographs: Sequence[Photograph]) -> str:
    """List the photographs of a board."""
    if not photographs:
        return f"Board {board} has no photograph."
    rows = [
        (date_words(p.at), p.cell or "board", f"{p.size_bytes / _KIB:.0f} KiB", p.filename)
        for p in photographs
    ]
    head = f"Board {board}: {counted(len(photographs), 'photograph')}"
    return f"{head}\n{table(('attached', 'of', 'size', 'file'), rows)}"


def sittings_text(sittings: Sequence[Sitting]) -> str:
    """List sittings with what was taken down of them."""
    if not sittings:
        return "No sitting yet: one begins with the first burn that is taken down."
    rows = [
        (
            sitting.label,
            "" if sitting.focus_mm is None else f"{sitting.focus_mm:g} mm",
            _yes(sitting.air),
            _yes(sitting.lens_cleaned),
            sitting.support,
            _yes(sitting.masked),
            sitting.note,
        )
        for sitting in sittings
    ]
    return table(("sitting", "focus", "air", "lens cleaned", "on", "masked", "note"), rows)


def _yes(value: bool | None) -> str:
    return "" if value is None else ("yes" if value else "no")
