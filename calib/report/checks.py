"""Text of new lots, check strips, and of sheet or machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.report.words import bullets, paragraphs, table, wrapped

if TYPE_CHECKING:
    from calib.advise.cause import Cause
    from calib.advise.drift import Change
    from calib.advise.new_lot import LotVerdict
    from calib.tasks.checks import StripRecord


def lot_text(verdict: LotVerdict) -> str:
    """Say what to do with a new lot."""
    return paragraphs(
        wrapped(verdict.words),
        wrapped(
            f"{verdict.reliability:g} was asked for. calib recommend says the same of this lot, and"
            " calib settle last keeps what it promises."
        ),
        bullets("Notes", verdict.notes),
    )


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
    return f"{change.shift_pct:+.0f} % (9 of 10: {low:+.0f} % to {high:+.0f} %)"


def cause_text(cause: Cause) -> str:
    """Say whether it is the sheet or the machine."""
    rows = [(name, f"{chance:.2f}") for name, chance in cause.chance.items()]
    return paragraphs(wrapped(cause.words), table(("it is", "chance"), rows))
