"""Text of what was planned, whatever it is for."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.texts.boards import focus_data, focus_text, planned_data, planned_round_text
from calib.texts.elsewhere import start_data, start_text
from calib.texts.joints import comb_data, comb_text

if TYPE_CHECKING:
    from calib.tasks.purposes import PlannedFor


def plan_data(planned: PlannedFor, written: Sequence[Path]) -> dict[str, Any]:
    """What was planned as data, with its files."""
    if planned.start is not None:
        return {**start_data(planned.start, next(iter(planned.boards), None)), "files": written}
    if planned.comb is not None:
        return comb_data(planned.comb, written)
    if planned.focus is not None:
        return {**focus_data(planned.focus), "files": written}
    boards = [
        planned_data(one, [path for path in written if path.name.startswith(one.grid.board_id)])
        for one in planned.boards
    ]
    return {"boards": boards} if planned.split else boards[0]


def plan_text(planned: PlannedFor) -> str:
    """Describe what was planned."""
    if planned.start is not None:
        return start_text(planned.start, next(iter(planned.boards), None))
    if planned.comb is not None:
        return comb_text(planned.comb)
    if planned.focus is not None:
        return focus_text(planned.focus)
    return planned_round_text(planned.boards)


def unburnt_lines(planned: PlannedFor) -> list[str]:
    """Say which boards were planned before and of which nothing is recorded yet."""
    again = [
        f"Board {one.grid.board_id} was planned before, and nothing is recorded of it: it stays"
        " as it was planned."
        for one in planned.boards
        if one.again
    ]
    unread = planned.boards[0].unread if planned.boards else ()
    return [*again, *(f"Nothing is recorded yet of the earlier board {code}." for code in unread)]
