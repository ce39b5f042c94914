"""Commands for machines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.frame import AsJson, BookPlace, Note, now, open_book, show, tell
from calib.cli.options import Changes, command

if TYPE_CHECKING:
    from calib.records import Machine

PANEL = "Machines and sheets"

MachineNamed = Annotated[str, typer.Argument(metavar="NAME", help="The machine.")]


def unchanged(what: str, note: str) -> str:
    """Say that the same thing was there before; a note of it is lost, which is said too."""
    lost = " The note was not kept: take it down with calib note." if note else ""
    return f"{what} is in the logbook already, and unchanged.{lost}"


@command(
    PANEL,
    "calib add-machine bench --watts 60 --bed 600x400 --top-speed 400",
    arguments=("name",),
)
def add_machine(
    machine: Machine, note: Note = "", book: BookPlace = None, as_json: AsJson = False
) -> None:
    """Describe a machine: name, watts, bed and top speed will do; the rest is assumed, and said."""
    from calib.report.workshop import machine_text
    from calib.tasks.workshop import add_machine

    with open_book(book) as opened:
        known = machine in opened.machines()
        assumed = add_machine(opened, machine, when=now(), note=note)
    if known:
        tell(unchanged(f"Machine {machine.name}", note))
    show(machine, machine_text(machine, assumed), as_json=as_json)


@command(
    PANEL,
    "calib change-machine bench --what lens --lens 50.8 --note 'new lens'",
    arguments=("name",),
)
def change_machine(
    changed: Changes[Machine],
    what: Annotated[
        str,
        typer.Option("--what", metavar="WORD", help="lens, focus, air, mirror, tube or other."),
    ] = "other",
    note: Note = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down what changed at a machine; the earlier set-up stays in the logbook."""
    from calib.report.workshop import machine_text
    from calib.tasks.workshop import assumptions

    name = changed.pop("name")
    with open_book(book) as opened:
        machine = opened.change_setup(name, when=now(), what=what, note=note, **changed)  # type: ignore[arg-type]
    show(machine, machine_text(machine, assumptions(machine)), as_json=as_json)


@command(PANEL, "calib list-machines")
def list_machines(book: BookPlace = None, as_json: AsJson = False) -> None:
    """List the machines as they are set up now."""
    from calib.report.workshop import machines_text

    with open_book(book) as opened:
        machines = opened.machines()
    show(machines, machines_text(machines), as_json=as_json)


@command(PANEL, "calib show-machine bench")
def show_machine(name: MachineNamed, book: BookPlace = None, as_json: AsJson = False) -> None:
    """Show a machine, what is assumed of it, and every set-up it has had."""
    from calib.report.workshop import machine_text, setups_text
    from calib.tasks.workshop import assumptions

    with open_book(book) as opened:
        setups = opened.setups(name)
    assumed = assumptions(setups[-1].machine)
    data = {"machine": setups[-1].machine, "assumed": assumed, "setups": setups}
    text = machine_text(setups[-1].machine, assumed)
    show(data, f"{text}\n\n{setups_text(setups)}", as_json=as_json)
