"""Commands for materials, sheets and machines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib import tasks, texts
from calib.cli.options import (
    Changes,
    Into,
    IntoHere,
    MachineName,
    Pictures,
    Said,
    Why,
    argument,
    command,
    flag,
    option,
)
from calib.cli.terminal import draw, now, tell
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Machine, Sheet
    from calib.tasks.wishes import FileWish, MaterialWish, Named, TimedMoves


@command("calib material 'cork' --operation cut", arguments=("material",))
def material(wish: MaterialWish) -> Said:
    """Say whether a material may go under a laser, before you buy it."""
    hazard = tasks.workshop.check_material(wish)
    tell(say("cli.name_is_no_proof"))
    return hazard, texts.workshop.material_text(hazard)


@command("calib sheet add 'birch 3' --material 'birch plywood' --thickness 3")
def sheet_add(book: Book, sheet: Sheet, why: Why = "") -> Said:
    """Describe a sheet: what may not go under a laser is refused before anything is drawn."""
    before = book.sheets()
    hazard = tasks.workshop.add_sheet(book, sheet, when=now(), why=why)
    sheet = book.sheet(sheet.name)
    if sheet in before:
        tell(_unchanged(say("cli.sheet", sheet=sheet), why))
    return {"sheet": sheet, "hazard": hazard}, texts.workshop.added_sheet_text(sheet, hazard)


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

    name = changed.pop("name")
    sheet = tasks.workshop.change_sheet(book, name, when=now(), why=why, **changed)
    cut_on = [one.name for one in book.machines() if book.burns(one.name, sheet.name, "cut")]
    following = texts.workshop.new_lot_text(sheet.name, cut_on) if "lot" in changed else ""
    data = {"sheet": sheet, "hazard": check_hazard(sheet)}
    return data, texts.workshop.sheet_head(sheet), following


@command("calib sheet list")
def sheet_list(book: Book) -> Said:
    """List the sheets with their current lots."""
    sheets = book.sheets()
    return sheets, texts.workshop.sheets_text(sheets)


@command("calib sheet show 'birch 3'")
def sheet_show(book: Book, name: Annotated[str, argument("NAME", "The sheet.")]) -> Said:
    """Show a sheet, its hazards, its lots and the settings that are kept."""
    from calib.hazards import check_hazard

    name = tasks.pairs.find_sheet(book, name).name
    lots, kept = book.lots(name), tasks.pairs.kept_settings(book, sheet=name)
    sheet = lots[-1].sheet
    hazard = check_hazard(sheet)
    data = {"sheet": sheet, "hazard": hazard, "lots": lots, "kept": kept}
    return data, texts.workshop.shown_sheet_text(sheet, hazard, lots, kept)


@command(
    "calib sheet card 'birch 3' --into cards",
    leave_out=("address", "one_file_per_setting", "piece_edge"),
)
def sheet_card(book: Book, pair: Named, wish: FileWish, into: IntoHere = Path()) -> Said:
    """Print the kept settings of a sheet and machine on one page for the wall."""
    card = tasks.cards.sheet_card_of_pair(pair.of(book), when=now())
    files = tasks.cards.sheet_card_files(card, paper=wish.paper)
    (file,) = tasks.files.write_folder(files, into)
    return {"file": file, "card": card}, texts.checks.sheet_card_text(card, file)


@command("calib machine add bench --watts 60 --bed 600x400 --top-speed 400")
def machine_add(book: Book, machine: Machine, why: Why = "", into: Into = None) -> Said:
    """Describe a machine: name, watts, bed and top speed will do; the rest is assumed, and said."""
    tasks.files.check_folder(into)
    known = machine in book.machines()
    assumed = tasks.workshop.add_machine(book, machine, when=now(), why=why)
    if known:
        tell(_unchanged(say("cli.machine", machine=machine), why))
    _trial(machine, into)
    return machine, texts.workshop.machine_text(machine, assumed)


def _unchanged(what: str, why: str) -> str:
    """Say that the same thing was there before; what was said of it is lost, which is said too."""
    lost = say("cli.what_you_gave_with_why_was") if why else ""
    return say("cli.is_in_logbook_already", what=what, lost=lost)


def _trial(machine: Machine, into: Path | None) -> None:
    """Write the trial line where it is wanted."""
    if into is not None:
        written = tasks.files.write_folder(tasks.files.trial_files(machine), into)
        tell(texts.workshop.trial_text(written))


@command("calib machine change bench --what lens --lens 50.8 --why 'new lens'")
def machine_change(
    book: Book,
    changed: Changes[Machine],
    what: Annotated[
        str, option("--what", "WORD", "lens, focus, air, mirror, tube or other.")
    ] = "other",
    why: Why = "",
) -> Said:
    """Record what changed at a machine; the earlier set-up stays in the logbook."""
    name = tasks.pairs.find_machine(book, changed.pop("name")).name
    machine = book.change_setup(name, when=now(), what=what, why=why, **changed)  # type: ignore[arg-type]
    tell(texts.workshop.changed_text(machine, changed))
    return machine, texts.workshop.machine_text(machine, tasks.workshop.assumptions(machine))


@command("calib machine list")
def machine_list(book: Book) -> Said:
    """List the machines as they are set up now."""
    machines = book.machines()
    return machines, texts.workshop.machines_text(machines)


@command("calib machine show bench")
def machine_show(
    book: Book,
    name: Annotated[
        str | None, argument("NAME", "The machine; that used last if left out.")
    ] = None,
    into: Into = None,
    timed: TimedMoves | None = None,
    card: Annotated[
        bool, flag("--card", "Only print its card for the wall: all its sheets on a page.")
    ] = False,
) -> Said:
    """Show a machine, what is assumed of it, and every set-up it has had."""
    tasks.files.check_folder(into)
    if card:
        made = tasks.cards.machine_card_files(book, name, when=now())
        (file,) = tasks.files.write_folder(made, into or Path())
        return {"file": file}, say("cli.card_is_written", file=file)
    setups = book.setups(tasks.pairs.find_machine(book, name).name)
    machine = setups[-1].machine
    assumed = tasks.workshop.assumptions(machine)
    _trial(machine, into)
    data = {"machine": machine, "assumed": assumed, "setups": setups}
    if timed is not None:
        acceleration = tasks.workshop.timed_acceleration(machine, timed)
        said = texts.workshop.acceleration_text(machine, acceleration)
        return {**data, "acceleration_mm_s2": acceleration}, said
    return data, texts.workshop.shown_machine_text(machine, assumed, setups)


@command("calib machine check --reference 'MDF 3' --picture strips.png")
def machine_check(
    book: Book,
    sheet: Annotated[
        str | None, argument("SHEET", "A sheet whose parts hang: is it the sheet or the machine?")
    ] = None,
    reference: Annotated[
        str | None, option("--reference", "NAME", "The sheet that the check strips are of.")
    ] = None,
    machine: MachineName = None,
    picture: Pictures = None,
) -> Said:
    """Say from its check strips whether the machine lost power, and what to look at in order."""
    if sheet is not None:
        cause = tasks.checks.sheet_or_machine(book, machine, sheet, reference)
        return cause, texts.checks.cause_text(cause)
    record = tasks.checks.check_machine(book, machine, reference)
    draw(tasks.checks.strip_chart(record, picture or ()))
    return record, texts.checks.strips_text(record)
