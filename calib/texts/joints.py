"""Text of comb boards, joints and kerfs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from calib.boards.board_time import board_time
from calib.boards.comb import FEEL_WORDS, CombBoard
from calib.joints.joint import Joint
from calib.joints.joint import joint_words as joint_words
from calib.joints.kerf import KerfLaw, KerfPoint
from calib.texts.say import say
from calib.texts.words import bullets, paragraphs, setting_words, table, wrapped

if TYPE_CHECKING:
    from calib.tasks.joints import CombTaken


def comb_text(board: CombBoard) -> str:
    """Describe a planned comb."""
    rows = [
        (name, f"{steps[0].label} to {steps[-1].label}", _widths(steps))
        for name, steps in (("slots", board.slots), ("tongues", board.tongues))
        if steps
    ]
    if board.gauge is not None:
        rows.append(("gauge", board.gauge.label, f"{board.gauge.width_mm:.2f} mm"))
    minutes = board_time(board).total_s / 60.0
    feels = "; ".join(f"{word}: {meaning}" for word, meaning in FEEL_WORDS.items())
    return paragraphs(
        say("texts.comb_board", board=board, setting=setting_words(board.setting), minutes=minutes),
        table(("", "codes", "drawn widths"), rows),
        wrapped(say("texts.try_stock_in_slots", board=board, feels=feels)),
        bullets("Notes", board.notes),
    )


def _widths(steps: Sequence[Any]) -> str:
    return f"{steps[0].width_mm:.2f} to {steps[-1].width_mm:.2f} mm"


def comb_data(board: CombBoard, written: Sequence[object]) -> dict[str, object]:
    """A planned comb as data; the strokes stand in the drawing."""
    names = ("setting", "stock_mm", "kerf_mm", "step_mm", "board_mm", "steps")
    return {
        "board_id": board.board_id,
        "machine": board.machine.name,
        "sheet": board.sheet.name,
        **{name: getattr(board, name) for name in names},
        "time_s": board_time(board).total_s,
        "files": tuple(written),
        "notes": board.notes,
    }


def comb_recorded_text(taken: CombTaken) -> str:
    """Show what was recorded of a comb."""
    rows = [
        (
            reading.label,
            reading.feel or "-",
            *(_read(reading.widths_mm(face)) for face in ("top", "bottom", "across")),
        )
        for reading in taken.readings
    ]
    return paragraphs(
        say("texts.comb_recorded", count=len(rows)),
        table(("", "feel", "top", "bottom", "across"), rows) if rows else "",
        f"Stock: {_read(taken.stock_mm)}" if taken.stock_mm else "",
    )


def _read(widths_mm: Sequence[float]) -> str:
    return "-" if not widths_mm else " ".join(f"{width:g}" for width in widths_mm) + " mm"


def joint_text(board: CombBoard, joint: Joint) -> str:
    """Say what a comb tells."""
    head = say("texts.comb_cut_at", board=board, setting=setting_words(board.setting))
    told = [line for line in joint_words(joint) if line not in joint.notes]
    return paragraphs(
        head, "\n".join(wrapped(line) for line in told), bullets("Notes", joint.notes)
    )


def kerf_text(law: KerfLaw, points: Sequence[KerfPoint]) -> str:
    """Show the kerf of measured coupons and how it grows."""
    rows = [
        (
            setting_words(point.setting),
            f"{point.line_energy_j_mm:.2f} J/mm",
            str(point.kerf),
            str(sum(len(place) for place in point.places)),
        )
        for point in points
    ]
    return paragraphs(
        table(("setting", "line energy", "kerf", "readings"), rows),
        wrapped(say("texts.kerf_grows", law=law)),
        bullets("Notes", law.notes),
    )
