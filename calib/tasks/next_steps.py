"""What a maker does next with a sheet: another board, a recommendation, a verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from calib.logbook import Book
from calib.records import Burn, Grid, Operation

LOT_NOTE = "Burns of a new lot, about the working setting of the old one."
# How check strips are told from other boards: by this note, which stands on their sheets too.
STRIP_NOTE = "A check strip: it shows whether the machine still does what the logbook says."
# The fewest burns of a pair with which promises were tried in simulated workshops, see
# tests/benchmarks/promise.py; a recommendation may be asked for with fewer, and is then mostly
# refused.
ENOUGH_BURNS = 12

Step = Literal["plan", "recommend", "judge_lot", "check_machine"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What to do next with a pair."""

    step: Step  # Name of the task
    # machine, sheet, operation: The pair, and what was burnt
    machine: str
    sheet: str
    operation: Operation
    burns: int  # How many burns of the operation count so far


def next_step(book: Book, grid: Grid) -> NextStep:
    """Say what to do next after a board was taken down."""
    pair = (grid.machine.name, grid.sheet.name)
    burns = book.burns(*pair, grid.operation)
    step: Step = "plan"
    if LOT_NOTE in grid.notes:
        step = "judge_lot"
    elif STRIP_NOTE in grid.notes:
        step = "check_machine"
    elif len(burns) >= ENOUGH_BURNS and _on_both_sides(burns):
        step = "recommend"
    return NextStep(
        step=step, machine=pair[0], sheet=pair[1], operation=grid.operation, burns=len(burns)
    )


def _on_both_sides(burns: Sequence[Burn]) -> bool:
    """True when some coupons fell free and some didn't, or marks came out differently."""
    outcomes = {
        burn.through == "through" if burn.operation == "cut" else burn.mark for burn in burns
    }
    return len(outcomes - {None}) > 1
