"""Commands that look back: the settled setting, the card on the wall, the track record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.advice import PANEL, Pictures
from calib.cli.boards import Paper
from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    SheetName,
    app,
    now,
    open_book,
    show,
    tell,
)

OnlySheet = Annotated[
    str | None, typer.Argument(metavar="SHEET", help="Only of this sheet; all if left out.")
]


@app.command(rich_help_panel=PANEL, epilog="Example: calib settled 'birch 3'")
def settled(
    sheet: SheetName = None,
    machine: MachineName = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show the settings that were settled on for a sheet and machine."""
    from calib.report.workshop import settled_text
    from calib.tasks.cards import settled_of_pair

    with open_book(book) as opened:
        found = settled_of_pair(opened, machine, sheet)
    show(found, settled_text(found), as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib sheet-card 'birch 3' --into cards")
def sheet_card(
    sheet: SheetName = None,
    machine: MachineName = None,
    into: Annotated[
        Path, typer.Option("--into", metavar="FOLDER", help="Write it there; made if missing.")
    ] = Path(),
    paper: Paper = "a4",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Print the settled settings of a sheet and machine on one page for the wall."""
    from calib.report.sheet_card import sheet_card_text
    from calib.tasks.cards import sheet_card_files, sheet_card_of_pair
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        card = sheet_card_of_pair(opened, machine, sheet, when=now())
    (file,) = write_folder(sheet_card_files(card, paper=paper), into)
    show({"file": file, "card": card}, sheet_card_text(card, file), as_json=as_json)


@app.command(
    rich_help_panel=PANEL, epilog="Example: calib track-record --what through --picture record.png"
)
def track_record(
    sheet: OnlySheet = None,
    machine: Annotated[
        str | None, typer.Option("--machine", metavar="NAME", help="Only of this machine.")
    ] = None,
    what: Annotated[
        str,
        typer.Option(
            "--what",
            metavar="WORD",
            help="through, char or mark: forecasts of cells; promises: jobs run on one.",
        ),
    ] = "through",
    leave_one_out: Annotated[
        bool,
        typer.Option(
            "--leave-one-out", help="Forecast each board anew from the others of its pair."
        ),
    ] = False,
    picture: Pictures = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Compare the chances that were stated before burning with what came out."""
    from calib.report.track_record import track_record_text
    from calib.tasks.folders import write_folder
    from calib.tasks.looking_back import (
        TrackRecordWish,
        track_record,
        track_record_pictures,
        track_record_title,
    )

    wish = TrackRecordWish(what=what, machine=machine, sheet=sheet, leave_one_out=leave_one_out)
    with open_book(book) as opened:
        record = track_record(opened, wish)
    title = track_record_title(wish)
    names = [str(path) for path in picture or []]
    for name, content in track_record_pictures(record, title, names).items():
        for written in write_folder({Path(name).name: content}, Path(name).parent):
            tell(f"Picture: {written}")
    show(record, track_record_text(record, title), as_json=as_json)
