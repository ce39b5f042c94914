"""Commands that say whether it is the sheet or the machine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.advice import Pictures
from calib.cli.boards import Into
from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    SheetName,
    draw,
    now,
    open_book,
    show,
    suggest,
)
from calib.cli.options import command, reader
from calib.units import parse_number

if TYPE_CHECKING:
    from calib.records import Setting
    from calib.tasks.wishes import CheckWish

PANEL = "Sheet or machine"


def _show_board(planned: Any, into: Path | None, *, as_json: bool) -> None:
    from calib.report.boards import planned_data, planned_text
    from calib.tasks.folders import write_folder

    written = write_folder(planned.files, into) if into is not None else []
    show(planned_data(planned, written), planned_text(planned), as_json=as_json)


@command(PANEL, "calib plan-lot 'birch 3' --into new-lot", leave_out=("line_pitch_mm",))
def plan_lot(
    wish: CheckWish,
    setting: Setting | None,
    sheet: SheetName = None,
    machine: MachineName = None,
    into: Into = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan the three or four burns that try a new lot of a sheet you know."""
    from calib.tasks.folders import check_folder
    from calib.tasks.new_lot import plan_lot
    from calib.tasks.wishes import FileWish

    wish = replace(wish, setting=setting)
    check_folder(into)
    with open_book(book) as opened:
        planned = plan_lot(opened, machine, sheet, wish, when=now(), files=FileWish())
    _show_board(planned, into, as_json=as_json)


@command(PANEL, "calib judge-lot 'birch 3'", leave_out=("line_pitch_mm",))
def judge_lot(
    setting: Setting | None,
    sheet: SheetName = None,
    machine: MachineName = None,
    reliability: Annotated[
        Any,
        typer.Option(
            "--reliability",
            parser=reader(parse_number),
            metavar="CHANCE",
            show_default="as settled, else 0.99",
            help="Chance, from 0 to 1, that the next coupon of the lot shall drop.",
        ),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say what to do with a new lot: keep the setting, slow down by so much, or test again."""
    from calib.report.checks import after_lot_text, lot_text
    from calib.tasks.finding import find_pair
    from calib.tasks.new_lot import judge_lot

    with open_book(book) as opened:
        verdict = judge_lot(opened, machine, sheet, setting=setting, reliability=reliability)
        of_machine, of_sheet = find_pair(opened, machine, sheet)
    show(verdict, lot_text(verdict), as_json=as_json)
    following = after_lot_text(verdict, of_sheet.name, of_machine.name)
    suggest(following, as_json=as_json)


@command(PANEL, "calib plan-strip 'birch 3' --into strip")
def plan_strip(
    wish: CheckWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    into: Into = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan a check strip on offcuts of a lot you know, to see whether the machine lost power."""
    from calib.tasks.checks import plan_strip
    from calib.tasks.folders import check_folder
    from calib.tasks.wishes import FileWish

    check_folder(into)
    with open_book(book) as opened:
        planned = plan_strip(opened, machine, sheet, wish, when=now(), files=FileWish())
    _show_board(planned, into, as_json=as_json)


@command(PANEL, "calib check-machine 'birch 3' --picture strips.png")
def check_machine(
    sheet: SheetName = None,
    machine: MachineName = None,
    picture: Pictures = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say from its check strips whether the machine lost power, and what to look at in order."""
    from calib.report.checks import strips_text
    from calib.tasks.checks import check_machine, strip_chart

    with open_book(book) as opened:
        record = check_machine(opened, machine, sheet)
    draw(strip_chart(record, picture or ()))
    show(record, strips_text(record), as_json=as_json)


@command(PANEL, "calib sheet-or-machine 'birch 3' --reference 'MDF 3'")
def sheet_or_machine(
    sheet: Annotated[str, typer.Argument(metavar="SHEET", help="The sheet whose parts hang.")],
    reference: Annotated[
        str,
        typer.Option("--reference", metavar="NAME", help="A sheet with check strips on it."),
    ],
    machine: MachineName = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Parts begin to hang: say whether it is the sheet or the machine."""
    from calib.report.checks import cause_text
    from calib.tasks.checks import sheet_or_machine

    with open_book(book) as opened:
        cause = sheet_or_machine(opened, machine, sheet, reference)
    show(cause, cause_text(cause), as_json=as_json)
