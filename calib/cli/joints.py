"""Commands for parts that fit: comb boards, joints, kerf."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    SheetName,
    app,
    length,
    many,
    now,
    open_book,
    percent,
    quantity,
    show,
    size,
    speed,
    tell,
)
from calib.errors import InvalidQuantity, shown
from calib.units import parse_length_mm

PANEL = "Parts that fit"

# No comb has a thousand slots; without a bound S1-S999999999 would be written out.
_CODE = re.compile(r"([A-Z])(\d{1,3})", re.ASCII)

CombCode = Annotated[str, typer.Argument(metavar="COMB", help="Code of the comb board, or: last.")]


def _codes(text: str) -> tuple[str, ...]:
    """``S4``, ``S4,S5`` or ``S1-S3``."""
    found: list[str] = []
    for word in text.upper().replace(" ", "").split(","):
        first, dash, last = word.partition("-")
        if not dash:
            found.append(word)
            continue
        ends = _CODE.fullmatch(first), _CODE.fullmatch(last)
        if ends[0] is None or ends[1] is None or ends[0][1] != ends[1][1]:
            raise InvalidQuantity(f"codes {shown(text)} can't be read: write S4, S4,S5 or S1-S3.")
        found += [f"{ends[0][1]}{n}" for n in range(int(ends[0][2]), int(ends[1][2]) + 1)]
    return tuple(found)


def _measured(text: str) -> tuple[str, tuple[float, ...]]:
    """``T5=8.35/8.36/8.34``: a code and what the caliper showed."""
    code, equals, widths = text.strip().partition("=")
    if not equals:
        raise InvalidQuantity(
            f"{shown(text)} can't be read: write a code and what was measured, such as"
            " T5=8.35/8.36."
        )
    return code.strip().upper(), tuple(parse_length_mm(width) for width in widths.split("/"))


def _felt(name: str, meaning: str) -> Any:
    return typer.Option(
        name, parser=quantity(_codes), metavar="CODES", help=f"{meaning}: S4, S4,S5 or S1-S3."
    )


def _width(name: str, where: str) -> Any:
    return typer.Option(
        name,
        parser=quantity(_measured),
        metavar="CODE=MM/...",
        help=f"Width {where} (mm), as often as measured: T5=8.35/8.36; repeat it.",
    )


Tight = Annotated[list[Any] | None, _felt("--tight", "Doesn't go in by hand")]
Snug = Annotated[list[Any] | None, _felt("--snug", "Goes in by hand and holds")]
Loose = Annotated[list[Any] | None, _felt("--loose", "Falls out or wobbles")]
Top = Annotated[list[Any] | None, _width("--top", "at the face the beam came from")]
Bottom = Annotated[list[Any] | None, _width("--bottom", "at the other face")]
Across = Annotated[list[Any] | None, _width("--across", "with the jaws over the whole thickness")]

CaliperLimit = Annotated[
    float | None,
    typer.Option(
        "--caliper-limit",
        parser=length,
        metavar="LENGTH",
        show_default="0.02 mm",
        help="Largest error that the caliper's maker allows (mm).",
    ),
]


@app.command(rich_help_panel=PANEL, epilog="Example: calib comb 'birch 3' --stock 3.02 --into comb")
def comb(
    sheet: SheetName = None,
    machine: MachineName = None,
    stock: Annotated[
        float | None,
        typer.Option(
            "--stock",
            parser=length,
            metavar="LENGTH",
            show_default="the sheet's",
            help="Thickness of the stock that sits in the slots (mm).",
        ),
    ] = None,
    power: Annotated[
        float | None,
        typer.Option(
            "--power",
            parser=percent,
            metavar="%",
            show_default="the settled cut",
            help="Power (% of full).",
        ),
    ] = None,
    speed_mm_s: Annotated[
        float | None,
        typer.Option(
            "--speed",
            parser=speed,
            metavar="SPEED",
            show_default="the settled cut",
            help="Speed (mm/s).",
        ),
    ] = None,
    passes: Annotated[int, typer.Option("--passes", metavar="N", help="Passes.")] = 1,
    step: Annotated[
        float,
        typer.Option("--step", parser=length, metavar="LENGTH", help="Between two widths (mm)."),
    ] = "0.05",  # type: ignore[assignment]
    slots: Annotated[int, typer.Option("--slots", metavar="N", help="How many slots.")] = 9,
    tongues: Annotated[
        int, typer.Option("--tongues", metavar="N", help="How many tongues; 0 for none.")
    ] = 9,
    kerf: Annotated[
        float | None,
        typer.Option(
            "--kerf",
            parser=length,
            metavar="LENGTH",
            show_default="from measured coupons, else a guess",
            help="Kerf that the widths lie round (mm).",
        ),
    ] = None,
    offcut: Annotated[
        Any,
        typer.Option(
            "--offcut", parser=size, metavar="SIZE", help="Width x height of the piece (mm)."
        ),
    ] = None,
    into: Annotated[
        Path, typer.Option("--into", metavar="FOLDER", help="Where to; made if missing.")
    ] = Path(),
    paper: Annotated[str, typer.Option("--paper", metavar="WORD", help="a4 or letter.")] = "a4",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan a comb board: slots and tongues in small steps, to find what fits your stock."""
    from calib.report.boards import files_text
    from calib.report.joints import comb_data, comb_text
    from calib.tasks.combs import CombWish, plan_comb_board
    from calib.tasks.folders import check_folder, write_folder

    wish = CombWish(
        stock_mm=stock,
        setting=_setting(power, speed_mm_s, passes),
        step_mm=step,
        slots=slots,
        tongues=tongues,
        kerf_mm=kerf,
        offcut_mm=offcut,
        paper=paper,
    )
    check_folder(into)
    with open_book(book) as opened:
        planned = plan_comb_board(opened, machine, sheet, wish, when=now())
    written = write_folder(planned.files, into)
    tell(files_text(planned.files, written, into))
    show(comb_data(planned, written), comb_text(planned), as_json=as_json)


