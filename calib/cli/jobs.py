"""Commands for jobs: what a drawing takes in time and money, costs, the stopwatch."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    CharAtMost,
    MachineName,
    Note,
    SheetName,
    app,
    many,
    now,
    open_book,
    percent,
    quantity,
    show,
    speed,
    tell,
)
from calib.errors import InvalidQuantity, shown

PANEL = "Jobs"

_SETTING = re.compile(
    r"(.+)=(N)\s*%?\s*@\s*(N\s*(?:mm/s|mm/min|in/s|in/min)?)(?:x(\d{1,4}))?(?:/(N))?".replace(
        "N", r"(?:\d{1,9}(?:\.\d{0,9})?|\.\d{1,9})"
    ),
    re.ASCII,
)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InvalidQuantity(
            f"{shown(text)} can't be read: write a number, such as 12.5."
        ) from None


def _mark_setting(text: str) -> tuple[str, Any]:
    """``CLASS=POWER@SPEED``, with ``xPASSES`` and ``/LINE-PITCH`` where they are wanted."""
    from calib.records import Setting
    from calib.units import parse_speed_mm_s

    match = _SETTING.fullmatch(text.strip())
    if match is None:
        raise InvalidQuantity(
            f"setting {shown(text)} can't be read: write class, power and speed, such as"
            " '#00f=20@100' or, with passes and line pitch in mm, '#000000=25@200x2/0.1'."
        )
    name, power, set_speed, passes, pitch = match.groups()
    return name, Setting(
        power_pct=float(power),
        speed_mm_s=parse_speed_mm_s(set_speed),
        passes=int(passes or 1),
        line_pitch_mm=None if pitch is None else float(pitch),
    )


def _minutes(text: str) -> float:
    """``12.5`` or ``12:30`` minutes, or ``1:02:30`` hours, in seconds."""
    try:
        parts = [float(part) for part in text.replace("min", "").strip().split(":")]
    except ValueError:
        parts = []
    if not 1 <= len(parts) <= 3 or not all(0 <= part < 1e6 for part in parts):
        raise InvalidQuantity(f"time {shown(text)} can't be read: write minutes, as 12.5 or 12:30.")
    if len(parts) == 1:
        return 60.0 * parts[0]
    return float(sum(part * 60.0**place for place, part in enumerate(reversed(parts))))


number, minutes = quantity(_number), quantity(_minutes)

DrawingFile = Annotated[
    Path,
    typer.Argument(
        metavar="DRAWING", exists=True, dir_okay=False, help="Your own drawing: an SVG file."
    ),
]
Classes = list[str] | None
Cut = Annotated[Classes, typer.Option("--cut", metavar="CLASS", help="Class to cut; repeat it.")]
LineMark = Annotated[
    Classes, typer.Option("--line-mark", metavar="CLASS", help="Class to mark as lines; repeat it.")
]
AreaMark = Annotated[
    Classes, typer.Option("--area-mark", metavar="CLASS", help="Class to mark filled; repeat it.")
]
LeaveOut = Annotated[
    Classes, typer.Option("--leave-out", metavar="CLASS", help="Class not to burn; repeat it.")
]
By = Annotated[
    str,
    typer.Option("--classes-by", metavar="WORD", help="What tells classes apart: colour, group."),
]
Power = Annotated[
    float | None,
    typer.Option("--power", parser=percent, metavar="%", help="Power of the cuts (% of full)."),
]
Speed = Annotated[
    float | None,
    typer.Option("--speed", parser=speed, metavar="SPEED", help="Speed of the cuts (mm/s)."),
]
Passes = Annotated[int, typer.Option("--passes", metavar="N", help="Passes of the cuts.")]
At = Annotated[
    list[Any] | None,
    typer.Option(
        "--at",
        parser=quantity(_mark_setting),
        metavar="CLASS=%@SPEED",
        help="Setting of a class of marks (%, mm/s): '#0000ff=20@100'; xN passes, /mm line pitch.",
    ),
]
CostPicture = Annotated[
    list[Path] | None,
    typer.Option("--picture", metavar="FILE", help="Draw the parts of the cost: .png or .svg."),
]


Took = Annotated[
    float | None,
    typer.Option(
        "--took",
        parser=minutes,
        metavar="MINUTES",
        help="What the stopwatch said of this job, without start-up (min): 12.5 or 12:30; kept.",
    ),
]

MachineHour = Annotated[
    float | None,
    typer.Option(
        "--machine-hour",
        parser=number,
        metavar="MONEY",
        help="An hour of the machine, and of whoever stays with it.",
    ),
]
LabourHour = Annotated[
    float | None,
    typer.Option("--labour-hour", parser=number, metavar="MONEY", help="An hour of handwork."),
]
Push = Annotated[
    float | None,
    typer.Option(
        "--push", parser=number, metavar="SECONDS", help="To push out one hanging place (s)."
    ),
]
RecutPart = Annotated[
    float | None,
    typer.Option(
        "--recut-part", parser=number, metavar="MONEY", help="A part that is lost and cut again."
    ),
]
RecutShare = Annotated[
    float | None,
    typer.Option(
        "--recut-share",
        parser=number,
        metavar="SHARE",
        help="Share of parts with a failing place that are lost (0 to 1).",
    ),
]
SheetPrice = Annotated[
    float | None, typer.Option("--sheet-price", parser=number, metavar="MONEY", help="A sheet.")
]
StartUp = Annotated[
    float | None,
    typer.Option(
        "--start-up",
        parser=number,
        metavar="SECONDS",
        help="Laying down, focusing, framing, for each load (s).",
    ),
]


def _operations(**classes: Classes) -> dict[str, Any]:
    """Operation of each class that was named; one that is named twice is wrong use."""
    found: dict[str, Any] = {}
    for operation, names in classes.items():
        for name in names or ():
            if name in found:
                raise typer.BadParameter(f"class {name!r} is given two operations: give it one.")
            found[name] = None if operation == "leave_out" else operation
    return found


def _cut(power: float | None, speed_mm_s: float | None, passes: int) -> Any:
    from calib.records import Setting

    if (power is None) != (speed_mm_s is None):
        raise typer.BadParameter("give --power and --speed together, or neither.")
    if power is None or speed_mm_s is None:
        return None
    return Setting(power_pct=power, speed_mm_s=speed_mm_s, passes=passes)


def _draw(pictures: list[Path] | None, job: Any) -> None:
    from calib.tasks.folders import write_folder
    from calib.tasks.jobs import job_picture

    for path in pictures or []:
        content = job_picture(job, path.name)
        for written in write_folder({path.name: content}, path.parent):
            tell(f"Picture: {written}")


@app.command(
    rich_help_panel=PANEL,
    epilog="Example: calib job box.svg 'birch 3' --cut '#ff0000' --price 40 --picture cost.png",
)
def job(
    drawing: DrawingFile,
    sheet: SheetName = None,
    machine: MachineName = None,
    cut: Cut = None,
    line_mark: LineMark = None,
    area_mark: AreaMark = None,
    leave_out: LeaveOut = None,
    classes_by: By = "colour",
    power: Power = None,
    speed_mm_s: Speed = None,
    passes: Passes = 1,
    at: At = None,
    parts: Annotated[
        int | None,
        typer.Option("--parts", metavar="N", help="Parts that it yields; counted if left out."),
    ] = None,
    sheets: Annotated[
        float, typer.Option("--sheets", metavar="N", help="Sheets that it uses up, such as 0.25.")
    ] = 1.0,
    price: Annotated[
        float | None, typer.Option("--price", metavar="MONEY", help="What the customer pays.")
    ] = None,
    reliability: Annotated[
        float | None,
        typer.Option(
            "--reliability",
            metavar="CHANCE",
            help="What cheapest, fastest and cleanest keep to; as settled, else 0.99.",
        ),
    ] = None,
    char_at_most: CharAtMost = None,
    took: Took = None,
    picture: CostPicture = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say what your own drawing takes: time, money, pushes, and which features are too small."""
    from calib.report.jobs import job_data, job_text, time_ratio_text
    from calib.tasks.folders import given_file
    from calib.tasks.job_records import JobWish
    from calib.tasks.jobs import job_report, time_this_job

    by: Any = classes_by
    wish = JobWish(
        operations=_operations(
            cut=cut, line_mark=line_mark, area_mark=area_mark, leave_out=leave_out
        ),
        classes_by=by,
        cut=_cut(power, speed_mm_s, passes),
        marks=dict(at or ()),
        parts=parts,
        sheets=sheets,
        price=price,
        reliability=reliability,
        char_at_most=char_at_most,
    )
    source = given_file(drawing)
    with open_book(book) as opened:
        done = job_report(opened, machine, sheet, source, wish)
        if took is not None:
            ratio = time_this_job(opened, machine, done, took, when=now(), label=drawing.name)
            tell(time_ratio_text(ratio))
    _draw(picture, done)
    show(job_data(done), job_text(done), as_json=as_json)


