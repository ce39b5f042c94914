"""Commands that say whether it is the sheet or the machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.advice import Pictures
from calib.cli.boards import Into, Offcut
from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    SheetName,
    app,
    now,
    open_book,
    percent,
    show,
    speed,
    tell,
)

PANEL = "Sheet or machine"

WorkingPower = Annotated[
    float | None,
    typer.Option(
        "--power",
        parser=percent,
        metavar="%",
        show_default="the settled or recommended one",
        help="Power you work with (%).",
    ),
]
WorkingSpeed = Annotated[
    float | None,
    typer.Option(
        "--speed",
        parser=speed,
        metavar="SPEED",
        show_default="the settled or recommended one",
        help="Speed you work with (mm/s).",
    ),
]
Burns = Annotated[
    int | None,
    typer.Option("--burns", metavar="N", show_default="the usual number", help="How many burns."),
]


def _setting(power: float | None, speed_mm_s: float | None) -> Any:
    from calib.records import Setting

    if (power is None) != (speed_mm_s is None):
        raise typer.BadParameter("give --power and --speed, or neither")
    if power is None or speed_mm_s is None:
        return None
    return Setting(power_pct=power, speed_mm_s=speed_mm_s)


def _show_board(planned: Any, into: Path | None, *, as_json: bool) -> None:
    from calib.report.boards import planned_data, planned_text
    from calib.tasks.folders import write_folder

    written = write_folder(planned.files, into) if into is not None else []
    show(planned_data(planned, written), planned_text(planned), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib plan-lot 'birch 3' --into new-lot")
def plan_lot(
    sheet: SheetName = None,
    machine: MachineName = None,
    burns: Burns = None,
    power: WorkingPower = None,
    speed_mm_s: WorkingSpeed = None,
    offcut: Offcut = None,
    into: Into = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan the three or four burns that try a new lot of a sheet you know."""
    from calib.tasks.files import FileWish
    from calib.tasks.folders import check_folder
    from calib.tasks.new_lot import CheckWish, plan_lot

    wish = CheckWish(burns=burns, offcut_mm=offcut, setting=_setting(power, speed_mm_s))
    check_folder(into)
    with open_book(book) as opened:
        planned = plan_lot(opened, machine, sheet, wish, when=now(), files=FileWish())
    _show_board(planned, into, as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib judge-lot 'birch 3'")
def judge_lot(
    sheet: SheetName = None,
    machine: MachineName = None,
    power: WorkingPower = None,
    speed_mm_s: WorkingSpeed = None,
    reliability: Annotated[
        float | None,
        typer.Option(
            "--reliability",
            metavar="CHANCE",
            show_default="as settled, else 0.99",
            help="Chance, from 0 to 1, that the next coupon of the lot shall drop.",
        ),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say what to do with a new lot: keep the setting, slow down by so much, or test again."""
    from calib.report.checks import lot_text
    from calib.tasks.new_lot import judge_lot

    setting = _setting(power, speed_mm_s)
    with open_book(book) as opened:
        verdict = judge_lot(opened, machine, sheet, setting=setting, reliability=reliability)
    show(verdict, lot_text(verdict), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib plan-strip 'birch 3' --into strip")
def plan_strip(
    sheet: SheetName = None,
    machine: MachineName = None,
    burns: Burns = None,
    offcut: Offcut = None,
    into: Into = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan a check strip on offcuts of a lot you know, to see whether the machine lost power."""
    from calib.tasks.checks import plan_strip
    from calib.tasks.files import FileWish
    from calib.tasks.folders import check_folder
    from calib.tasks.new_lot import CheckWish

    wish = CheckWish(burns=burns, offcut_mm=offcut)
    check_folder(into)
    with open_book(book) as opened:
        planned = plan_strip(opened, machine, sheet, wish, when=now(), files=FileWish())
    _show_board(planned, into, as_json=as_json)


@app.command(
    rich_help_panel=PANEL, epilog="Example: calib check-machine 'birch 3' --picture strips.png"
)
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
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        record = check_machine(opened, machine, sheet)
    names = [str(path) for path in picture or []]
    for name, content in strip_chart(record, names).items():
        for written in write_folder({Path(name).name: content}, Path(name).parent):
            tell(f"Picture: {written}")
    show(record, strips_text(record), as_json=as_json)


@app.command(
    rich_help_panel=PANEL,
    epilog="Example: calib sheet-or-machine 'birch 3' --reference 'MDF 3'",
)
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