def _setting(power: float | None, speed_mm_s: float | None, passes: int) -> Any:
    from calib.records import Setting

    if (power is None) != (speed_mm_s is None):
        raise typer.BadParameter("give --power and --speed together, or neither.")
    if power is None or speed_mm_s is None:
        return None
    return Setting(power_pct=power, speed_mm_s=speed_mm_s, passes=passes)


@app.command(
    rich_help_panel=PANEL,
    epilog=(
        "Example: calib read-comb last --tight S1-S3 --snug S4,S5 --loose S6-S9"
        " --top T5=8.15/8.16/8.14"
    ),
)
def read_comb(
    comb_board: CombCode,
    tight: Tight = None,
    snug: Snug = None,
    loose: Loose = None,
    top: Top = None,
    bottom: Bottom = None,
    across: Across = None,
    stock: Annotated[
        Any,
        typer.Option(
            "--stock",
            parser=many(parse_length_mm),
            metavar="LENGTH,...",
            help="Thickness of the stock (mm), as often as measured.",
        ),
    ] = None,
    caliper_limit: CaliperLimit = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down a comb board: what was tight, snug or loose, and what the caliper showed."""
    from calib.report.joints import comb_taken_text
    from calib.tasks.comb_results import caliper_of, comb_readings, take_down_comb

    readings = comb_readings(
        {"tight": tight or (), "snug": snug or (), "loose": loose or ()},
        {"top": top or (), "bottom": bottom or (), "across": across or ()},
    )
    with open_book(book) as opened:
        taken = take_down_comb(
            opened,
            comb_board,
            readings,
            when=now(),
            stock_mm=stock or (),
            caliper=caliper_of(caliper_limit),
        )
    show(taken, comb_taken_text(taken), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib joint last")
def joint(comb_board: CombCode, book: BookPlace = None, as_json: AsJson = False) -> None:
    """Say what to draw for a press fit, a glue fit and an inlay, from a comb that was read."""
    from calib.report.joints import joint_text
    from calib.tasks.comb_results import joint_of_comb

    with open_book(book) as opened:
        board, found = joint_of_comb(opened, comb_board)
    data = {"board_id": board.board_id, "setting": board.setting, "joint": found}
    show(data, joint_text(board, found), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib kerf 'birch 3'")
def kerf(
    sheet: SheetName = None,
    machine: MachineName = None,
    caliper_limit: CaliperLimit = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Work out the kerf from measured coupons, and how it grows with the line energy."""
    from calib.report.joints import kerf_text
    from calib.tasks.comb_results import caliper_of
    from calib.tasks.kerfs import learn_kerf

    tool = caliper_of(caliper_limit)
    with open_book(book) as opened:
        law, points = learn_kerf(opened, machine, sheet, when=now(), caliper=tool)
    show({"law": law, "points": points}, kerf_text(law, points), as_json=as_json)