@app.command(
    rich_help_panel=PANEL, epilog="Example: calib costs --machine-hour 18 --labour-hour 30"
)
def costs(
    machine_hour: MachineHour = None,
    labour_hour: LabourHour = None,
    seconds_per_push: Push = None,
    recut_part: RecutPart = None,
    recut_share: RecutShare = None,
    cleaning_s_per_m: Annotated[
        Any,
        typer.Option(
            "--cleaning",
            parser=many(_number),
            metavar="SECONDS,...",
            help="To clean a metre at char 0, 1, 2, 3, 4 (s): five numbers.",
        ),
    ] = None,
    sheet_price: SheetPrice = None,
    start_up_s: StartUp = None,
    currency: Annotated[
        str | None, typer.Option("--currency", metavar="TEXT", help="Its name or sign.")
    ] = None,
    note: Note = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show what time, parts and sheets cost you, and take down what you give; asked once."""
    from calib.report.jobs import costs_data, costs_text
    from calib.tasks.costing import take_down_costs

    given = {
        "machine_hour": machine_hour,
        "labour_hour": labour_hour,
        "seconds_per_push": seconds_per_push,
        "recut_part": recut_part,
        "recut_share": recut_share,
        "cleaning_s_per_m": cleaning_s_per_m,
        "sheet_price": sheet_price,
        "start_up_s": start_up_s,
        "currency": currency,
    }
    changed = {name: value for name, value in given.items() if value is not None}
    with open_book(book) as opened:
        known = take_down_costs(opened, when=now(), note=note, **changed)
    show(costs_data(known), costs_text(known), as_json=as_json)
