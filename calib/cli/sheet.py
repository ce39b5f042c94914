"""Commands for sheets, and for materials before one is bought."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib.cli.options import Changes, IntoHere, Said, Why, argument, command, unchanged
from calib.cli.terminal import now, tell
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Sheet
    from calib.tasks.wishes import FileWish, MaterialWish, Named


@command("calib material 'cork' --operation cut", arguments=("material",))
def material(wish: MaterialWish) -> Said:
    """Say whether a material may go under a laser, before you buy it."""
    from calib.tasks.workshop import check_material
    from calib.texts.workshop import material_text

    hazard = check_material(wish)
    tell(say("cli.name_is_no_proof"))
    return hazard, material_text(hazard)


@command("calib sheet add 'birch 3' --material 'birch plywood' --thickness 3")
def sheet_add(book: Book, sheet: Sheet, why: Why = "") -> Said:
    """Describe a sheet: what may not go under a laser is refused before anything is drawn."""
    from calib.tasks.workshop import add_sheet
    from calib.texts.workshop import added_sheet_text

    before = book.sheets()
    hazard = add_sheet(book, sheet, when=now(), why=why)
    sheet = book.sheet(sheet.name)
    if sheet in before:
        tell(unchanged(say("cli.sheet", sheet=sheet), why))
    return {"sheet": sheet, "hazard": hazard}, added_sheet_text(sheet, hazard)


@command(
    "calib sheet change 'birch 3' --measured 2.9", leave_out=("material", "thickness_mm", "lot")
)
def sheet_change(book: Book, changed: Changes[Sheet], why: Why = "") -> Said:
    """Record a measured thickness or a declaration of a sheet."""
    return _changed(book, changed, why)


@command(
    "calib sheet new-lot 'birch 3' March --measured 2.9",
    leave_out=("material", "thickness_mm", "lot"),
)
def sheet_new_lot(
    book: Book,
    changed: Changes[Sheet],
    lot: Annotated[str, argument("LOT", "Name of the new lot, such as the month it came in.")],
    why: Why = "",
) -> Said:
    """Record that a new lot of a sheet came in: its name, and what it measures."""
    changed["lot"] = lot
    return _changed(book, changed, why)


def _changed(book: Book, changed: Changes[Sheet], why: str) -> Said:
    from calib.hazards import check_hazard
    from calib.tasks.workshop import change_sheet
    from calib.texts.workshop import new_lot_text, sheet_head

    sheet = change_sheet(book, changed.pop("name"), when=now(), why=why, **changed)
    cut_on = [one.name for one in book.machines() if book.burns(one.name, sheet.name, "cut")]
    hazard = check_hazard(sheet)
    following = new_lot_text(sheet.name, cut_on) if "lot" in changed else ""
    return {"sheet": sheet, "hazard": hazard}, sheet_head(sheet), following


@command("calib sheet list")
def sheet_list(book: Book) -> Said:
    """List the sheets with their current lots."""
    from calib.texts.workshop import sheets_text

    sheets = book.sheets()
    return sheets, sheets_text(sheets)


@command("calib sheet show 'birch 3'")
def sheet_show(book: Book, name: Annotated[str, argument("NAME", "The sheet.")]) -> Said:
    """Show a sheet, its hazards, its lots and the settings that are kept."""
    from calib.hazards import check_hazard
    from calib.tasks.current import kept_settings
    from calib.tasks.finding import find_sheet
    from calib.texts.workshop import shown_sheet_text

    name = find_sheet(book, name).name
    lots, kept = book.lots(name), kept_settings(book, sheet=name)
    sheet = lots[-1].sheet
    hazard = check_hazard(sheet)
    data = {"sheet": sheet, "hazard": hazard, "lots": lots, "kept": kept}
    return data, shown_sheet_text(sheet, hazard, lots, kept)


@command(
    "calib sheet card 'birch 3' --into cards",
    leave_out=("address", "one_file_per_setting", "piece_edge"),
)
def sheet_card(book: Book, pair: Named, wish: FileWish, into: IntoHere = Path()) -> Said:
    """Print the kept settings of a sheet and machine on one page for the wall."""
    from calib.tasks.cards import sheet_card_files, sheet_card_of_pair
    from calib.tasks.folders import write_folder
    from calib.texts.checks import sheet_card_text

    card = sheet_card_of_pair(book, *pair.names, when=now())
    (file,) = write_folder(sheet_card_files(card, paper=wish.paper), into)
    return {"file": file, "card": card}, sheet_card_text(card, file)
