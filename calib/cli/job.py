"""The command for jobs: what a drawing takes in time and money, and the stopwatch."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib import tasks, texts
from calib.cli.options import Said, argument, command, option, reader
from calib.cli.terminal import draw, now, tell
from calib.errors import InvalidQuantity, shown
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.wishes import JobWish, Named

# Bytes that take seconds to read.
_LARGE_DRAWING = 2_000_000

_SETTING = re.compile(
    r"(.+)=(N)\s*%?\s*@\s*(N\s*(?:mm/s|mm/min|in/s|in/min)?)(?:x(\d{1,4}))?(?:/(N))?".replace(
        "N", r"(?:\d{1,9}(?:\.\d{0,9})?|\.\d{1,9})"
    ),
    re.ASCII,
)


def _mark_setting(text: str) -> tuple[str, Any]:
    """``CLASS=POWER@SPEED``, with ``xPASSES`` and ``/LINE-PITCH`` where they are wanted."""
    from calib.records import Setting
    from calib.units import parse_speed_mm_s

    match = _SETTING.fullmatch(text.strip())
    if match is None:
        raise InvalidQuantity(say("cli.setting_cant_be_read", text=shown(text)))
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
        raise InvalidQuantity(say("cli.time_cant_be_read", text=shown(text)))
    if len(parts) == 1:
        return 60.0 * parts[0]
    return float(sum(part * 60.0**place for place, part in enumerate(reversed(parts))))


DrawingFile = Annotated[
    Path, argument("DRAWING", "Your own drawing: an SVG file.", exists=True, dir_okay=False)
]
Classes = list[str] | None
Cut = Annotated[Classes, option("--cut", "CLASS", "Class to cut; repeat it.")]
LineMark = Annotated[Classes, option("--line-mark", "CLASS", "Class to mark as lines; repeat it.")]
AreaMark = Annotated[Classes, option("--area-mark", "CLASS", "Class to mark filled; repeat it.")]
LeaveOut = Annotated[Classes, option("--leave-out", "CLASS", "Class not to burn; repeat it.")]
At = Annotated[
    list[Any] | None,
    option(
        "--at",
        "CLASS=%@SPEED",
        "Setting of a class of marks (%, mm/s): '#8a4baf=20@100'; xN passes, /mm line pitch.",
        parser=reader(_mark_setting),
    ),
]
Took = Annotated[
    float | None,
    option(
        "--took",
        "MINUTES",
        "What the stopwatch said of this job, without start-up (min): 12.5 or 12:30; kept.",
        parser=reader(_minutes),
    ),
]
CostPicture = Annotated[
    list[Path] | None, option("--picture", "FILE", "Draw the parts of the cost: .png or .svg.")
]


@command(
    "calib job box.svg 'birch 3' --cut '#146c43' --price 40 --picture cost.png",
    leave_out=("line_pitch_mm",),
)
def job(
    book: Book,
    drawing: DrawingFile,
    pair: Named,
    wish: JobWish,
    setting: Setting | None,
    cut: Cut = None,
    line_mark: LineMark = None,
    area_mark: AreaMark = None,
    leave_out: LeaveOut = None,
    at: At = None,
    took: Took = None,
    picture: CostPicture = None,
) -> Said:
    """Say what your own drawing takes: time, money, pushes, and which features are too small."""
    named: dict[str, Any] = {}
    for operation, names in (
        ("cut", cut), ("line_mark", line_mark), ("area_mark", area_mark), (None, leave_out)
    ):  # fmt: skip
        for name in names or ():
            if name in named:
                raise typer.BadParameter(say("cli.class_is_given_two_operations", name=name))
            named[name] = operation
    wish = replace(wish, operations=named, cut=setting, marks=dict(at or ()))
    source = tasks.files.given_file(drawing)
    if (size := drawing.stat().st_size) > _LARGE_DRAWING:
        tell(say("cli.reading_mb_of_drawing", size=size / 1000000.0))
    done = tasks.jobs.job_report(pair.of(book), source, wish)
    if took is not None:
        label = drawing.name
        ratio = tasks.jobs.time_this_job(book, pair.machine, done, took, when=now(), label=label)
        tell(texts.jobs.time_ratio_text(ratio))
    draw({str(path): tasks.jobs.job_picture(done, path.name) for path in picture or ()})
    return texts.jobs.job_data(done), texts.jobs.job_text(done)
