"""Commands for machines."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    Note,
    app,
    length,
    now,
    open_book,
    percent,
    quantity,
    show,
    size,
    speed,
    tell,
    watts,
)
from calib.errors import InvalidQuantity, shown

PANEL = "Machines and sheets"


def _curve(text: str) -> tuple[tuple[float, float], ...]:
    try:
        points = [part.split(":") for part in text.split(",")]
        return tuple((float(pct), float(watts)) for pct, watts in points)
    except ValueError:
        raise InvalidQuantity(
            f"power curve {shown(text)} can't be read: write power % and measured watts, such as"
            " 20:9,50:28,80:44."
        ) from None


def _offset(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise InvalidQuantity(
            f"offset {shown(text)} can't be read: write x and y in mm, such as 10,20."
        ) from None
    return x, y


Acceleration = Annotated[
    float | None,
    typer.Option("--acceleration", metavar="MM/S²", help="Acceleration of the head (mm/s²)."),
]
BeamStarts = Annotated[
    float | None,
    typer.Option(
        "--beam-starts", parser=percent, metavar="%", help="No beam below this power (%)."
    ),
]
Ceiling = Annotated[
    float | None,
    typer.Option(
        "--ceiling", parser=percent, metavar="%", help="Highest power plans and advice use (%)."
    ),
]
Curve = Annotated[
    Any,
    typer.Option(
        "--power-curve",
        parser=quantity(_curve),
        metavar="%:W,...",
        help="Measured watts by power (%:W), such as 20:9,50:28,80:44.",
    ),
]
PowerStep = Annotated[
    float | None,
    typer.Option("--power-step", parser=percent, metavar="%", help="Smallest step of power (%)."),
]
SpeedStep = Annotated[
    float | None,
    typer.Option(
        "--speed-step", parser=speed, metavar="SPEED", help="Smallest step of speed (mm/s)."
    ),
]
PowerWord = Annotated[
    float | None,
    typer.Option("--power-word", metavar="S", help="S word at 100 % power; programs need it."),
]
BeamOn = Annotated[
    str | None,
    typer.Option("--beam-on", metavar="WORD", help="M3, or M4 where power follows speed."),
]
Lens = Annotated[
    float | None,
    typer.Option("--lens", parser=length, metavar="LENGTH", help="Focal length (mm)."),
]
Beam = Annotated[
    float | None,
    typer.Option("--beam", parser=length, metavar="LENGTH", help="Beam width at the lens (mm)."),
]
Origin = Annotated[
    str | None,
    typer.Option(
        "--origin",
        metavar="CORNER",
        help="Where the program's zero lies: lower_left, lower_right, upper_left, upper_right.",
    ),
]
YUp = Annotated[
    bool | None,
    typer.Option("--y-up/--y-down", help="Whether y grows away from you.", show_default="y up"),
]
Offset = Annotated[
    Any,
    typer.Option(
        "--offset", parser=quantity(_offset), metavar="X,Y", help="Added to x and y (mm, mm)."
    ),
]
AirOn = Annotated[
    str | None, typer.Option("--air-on", metavar="WORD", help="M word that switches the air on.")
]
AirLow = Annotated[
    str | None,
    typer.Option("--air-low", metavar="WORD", help="M word that switches it to low, for marks."),
]
AirOff = Annotated[
    str | None, typer.Option("--air-off", metavar="WORD", help="M word that switches it off.")
]
Wavelength = Annotated[
    float | None,
    typer.Option(
        "--wavelength", metavar="NM", help="Of the beam (nm), such as 455; on a diode's label."
    ),
]
Follows = Annotated[
    bool | None,
    typer.Option(
        "--power-follows-speed/--power-constant",
        help="Whether the controller lowers the power with the speed.",
        show_default="constant; a diode: follows",
    ),
]
SlatGap = Annotated[
    float | None,
    typer.Option(
        "--slat-gap", parser=length, metavar="LENGTH", help="Opening of the bed's bars (mm)."
    ),
]
BothWays = Annotated[
    bool | None,
    typer.Option(
        "--area-both-ways/--area-one-way",
        help="Whether area marks are burnt there and back.",
        show_default="both ways",
    ),
]
Source = Annotated[
    str | None, typer.Option("--source", metavar="WORD", help="co2 or diode.", show_default="co2")
]


def unchanged(what: str, note: str) -> str:
    """Say that the same thing was there before; a note of it is lost, which is said too."""
    lost = " The note was not kept: take it down with calib note." if note else ""
    return f"{what} is in the logbook already, and unchanged.{lost}"


def _given(ctx: typer.Context) -> dict[str, Any]:
    """The fields of a machine that were typed."""
    import dataclasses

    from calib.records import Machine

    fields = {field.name for field in dataclasses.fields(Machine)}
    return {name: v for name, v in ctx.params.items() if name in fields and v is not None}


@app.command(
    rich_help_panel=PANEL,
    epilog="Example: calib add-machine bench --watts 60 --bed 600x400 --top-speed 400",
)
def add_machine(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="What you call it.")],
    rated_w: Annotated[
        float,
        typer.Option(
            "--watts", parser=watts, metavar="W", help="Rated optical power at 100 % (W)."
        ),
    ],
    bed_mm: Annotated[
        Any,
        typer.Option("--bed", parser=size, metavar="SIZE", help="Width x height it reaches (mm)."),
    ],
    max_speed_mm_s: Annotated[
        float, typer.Option("--top-speed", parser=speed, metavar="SPEED", help="Top speed (mm/s).")
    ],
    source: Source = None,
    acceleration_mm_s2: Acceleration = None,
    beam_starts_pct: BeamStarts = None,
    ceiling_pct: Ceiling = None,
    power_curve: Curve = None,
    power_step_pct: PowerStep = None,
    speed_step_mm_s: SpeedStep = None,
    power_word_full: PowerWord = None,
    beam_on_word: BeamOn = None,
    lens_mm: Lens = None,
    beam_mm: Beam = None,
    origin: Origin = None,
    y_up: YUp = None,
    offset_mm: Offset = None,
    air_on_word: AirOn = None,
    air_low_word: AirLow = None,
    air_off_word: AirOff = None,
    power_follows_speed: Follows = None,
    wavelength_nm: Wavelength = None,
    slat_gap_mm: SlatGap = None,
    area_both_ways: BothWays = None,
    note: Note = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Describe a machine: name, watts, bed and top speed will do; the rest is assumed, and said."""
    from calib.records import Machine
    from calib.report.workshop import machine_text
    from calib.tasks.workshop import add_machine

    machine = Machine(**_given(ctx))
    with open_book(book) as opened:
        known = machine in opened.machines()
        assumed = add_machine(opened, machine, when=now(), note=note)
    if known:
        tell(unchanged(f"Machine {machine.name}", note))
    show(machine, machine_text(machine, assumed), as_json=as_json)


