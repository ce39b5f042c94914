"""Commands for machines, sheets and their materials."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from calib.cli.options import Changes, Note, Said, argument, command, option
from calib.cli.terminal import now, tell

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Machine, Sheet
    from calib.tasks.wishes import MaterialWish

PANEL = "Machines and sheets"


def _unchanged(what: str, note: str) -> str:
    """Say that the same thing was there before; a note of it is lost, which is said too."""
    lost = " The note was not kept: take it down with calib note." if note else ""
    return f"{what} is in the logbook already, and unchanged.{lost}"


@command(PANEL, "calib add-machine bench --watts 60 --bed 600x400 --top-speed 400")
def add_machine(book: Book, machine: Machine, note: Note = "") -> Said:
    """Describe a machine: name, watts, bed and top speed will do; the rest is assumed, and said."""
    from calib.report.workshop import machine_text
    from calib.tasks.workshop import add_machine

    known = machine in book.machines()
    assumed = add_machine(book, machine, when=now(), note=note)
    if known:
        tell(_unchanged(f"Machine {machine.name}", note))
    return machine, machine_text(machine, assumed)


@command(PANEL, "calib change-machine bench --what lens --lens 50.8 --note 'new lens'")
def change_machine(
    book: Book,
    changed: Changes[Machine],
    what: Annotated[
        str, option("--what", "WORD", "lens, focus, air, mirror, tube or other.")
    ] = "other",
    note: Note = "",
) -> Said:
    """Take down what changed at a machine; the earlier set-up stays in the logbook."""
    from calib.report.workshop import machine_text
    from calib.tasks.workshop import assumptions

    name = changed.pop("name")
    machine = book.change_setup(name, when=now(), what=what, note=note, **changed)  # type: ignore[arg-type]
    return machine, machine_text(machine, assumptions(machine))


@command(PANEL, "calib list-machines")
def list_machines(book: Book) -> Said:
    """List the machines as they are set up now."""
    from calib.report.workshop import machines_text

    machines = book.machines()
    return machines, machines_text(machines)


@command(PANEL, "calib show-machine bench")
def show_machine(book: Book, name: Annotated[str, argument("NAME", "The machine.")]) -> Said:
    """Show a machine, what is assumed of it, and every set-up it has had."""
    from calib.report.workshop import machine_text, setups_text
    from calib.tasks.workshop import assumptions

    setups = book.setups(name)
    machine = setups[-1].machine
    assumed = assumptions(machine)
    data = {"machine": machine, "assumed": assumed, "setups": setups}
    return data, f"{machine_text(machine, assumed)}\n\n{setups_text(setups)}"


@command(PANEL, "calib add-sheet 'birch 3' --material 'birch plywood' --thickness 3")
def add_sheet(book: Book, sheet: Sheet, note: Note = "") -> Said:
    """Describe a sheet: what may not go under a laser is refused before anything is drawn."""
    from calib.report.workshop import sheet_text
    from calib.tasks.workshop import add_sheet

    known = sheet in book.sheets()
    hazard = add_sheet(book, sheet, when=now(), note=note)
    if known:
        tell(_unchanged(f"Sheet {sheet.name}", note))
    return {"sheet": sheet, "hazard": hazard}, sheet_text(sheet, hazard)


@command(
    PANEL,
    "calib change-sheet 'birch 3' --lot 'March' --measured 2.9",
    leave_out=("material", "thickness_mm"),
)
def change_sheet(book: Book, changed: Changes[Sheet], note: Note = "") -> Said:
    """Take down a new lot, a measured thickness or a declaration of a sheet."""
    from calib.hazards import check_hazard
    from calib.report.workshop import new_lot_text, sheet_text
    from calib.tasks.workshop import change_sheet

    name = changed.pop("name")
    sheet = change_sheet(book, name, when=now(), note=note, **changed)
    cut_on = [one.name for one in book.machines() if book.burns(one.name, name, "cut")]
    hazard = check_hazard(sheet)
    following = new_lot_text(name, cut_on) if "lot" in changed else ""
    return {"sheet": sheet, "hazard": hazard}, sheet_text(sheet, hazard), following


@command(PANEL, "calib list-sheets")
def list_sheets(book: Book) -> Said:
    """List the sheets with their current lots."""
    from calib.report.workshop import sheets_text

    sheets = book.sheets()
    return sheets, sheets_text(sheets)


@command(PANEL, "calib show-sheet 'birch 3'")
def show_sheet(book: Book, name: Annotated[str, argument("NAME", "The sheet.")]) -> Said:
    """Show a sheet, its hazards, its lots and the settings that are kept."""
    from calib.hazards import check_hazard
    from calib.report.workshop import kept_text, lots_text, sheet_text
    from calib.tasks.current import kept_settings

    lots, kept = book.lots(name), kept_settings(book, sheet=name)
    sheet = lots[-1].sheet
    hazard = check_hazard(sheet)
    data = {"sheet": sheet, "hazard": hazard, "lots": lots, "kept": kept}
    texts = (sheet_text(sheet, hazard), lots_text(lots), kept_text(kept))
    return data, "\n\n".join(texts)


@command(PANEL, "calib check-material 'cork' --operation cut", arguments=("material",))
def check_material(wish: MaterialWish) -> Said:
    """Say whether a material may go under a laser, before you buy it."""
    from calib.report.workshop import hazard_text
    from calib.tasks.workshop import check_material

    hazard = check_material(wish)
    tell("A name is no proof: read the maker's data sheet.")
    return hazard, hazard_text(hazard)
