"""Text of new lots and check strips, the card for the wall, and the track record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calib.texts.say import say
from calib.texts.words import bullets, operation_words, paragraphs, setting_words, table, wrapped

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
        wrapped(say("texts.effective_power", record=record, change=change_words(check.now))),
        table(("strip", "planned", "known after it", say("texts.chance_of_a_loss")), rows),
        bullets(say("texts.look_at_in_order"), check.checks),
    )


def change_words(change: Change) -> str:
    """Write a change of effective power with its interval."""
    shifts = (change.shift_pct, change.shift_low_pct, change.shift_high_pct)
    now, least, most = (f"{round(pct):+d} %".replace("+0 ", "0 ") for pct in shifts)
    return say("texts.nine_of_ten", now=now, least=least, most=most)


def cause_text(cause: Cause) -> str:
    """Say whether it is the sheet or the machine."""
    rows = [(name, f"{chance:.2f}") for name, chance in cause.chance.items()]
    return paragraphs(wrapped(cause.words), table(("it is", "chance"), rows))


def sheet_card_text(card: SheetCard, file: Path) -> str:
    """Say what stands on a card, where it is, and what is due."""
    named = [(operation_words(entry.operation), entry) for entry in card.settings]
    due = [f"{operation}: {why}" for operation, entry in named for why in entry.due]
    return paragraphs(
        say("texts.card_for", card=card, file=file),
        "\n".join(
            f"{operation}: {setting_words(entry.setting)}"
            + (f"; {say('advice.proof_failed_dont_use')}" if entry.failed else "")
            for operation, entry in named
        ),
        bullets(say("texts.check_before_use"), due),
        bullets("Check again", card.check_again),
    )


def track_record_text(record: TrackRecord, title: str) -> str:
    """Set the calibration table with its scores."""
    header = ("stated", "came out", "9 of 10 within", "outcomes", "boards or jobs")
    rows = [_row(row) for row in record.rows]
    error = "" if record.brier_error is None else f" ± {record.brier_error:.4f}"
    scores = [
        say("texts.stated_and_came", whole=record.overall),
        say("texts.brier", record=record, error=error),
    ]
    if record.base_brier is not None and record.base_log_loss is not None:
        scores.append(say("texts.average_of_others", record=record))
    scores.append(say("texts.too_high_or_low", record=record))
    return paragraphs(
        title,
        table(header, [*rows, ("all", *_row(record.overall)[1:])]),
        "\n".join(wrapped(line) for line in scores),
        bullets("Notes", record.notes),
    )


def _row(row: StatedRow) -> tuple[str, ...]:
    within = f"{row.low:.3f} to {row.high:.3f}"
    return f"{row.stated:.3f}", f"{row.came:.3f}", within, str(row.count), str(row.groups)
