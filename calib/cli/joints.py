"""Commands for parts that fit: comb boards, joints, kerf."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.options import (
    IntoHere,
    Said,
    argument,
    command,
    length,
    many,
    option,
    reader,
)
from calib.cli.terminal import now, tell
from calib.errors import InvalidQuantity, shown
from calib.units import parse_length_mm

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.wishes import CombWish, Named

PANEL = "Parts that fit"

# No comb has a thousand slots; without a bound S1-S999999999 would be written out.
_CODE = re.compile(r"([A-Z])(\d{1,3})", re.ASCII)


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
    return option(name, "CODES", f"{meaning}: S4, S4,S5 or S1-S3.", parser=reader(_codes))


def _width(name: str, where: str) -> Any:
    words = f"Width {where} (mm), as often as measured: T5=8.35/8.36; repeat it."
    return option(name, "CODE=MM/...", words, parser=reader(_measured))


CombCode = Annotated[str, argument("COMB", "Code of the comb board, or: last.")]
Tight = Annotated[list[Any] | None, _felt("--tight", "Doesn't go in by hand")]
Snug = Annotated[list[Any] | None, _felt("--snug", "Goes in by hand and holds")]
Loose = Annotated[list[Any] | None, _felt("--loose", "Falls out or wobbles")]
Top = Annotated[list[Any] | None, _width("--top", "at the face the beam came from")]
Bottom = Annotated[list[Any] | None, _width("--bottom", "at the other face")]
Across = Annotated[list[Any] | None, _width("--across", "with the jaws over the whole thickness")]
CaliperLimit = Annotated[
    float | None,
    option(
        "--caliper-limit",
        "LENGTH",
        "Largest error that the caliper's maker allows (mm).",
        parser=length,
        show_default="0.02 mm",
    ),
]


@command(PANEL, "calib comb 'birch 3' --stock 3.02 --into comb", leave_out=("line_pitch_mm",))
def comb(
    book: Book, pair: Named, wish: CombWish, setting: Setting | None, into: IntoHere = Path()
) -> Said:
    """Plan a comb board: slots and tongues in small steps, to find what fits your stock."""
    from calib.report.boards import files_text
    from calib.report.joints import comb_data, comb_text
    from calib.tasks.folders import check_folder, write_folder
    from calib.tasks.joints import plan_comb_board

    check_folder(into)
    planned = plan_comb_board(book, *pair.names, replace(wish, setting=setting), when=now())
    written = write_folder(planned.files, into)
    tell(files_text(planned.files, written, into))
    return comb_data(planned, written), comb_text(planned)


@command(
    PANEL,
    "calib read-comb last --tight S1-S3 --snug S4,S5 --loose S6-S9 --top T5=8.15/8.16/8.14",
)
def read_comb(
    book: Book,
    comb_board: CombCode,
    tight: Tight = None,
    snug: Snug = None,
    loose: Loose = None,
    top: Top = None,
    bottom: Bottom = None,
    across: Across = None,
    stock: Annotated[
        Any,
        option("--stock", "LENGTH,...", "Thickness of the stock (mm), as often as measured.",
               parser=many(parse_length_mm)),
    ] = None,
    caliper_limit: CaliperLimit = None,
) -> Said:  # fmt: skip
    """Take down a comb board: what was tight, snug or loose, and what the caliper showed."""
    from calib.report.joints import comb_taken_text
    from calib.tasks.joints import caliper_of, comb_readings, take_down_comb

    readings = comb_readings(
        {"tight": tight or (), "snug": snug or (), "loose": loose or ()},
        {"top": top or (), "bottom": bottom or (), "across": across or ()},
    )
    tool = caliper_of(caliper_limit)
    taken = take_down_comb(
        book, comb_board, readings, when=now(), stock_mm=stock or (), caliper=tool
    )
    return taken, comb_taken_text(taken)


@command(PANEL, "calib joint last")
def joint(book: Book, comb_board: CombCode) -> Said:
    """Say what to draw for a press fit, a glue fit and an inlay, from a comb that was read."""
    from calib.report.joints import joint_text
    from calib.tasks.joints import joint_of_comb

    board, found = joint_of_comb(book, comb_board)
    data = {"board_id": board.board_id, "setting": board.setting, "joint": found}
    return data, joint_text(board, found)


@command(PANEL, "calib kerf 'birch 3'")
def kerf(book: Book, pair: Named, caliper_limit: CaliperLimit = None) -> Said:
    """Work out the kerf from measured coupons, and how it grows with the line energy."""
    from calib.report.joints import kerf_text
    from calib.tasks.joints import caliper_of, learn_kerf

    law, points = learn_kerf(book, *pair.names, when=now(), caliper=caliper_of(caliper_limit))
    return {"law": law, "points": points}, kerf_text(law, points)