@app.command(
    rich_help_panel=PANEL,
    epilog="Example: calib change-machine bench --what lens --lens 50.8 --note 'new lens'",
)
def change_machine(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The machine.")],
    what: Annotated[
        str,
        typer.Option("--what", metavar="WORD", help="lens, focus, air, mirror, tube or other."),
    ] = "other",
    rated_w: Annotated[
        float | None,
        typer.Option("--watts", parser=watts, metavar="W", help="Rated optical power (W)."),
    ] = None,
    bed_mm: Annotated[
        Any, typer.Option("--bed", parser=size, metavar="SIZE", help="Width x height (mm).")
    ] = None,
    max_speed_mm_s: Annotated[
        float | None,
        typer.Option("--top-speed", parser=speed, metavar="SPEED", help="Top speed (mm/s)."),
    ] = None,
    source: Source = None,
    acceleration_mm_s2: Acceleration = None,
    beam_starts_pct: BeamStarts = None,
    ceiling_pct: Ceiling = None,
    power_curve: Curve = None,
    power_step_pct: PowerStep = None,
    speed_step_mm_s: SpeedStep = None,
    power_word_full: PowerWord = None,
    beam_on_word: BeamOn = None,
    lens_mm: Lens = None,
    beam_mm: Beam = None,
    origin: Origin = None,
    y_up: YUp = None,
    offset_mm: Offset = None,
    air_on_word: AirOn = None,
    air_low_word: AirLow = None,
    air_off_word: AirOff = None,
    power_follows_speed: Follows = None,
    wavelength_nm: Wavelength = None,
    slat_gap_mm: SlatGap = None,
    area_both_ways: BothWays = None,
    note: Note = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down what changed at a machine; the earlier set-up stays in the logbook."""
    from calib.report.workshop import machine_text
    from calib.tasks.workshop import assumptions

    changed = {field: value for field, value in _given(ctx).items() if field != "name"}
    with open_book(book) as opened:
        machine = opened.change_setup(name, when=now(), what=what, note=note, **changed)  # type: ignore[arg-type]
    show(machine, machine_text(machine, assumptions(machine)), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib list-machines")
def list_machines(book: BookPlace = None, as_json: AsJson = False) -> None:
    """List the machines as they are set up now."""
    from calib.report.workshop import machines_text

    with open_book(book) as opened:
        machines = opened.machines()
    show(machines, machines_text(machines), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib show-machine bench")
def show_machine(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The machine.")],
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show a machine, what is assumed of it, and every set-up it has had."""
    from calib.report.workshop import machine_text, setups_text
    from calib.tasks.workshop import assumptions

    with open_book(book) as opened:
        setups = opened.setups(name)
    assumed = assumptions(setups[-1].machine)
    data = {"machine": setups[-1].machine, "assumed": assumed, "setups": setups}
    text = machine_text(setups[-1].machine, assumed)
    show(data, f"{text}\n\n{setups_text(setups)}", as_json=as_json)
