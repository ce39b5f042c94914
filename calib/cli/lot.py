"""The command that says what to do with a new lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.options import Said, command, option, reader
from calib.units import parse_number

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.wishes import Named


@command("calib judge-lot 'birch 3'", leave_out=("line_pitch_mm",))
def judge_lot(
    book: Book,
    pair: Named,
    setting: Setting | None,
    reliability: Annotated[
        Any,
        option(
            "--reliability",
            "CHANCE",
            "Chance, from 0 to 1, that the next coupon of the lot shall drop.",
            parser=reader(parse_number),
            show_default="as kept, else 0.99",
        ),
    ] = None,
) -> Said:
    """Say what to do with a new lot: keep the setting, slow down by so much, or test again."""
    from calib.report.checks import after_lot_text, lot_text
    from calib.tasks.checks import judge_lot
    from calib.tasks.finding import find_pair

    verdict = judge_lot(book, *pair.names, setting=setting, reliability=reliability)
    machine, sheet = find_pair(book, *pair.names)
    return verdict, lot_text(verdict), after_lot_text(verdict, sheet.name, machine.name)
