"""Commands that say where an operation works, and what to set."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    CharAtMost,
    MachineName,
    MarkGrade,
    Note,
    OperationName,
    SheetName,
    app,
    checked_operation,
    confirmed,
    length,
    now,
    open_book,
    show,
    suggest,
    tell,
)

PANEL = "Advice"

WishedReliability = Annotated[
    float | None,
    typer.Option(
        "--reliability",
        metavar="CHANCE",
        show_default="0.99 for cuts; a mark has the highest chance there is",
        help="Chance, from 0 to 1, that a cut shall drop; for a mark, that it goes no deeper.",
    ),
]
Aim = Annotated[str, typer.Option("--aim", metavar="WORD", help="fastest, cleanest or cheapest.")]
CutLength = Annotated[
    float | None,
    typer.Option(
        "--cut-length",
        parser=length,
        metavar="LENGTH",
        help="Promise a whole job of this cut path, such as 4200 mm or 4.2 m.",
    ),
]
NextSheet = Annotated[
    bool, typer.Option("--next-sheet", help="Promise it for the next sheet of the lot.")
]


def _picture_path(text: str) -> Path:
    from calib.errors import InvalidRecord
    from calib.tasks.pictures import picture_format

    try:
        picture_format(text)
    except InvalidRecord as wrong:
        raise typer.BadParameter(str(wrong)) from None
    return Path(text)


Pictures = Annotated[
    list[Path] | None,
    typer.Option(
        "--picture",
        parser=_picture_path,
        metavar="FILE",
        help="Also draw it: .png or .svg; may be repeated.",
    ),
]


def _wish(**fields: Any) -> Any:
    from calib.tasks.advice import RegionWish

    return RegionWish(**fields)


def _draw(pictures: list[Path] | None, region: Any, wish: Any, **known: Any) -> None:
    """Draw a region into each file."""
    from calib.tasks.folders import write_folder
    from calib.tasks.pictures import region_pictures

    names = [str(path) for path in pictures or []]
    for name, content in region_pictures(region, wish, names, **known).items():
        for written in write_folder({Path(name).name: content}, Path(name).parent):
            tell(f"Picture: {written}")


@app.command(rich_help_panel=PANEL, epilog="Example: calib region 'birch 3' --picture region.png")
def region(
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    reliability: WishedReliability = None,
    char_at_most: CharAtMost = None,
    mark: MarkGrade = 2,
    cut_length: CutLength = None,
    next_sheet: NextSheet = False,
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
    from calib.tasks.summary import summarise

    wish = _wish(
        reliability=reliability,
        char_at_most=char_at_most,
        mark=mark,
        cut_length_mm=cut_length,
        next_sheet=next_sheet,
    )
    word = checked_operation(operation)
    with open_book(book) as opened:
        fitted = region_of_pair(opened, machine, sheet, word, lot=lot)
    summary = summarise(fitted, wish, passes=passes)
    _draw(picture, fitted, wish, passes=passes)
    show(summary, summary_text(summary), as_json=as_json)


@app.command(
    rich_help_panel=PANEL,
    epilog="Example: calib recommend 'birch 3' --char-at-most 2 --picture advice.png",
)
def recommend(
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    aim: Aim = "fastest",
    reliability: WishedReliability = None,
    char_at_most: CharAtMost = None,
    mark: MarkGrade = 2,
    cut_length: CutLength = None,
    next_sheet: NextSheet = False,
    picture: Pictures = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Recommend a setting with a stated chance; what is promised is stored with the date."""
    from calib.report.advice import advice_text, after_advice_text
    from calib.tasks.advice import advise

    wish = _wish(
        aim=aim,
        reliability=reliability,
        char_at_most=char_at_most,
        mark=mark,
        cut_length_mm=cut_length,
        next_sheet=next_sheet,
    )
    word = checked_operation(operation)
    with open_book(book) as opened:
        advice = advise(opened, machine, sheet, word, wish, when=now())
    _draw(picture, advice.region, wish, advice=advice.recommendation)
    data = {"recommendation": advice.recommendation, "promise_id": advice.promise_id}
    show(data, advice_text(advice), as_json=as_json)
    suggest(after_advice_text(advice), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib settle last")
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


@app.command(rich_help_panel=PANEL, epilog="Example: calib list-promises --sheet 'birch 3'")
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
