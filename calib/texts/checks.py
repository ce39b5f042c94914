"""Text of new lots and check strips, the card for the wall, and the track record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calib.texts.words import (
    bullets,
    operation_words,
    paragraphs,
    setting_words,
    table,
    wrapped,
)

if TYPE_CHECKING:
    from calib.advice.sheet_card import SheetCard
    from calib.advice.strips import Cause, Change
    from calib.advice.track_record import StatedRow, TrackRecord
    from calib.tasks.checks import StripRecord


def strips_text(record: StripRecord) -> str:
    """Say whether the machine has lost power, strip by strip."""
    check = record.check
    rows = [
        (board, day, change_words(change), f"{change.chance_of_loss:.2f}")
        for board, day, change in zip(record.boards, record.days, check.after_each, strict=True)
    ]
    return paragraphs(
        wrapped(check.words),
        wrapped(
            f"Effective power of {record.machine} against what it had on {record.sheet}:"
            f" {change_words(check.now)}."
        ),
        table(("strip", "planned", "known after it", "chance of a loss of more than 5 %"), rows),
        bullets("Look at, in this order", check.checks),
    )


def change_words(change: Change) -> str:
    """Write a change of effective power with its interval."""
    low, high = change.shift_low_pct, change.shift_high_pct
    now, least, most = (
        f"{round(pct):+d} %".replace("+0 ", "0 ") for pct in (change.shift_pct, low, high)
    )
    return f"{now} (9 of 10: {least} to {most})"


def cause_text(cause: Cause) -> str:
    """Say whether it is the sheet or the machine."""
    rows = [(name, f"{chance:.2f}") for name, chance in cause.chance.items()]
    return paragraphs(wrapped(cause.words), table(("it is", "chance"), rows))


def sheet_card_text(card: SheetCard, file: Path) -> str:
    """Say what stands on a card, where it is, and what is due."""
    lines = [
        f"{operation_words(entry.operation)}: {setting_words(entry.setting)}"
        for entry in card.settings
    ]
    due = [
        f"{operation_words(entry.operation)}: {why}" for entry in card.settings for why in entry.due
    ]
    return paragraphs(
        f"Card for {card.sheet.name} on {card.machine.name}: {file}",
        "\n".join(lines),
        bullets("Check before you use it", due),
        bullets("Check again", card.check_again),
    )


def track_record_text(record: TrackRecord, title: str) -> str:
    """Set the calibration table with its scores."""
    header = ("stated", "came out", "9 of 10 within", "outcomes", "boards or jobs")
    rows = [_row(row) for row in record.rows]
    total = ("all", *_row(record.overall)[1:])
    return paragraphs(
        title,
        table(header, [*rows, total]),
        "\n".join(wrapped(line) for line in _scores(record)),
        bullets("Notes", record.notes),
    )


def _row(row: StatedRow) -> tuple[str, ...]:
    return (
        f"{row.stated:.3f}",
        f"{row.came:.3f}",
        f"{row.low:.3f} to {row.high:.3f}",
        str(row.count),
        str(row.groups),
    )


def _scores(record: TrackRecord) -> list[str]:
    error = "" if record.brier_error is None else f" ± {record.brier_error:.4f}"
    whole = record.overall
    lines = [
        f"On average {whole.stated:.3f} was stated, and {whole.came:.3f} came out.",
        f"Brier score {record.brier:.4f}{error} (0 is best), log loss {record.log_loss:.4f}.",
    ]
    if record.base_brier is not None and record.base_log_loss is not None:
        lines.append(
            "Stating the average of the other boards each time would score"
            f" {record.base_brier:.4f} and {record.base_log_loss:.4f}."
        )
    lines.append(
        f"Of the Brier score {record.miscalibration:.4f} comes from chances that were stated too"
        " high or too low, as far as hindsight tells."
    )
    return lines
