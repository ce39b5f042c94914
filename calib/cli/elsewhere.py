"""Commands that carry a sheet over to other machines and other people."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.boards import Into
from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    OperationName,
    SheetName,
    checked_operation,
    many,
    now,
    open_book,
    show,
    tell,
)
from calib.cli.options import command
from calib.units import parse_power_w

if TYPE_CHECKING:
    from calib.tasks.wishes import ElsewhereWish, FileWish

PANEL = "Elsewhere"


@command(PANEL, "calib carry-over 'birch 3' --machine bench --to large", leave_out=("seed",))
def carry_over(
    wish: ElsewhereWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    into: Into = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say where to begin with a sheet on another machine, and plan the burns that confirm it."""
    from calib.report.elsewhere import carried_over_data, carried_over_text
    from calib.tasks.elsewhere import carry_over
    from calib.tasks.folders import check_folder, write_folder
    from calib.tasks.wishes import FileWish

    word = checked_operation(operation)
    check_folder(into)
    with open_book(book) as opened:
        carried = carry_over(opened, machine, sheet, word, wish, when=now(), files=FileWish())
    files = carried.planned.files if carried.planned else {}
    written = write_folder(files, into) if into is not None else []
    data = {**carried_over_data(carried), "files": written}
    show(data, carried_over_text(carried), as_json=as_json)


@command(
    PANEL,
    "calib wattages 'birch 3' --into to-hand-on",
    leave_out=("address", "one_file_per_setting"),
)
def wattages(
    wish: FileWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    watts: Annotated[
        Any,
        typer.Option(
            "--watts",
            parser=many(parse_power_w),
            metavar="W,...",
            show_default="10 to 150",
            help="Rated watts of the rows.",
        ),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Also write text, CSV and one page there."),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Make a table of where to begin at other wattages, to hand to other people."""
    from calib.report.elsewhere import wattage_text
    from calib.tasks.elsewhere import table_of_wattages, wattage_files
    from calib.tasks.folders import write_folder

    word = checked_operation(operation)
    with open_book(book) as opened:
        table = table_of_wattages(opened, machine, sheet, word, *((watts,) if watts else ()))
    if into is not None:
        for written in write_folder(wattage_files(table, paper=wish.paper), into):
            tell(f"Written: {written}")
    show(table, wattage_text(table), as_json=as_json)
