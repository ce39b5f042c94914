"""Commands that say whether it is the sheet or the machine."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.options import (
    Into,
    MachineName,
    Pictures,
    Said,
    argument,
    command,
    option,
    reader,
)
from calib.cli.terminal import draw, now
from calib.units import parse_number

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.wishes import CheckWish, Named

PANEL = "Sheet or machine"


@command(PANEL, "calib plan-lot 'birch 3' --into new-lot", leave_out=("line_pitch_mm",))
def plan_lot(
    book: Book, pair: Named, wish: CheckWish, setting: Setting | None, into: Into = None
) -> Said:
    """Plan the three or four burns that try a new lot of a sheet you know."""
    from calib.report.boards import planned_data, planned_text
    from calib.tasks.checks import plan_lot
    from calib.tasks.folders import check_folder, write_folder
    from calib.tasks.wishes import FileWish

    check_folder(into)
    wish = replace(wish, setting=setting)
    planned = plan_lot(book, *pair.names, wish, when=now(), files=FileWish())
    return planned_data(planned, write_folder(planned.files, into)), planned_text(planned)


@command(PANEL, "calib judge-lot 'birch 3'", leave_out=("line_pitch_mm",))
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


@command(PANEL, "calib plan-strip 'birch 3' --into strip")
def plan_strip(book: Book, pair: Named, wish: CheckWish, into: Into = None) -> Said:
    """Plan a check strip on offcuts of a lot you know, to see whether the machine lost power."""
    from calib.report.boards import planned_data, planned_text
    from calib.tasks.checks import plan_strip
    from calib.tasks.folders import check_folder, write_folder
    from calib.tasks.wishes import FileWish

    check_folder(into)
    planned = plan_strip(book, *pair.names, wish, when=now(), files=FileWish())
    return planned_data(planned, write_folder(planned.files, into)), planned_text(planned)


@command(PANEL, "calib check-machine 'birch 3' --picture strips.png")
def check_machine(book: Book, pair: Named, picture: Pictures = None) -> Said:
    """Say from its check strips whether the machine lost power, and what to look at in order."""
    from calib.report.checks import strips_text
    from calib.tasks.checks import check_machine, strip_chart

    record = check_machine(book, *pair.names)
    draw(strip_chart(record, picture or ()))
    return record, strips_text(record)


@command(PANEL, "calib sheet-or-machine 'birch 3' --reference 'MDF 3'")
def sheet_or_machine(
    book: Book,
    sheet: Annotated[str, argument("SHEET", "The sheet whose parts hang.")],
    reference: Annotated[str, option("--reference", "NAME", "A sheet with check strips on it.")],
    machine: MachineName = None,
) -> Said:
    """Parts begin to hang: say whether it is the sheet or the machine."""
    from calib.report.checks import cause_text
    from calib.tasks.checks import sheet_or_machine

    cause = sheet_or_machine(book, machine, sheet, reference)
    return cause, cause_text(cause)
