"""Text that goes with the card for the wall."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calib.report.words import bullets, operation_words, paragraphs, setting_words

if TYPE_CHECKING:
    from calib.advice.sheet_card import SheetCard


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
