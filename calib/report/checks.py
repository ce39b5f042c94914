"""Text of new lots, check strips, and of sheet or machine."""

from __future__ import annotations

from calib.advise.cause import Cause
from calib.advise.new_lot import LotVerdict
from calib.report.words import bullets, paragraphs, table, wrapped
from calib.tasks.checks import StripRecord


def lot_text(verdict: LotVerdict) -> str:
    """Say what to do with a new lot."""
    more = f"needs {verdict.shift_pct:+.0f} % power against the old one"
    return paragraphs(
        wrapped(verdict.words),
        wrapped(
            f"The new lot {more} (9 of 10: {verdict.shift_low_pct:+.0f} % to"
            f" {verdict.shift_high_pct:+.0f} %); {verdict.reliability:g} was asked for."
        ),
        bullets("Notes", verdict.notes),
    )


def strips_text(record: StripRecord) -> str:
    """Say whether the machine has lost power, strip by strip."""
    check = record.check
    rows = [
        (board, day, f"{estimate:+.0f} % ± {doubt:.0f} %", f"{chance:.2f}")
        for board, day, estimate, doubt, chance in zip(
            record.boards,
            record.days,
            check.estimates_pct,
            check.estimate_sd_pct,
            check.chance_after_each,
            strict=True,
        )
    ]
    return paragraphs(
        wrapped(check.words),
        wrapped(
            f"Effective power of {record.machine} against what it had on {record.sheet}:"
            f" {check.shift_pct:+.0f} % (9 of 10: {check.shift_low_pct:+.0f} % to"
            f" {check.shift_high_pct:+.0f} %)."
        ),
        table(
            ("strip", "planned", "by itself, ± its doubt", "chance of a loss of more than 5 %"),
            rows,
        ),
        bullets("Look at, in this order", check.checks),
    )


def cause_text(cause: Cause) -> str:
    """Say whether it is the sheet or the machine."""
    rows = [(name, f"{chance:.2f}") for name, chance in cause.chance.items()]
    return paragraphs(wrapped(cause.words), table(("it is", "chance"), rows))
