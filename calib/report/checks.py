"""Text of new lots, check strips, and of sheet or machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.report.words import bullets, pair_typed, paragraphs, table, wrapped

if TYPE_CHECKING:
    from calib.advice.new_lot import LotVerdict
    from calib.advice.strips import Cause, Change
    from calib.tasks.checks import StripRecord


def lot_text(verdict: LotVerdict) -> str:
    """Say what to do with a new lot."""
    return paragraphs(
        wrapped(verdict.words),
        f"{verdict.reliability:g} was asked for.",
        bullets("Notes", verdict.notes),
    )


def after_lot_text(verdict: LotVerdict, sheet: str, machine: str) -> str:
    """Say what to type next: a verdict promises nothing itself, so settling now would keep what
    was promised last of anything."""
    pair = pair_typed(sheet, machine)
    if verdict.advice is None:
        return f"Next: calib plan {pair}, for a board of this lot."
    return (
        f"Next: calib recommend {pair} --reliability {verdict.reliability}, to have it promised"
        " of this lot; calib settle last keeps it then."
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
    now, least, most = (
        f"{round(pct):+d} %".replace("+0 ", "0 ") for pct in (change.shift_pct, low, high)
    )
    return f"{now} (9 of 10: {least} to {most})"


def cause_text(cause: Cause) -> str:
    """Say whether it is the sheet or the machine."""
    rows = [(name, f"{chance:.2f}") for name, chance in cause.chance.items()]
    return paragraphs(wrapped(cause.words), table(("it is", "chance"), rows))
