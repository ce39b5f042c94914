"""Commands that say where an operation works, and what to set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    Note,
    OperationName,
    SheetName,
    checked_operation,
    confirmed,
    draw,
    now,
    open_book,
    show,
    suggest,
    tell,
)
from calib.cli.options import command

if TYPE_CHECKING:
    from calib.tasks.wishes import RegionWish

PANEL = "Advice"


def _picture(text: str) -> str:
    from calib.errors import InvalidRecord
    from calib.tasks.pictures import picture_format

    try:
        picture_format(text)
    except InvalidRecord as wrong:
        raise typer.BadParameter(str(wrong)) from None
    return text


Pictures = Annotated[
    list[str] | None,
    typer.Option(
        "--picture",
        parser=_picture,
        metavar="FILE",
        help="Also draw it: .png or .svg; may be repeated.",
    ),
]


@command(
    PANEL,
    "calib region 'birch 3' --picture region.png",
    leave_out=("aim", "slowest_mm_s"),
)
def region(
    wish: RegionWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    lot: Annotated[
        str | None, typer.Option("--lot", metavar="TEXT", help="Only burns of this lot.")
    ] = None,
    passes: Annotated[
        int | None, typer.Option("--passes", metavar="N", help="Passes that are shown.")
    ] = None,
    picture: Pictures = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show where an operation works on a sheet, as far as its burns tell."""
    from calib.report.advice import summary_text
    from calib.tasks.advice import region_of_pair
    from calib.tasks.pictures import region_pictures
    from calib.tasks.summary import summarise

    word = checked_operation(operation)
    with open_book(book) as opened:
        fitted = region_of_pair(opened, machine, sheet, word, lot=lot)
    summary = summarise(fitted, wish, passes=passes)
    draw(region_pictures(fitted, wish, picture or (), passes=passes))
    show(summary, summary_text(summary), as_json=as_json)


@command(
    PANEL,
    "calib recommend 'birch 3' --char-at-most 2 --picture advice.png",
    leave_out=("slowest_mm_s",),
)
def recommend(
    wish: RegionWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    picture: Pictures = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Recommend a setting with a stated chance; what is promised is stored with the date."""
    from calib.report.advice import advice_text, after_advice_text
    from calib.tasks.advice import advise
    from calib.tasks.pictures import region_pictures

    word = checked_operation(operation)
    with open_book(book) as opened:
        advice = advise(opened, machine, sheet, word, wish, when=now())
    draw(region_pictures(advice.region, wish, picture or (), advice=advice.recommendation))
    data = {"recommendation": advice.recommendation, "promise_id": advice.promise_id}
    show(data, advice_text(advice), as_json=as_json)
    suggest(after_advice_text(advice), as_json=as_json)


@command(PANEL, "calib settle last")
def settle(
    promise: Annotated[
        str, typer.Argument(metavar="PROMISE", help="Code of the promise, its beginning, or: last.")
    ],
    yes: Annotated[
        bool, typer.Option("--yes", help="Settle on it whatever speaks against it.")
    ] = False,
    note: Note = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Settle on a promised setting: from now on it is the one for its sheet and machine."""
    from calib.errors import CalibError, NeedsYes
    from calib.report.workshop import settled_text
    from calib.tasks.advice import settle

    with open_book(book) as opened:
        try:
            settled = settle(opened, promise, when=now(), note=note, sure=yes)
        except NeedsYes as doubtful:
            tell(" ".join(doubtful.doubts))
            if not confirmed("Settle on it all the same?"):
                raise CalibError(
                    "Nothing was settled on: answer y, or give --yes, to settle on it all the same."
                ) from None
            settled = settle(opened, promise, when=now(), note=note, sure=True)
    show(settled, settled_text([settled]), as_json=as_json)


@command(PANEL, "calib list-promises --sheet 'birch 3'")
def list_promises(
    machine: MachineName = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Only of this sheet.")
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """List what was promised, newest first, with the jobs run on it since."""
    from calib.report.advice import promises_text
    from calib.tasks.current import standing_promises

    with open_book(book) as opened:
        promises = standing_promises(opened, machine=machine, sheet=sheet)
    show(promises, promises_text(promises), as_json=as_json)
