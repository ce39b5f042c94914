"""Commands for sheets and their materials."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    Note,
    checked_operation,
    now,
    open_book,
    show,
    suggest,
    tell,
)
from calib.cli.options import Changes, command
from calib.cli.workshop import PANEL, unchanged

if TYPE_CHECKING:
    from calib.records import Sheet

Declaration = Annotated[
    str | None,
    typer.Option(
        "--declaration",
        metavar="TEXT",
        help="For a material that calib doesn't know: your own words on what its data sheet says.",
    ),
]


@command(
    PANEL,
    "calib add-sheet 'birch 3' --material 'birch plywood' --thickness 3",
    arguments=("name",),
)
def add_sheet(
    sheet: Sheet, note: Note = "", book: BookPlace = None, as_json: AsJson = False
) -> None:
    """Describe a sheet: what may not go under a laser is refused before anything is drawn."""
    from calib.report.workshop import sheet_text
    from calib.tasks.workshop import add_sheet

    with open_book(book) as opened:
        known = sheet in opened.sheets()
        hazard = add_sheet(opened, sheet, when=now(), note=note)
    if known:
        tell(unchanged(f"Sheet {sheet.name}", note))
    show({"sheet": sheet, "hazard": hazard}, sheet_text(sheet, hazard), as_json=as_json)


@command(
    PANEL,
    "calib change-sheet 'birch 3' --lot 'March' --measured 2.9",
    arguments=("name",),
    leave_out=("material", "thickness_mm"),
)
def change_sheet(
    changed: Changes[Sheet], note: Note = "", book: BookPlace = None, as_json: AsJson = False
) -> None:
    """Take down a new lot, a measured thickness or a declaration of a sheet."""
    from calib.hazards import check_hazard
    from calib.report.words import pair_typed
    from calib.report.workshop import sheet_text
    from calib.tasks.workshop import change_sheet

    name = changed.pop("name")
    with open_book(book) as opened:
        sheet = change_sheet(opened, name, when=now(), note=note, **changed)
        machines = [machine.name for machine in opened.machines()]
        cut_on = [machine for machine in machines if opened.burns(machine, name, "cut")]
    hazard = check_hazard(sheet)
    show({"sheet": sheet, "hazard": hazard}, sheet_text(sheet, hazard), as_json=as_json)
    for machine in cut_on if "lot" in changed else ():
        typed = f"calib plan-lot {pair_typed(name, machine)}"
        suggest(f"Next: {typed}, a few burns that try the new lot.", as_json=as_json)


@command(PANEL, "calib list-sheets")
def list_sheets(book: BookPlace = None, as_json: AsJson = False) -> None:
    """List the sheets with their current lots."""
    from calib.report.workshop import sheets_text

    with open_book(book) as opened:
        sheets = opened.sheets()
    show(sheets, sheets_text(sheets), as_json=as_json)


@command(PANEL, "calib show-sheet 'birch 3'")
def show_sheet(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The sheet.")],
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show a sheet, its hazards, its lots and the settings that were settled on."""
    from calib.hazards import check_hazard
    from calib.report.workshop import lots_text, settled_text, sheet_text
    from calib.tasks.current import kept_settings

    with open_book(book) as opened:
        lots, settled = opened.lots(name), kept_settings(opened, sheet=name)
    sheet = lots[-1].sheet
    hazard = check_hazard(sheet)
    text = "\n\n".join([
        sheet_text(sheet, hazard),
        lots_text(lots),
        settled_text(settled),
    ])
    data = {"sheet": sheet, "hazard": hazard, "lots": lots, "settled": settled}
    show(data, text, as_json=as_json)


@command(PANEL, "calib check-material 'cork' --operation cut")
def check_material(
    material: Annotated[str, typer.Argument(metavar="MATERIAL", help="What it is made of.")],
    source: Annotated[str, typer.Option("--source", metavar="WORD", help="co2 or diode.")] = "co2",
    operation: Annotated[
        str | None,
        typer.Option("--operation", metavar="WORD", help="cut, line_mark or area_mark."),
    ] = None,
    declaration: Declaration = None,
    as_json: AsJson = False,
) -> None:
    """Say whether a material may go under a laser, before you buy it."""
    from calib.report.workshop import hazard_text
    from calib.tasks.workshop import check_material

    word: Any = None if operation is None else checked_operation(operation)
    laser: Any = source.strip().casefold()
    hazard = check_material(material, laser, word, declaration or "")
    show(hazard, hazard_text(hazard), as_json=as_json)
    tell("A name is no proof: read the maker's data sheet.")
