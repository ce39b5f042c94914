"""Settings in words, in the names of files, and what stands on every file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calib.hazards import board_cautions
from calib.records import Setting
from calib.texts.say import say
from calib.units import show_speed

if TYPE_CHECKING:
    from calib.boards.board import Board


def setting_words(setting: Setting) -> str:
    """Say a setting as it is typed at the machine.

    Examples
    --------
    >>> setting_words(Setting(power_pct=60.0, speed_mm_s=12.5))
    '60 %, 12.5 mm/s (750 mm/min), 1 pass'
    """
    words = [f"{setting.power_pct:g} %", show_speed(setting.speed_mm_s)]
    words.append("1 pass" if setting.passes == 1 else say("boards.passes", setting=setting))
    if setting.line_pitch_mm is not None:
        words.append(say("boards.lines_apart", setting=setting))
    return ", ".join(words)


def file_cautions(board: Board) -> tuple[str, ...]:
    """Collect what must stand on every file that leads to burning.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt: then there is no
    file.
    """
    cautions = board_cautions(board.machine, board.sheet, board.operation, board.air)
    return tuple(dict.fromkeys((*board.how, *cautions, *board.notes)))
