"""Text of the track record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.report.words import bullets, paragraphs, table, wrapped

if TYPE_CHECKING:
    from calib.advice.track_record import StatedRow, TrackRecord


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
            "One who states on every board what came out on average on the others gets"
            f" {record.base_brier:.4f} and {record.base_log_loss:.4f}."
        )
    lines.append(
        f"Of the Brier score {record.miscalibration:.4f} comes from chances that were stated too"
        " high or too low, as far as hindsight tells."
    )
    return lines
