"""Commands for machines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib.cli.options import (
    Changes,
    Into,
    MachineName,
    Pictures,
    Said,
    Why,
    argument,
    command,
    flag,
    option,
    unchanged,
)
from calib.cli.terminal import draw, now, tell
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Machine
    from calib.tasks.wishes import TimedMoves


@command("calib machine add bench --watts 60 --bed 600x400 --top-speed 400")
def machine_add(book: Book, machine: Machine, why: Why = "", into: Into = None) -> Said:
    """Describe a machine: name, watts, bed and top speed will do; the rest is assumed, and said."""
    from calib.tasks.folders import check_folder
    from calib.tasks.workshop import add_machine
    from calib.texts.workshop import machine_text

    check_folder(into)
    known = machine in book.machines()
    assumed = add_machine(book, machine, when=now(), why=why)
    if known:
        tell(unchanged(say("cli.machine", machine=machine), why))
    _trial(machine, into)
    return machine, machine_text(machine, assumed)


def _trial(machine: Machine, into: Path | None) -> None:
    """Write the trial line where it is wanted."""
    if into is None:
        return
    from calib.tasks.files import trial_files
    from calib.tasks.folders import write_folder
    from calib.texts.workshop import trial_text

    tell(trial_text(write_folder(trial_files(machine), into)))


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
    from calib.tasks.finding import find_machine
    from calib.tasks.workshop import assumptions
    from calib.texts.workshop import machine_text

    name = find_machine(book, changed.pop("name")).name
    machine = book.change_setup(name, when=now(), what=what, why=why, **changed)  # type: ignore[arg-type]
    return machine, machine_text(machine, assumptions(machine))


@command("calib machine list")
def machine_list(book: Book) -> Said:
    """List the machines as they are set up now."""
    from calib.texts.workshop import machines_text

    machines = book.machines()
    return machines, machines_text(machines)


@command("calib machine show bench")
def machine_show(
    book: Book,
    name: Annotated[
        str | None, argument("[NAME]", "The machine; that used last if left out.")
    ] = None,
    into: Into = None,
    timed: TimedMoves | None = None,
    card: Annotated[
        bool, flag("--card", "Only print its card for the wall: all its sheets on a page.")
    ] = False,
) -> Said:
    """Show a machine, what is assumed of it, and every set-up it has had."""
    from calib.tasks.cards import machine_card_files
    from calib.tasks.finding import find_machine
    from calib.tasks.folders import check_folder, write_folder
    from calib.tasks.workshop import assumptions, timed_acceleration
    from calib.texts.workshop import acceleration_text, shown_machine_text

    check_folder(into)
    if card:
        made = machine_card_files(book, name, when=now())
        (file,) = write_folder(made, into or Path())
        return {"file": file}, say("cli.card_is_written", file=file)
    setups = book.setups(find_machine(book, name).name)
    machine = setups[-1].machine
    assumed = assumptions(machine)
    _trial(machine, into)
    data = {"machine": machine, "assumed": assumed, "setups": setups}
    if timed is not None:
        acceleration = timed_acceleration(machine, timed)
        said = acceleration_text(machine, acceleration)
        return {**data, "acceleration_mm_s2": acceleration}, said
    return data, shown_machine_text(machine, assumed, setups)


@command("calib machine check --reference 'MDF 3' --picture strips.png")
def machine_check(
    book: Book,
    sheet: Annotated[
        str | None, argument("[SHEET]", "A sheet whose parts hang: is it the sheet or the machine?")
    ] = None,
    reference: Annotated[
        str | None, option("--reference", "NAME", "The sheet that the check strips are of.")
    ] = None,
    machine: MachineName = None,
    picture: Pictures = None,
) -> Said:
    """Say from its check strips whether the machine lost power, and what to look at in order."""
    from calib.tasks.checks import check_machine, sheet_or_machine, strip_chart
    from calib.texts.checks import cause_text, strips_text

    if sheet is not None:
        cause = sheet_or_machine(book, machine, sheet, reference)
        return cause, cause_text(cause)
    record = check_machine(book, machine, reference)
    draw(strip_chart(record, picture or ()))
    return record, strips_text(record)
