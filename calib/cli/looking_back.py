"""Commands that look back: the settled setting, the card on the wall, the track record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calib.cli.advice import PANEL, Pictures
from calib.cli.boards import IntoHere
from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    SheetName,
    draw,
    now,
    open_book,
    show,
)
from calib.cli.options import command

if TYPE_CHECKING:
    from calib.tasks.wishes import FileWish, TrackRecordWish


@command(PANEL, "calib settled 'birch 3'")
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


@command(
    PANEL,
    "calib sheet-card 'birch 3' --into cards",
    leave_out=("address", "one_file_per_setting"),
)
def sheet_card(
    wish: FileWish,
    sheet: SheetName = None,
    machine: MachineName = None,
    into: IntoHere = Path(),
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Print the settled settings of a sheet and machine on one page for the wall."""
    from calib.report.sheet_card import sheet_card_text
    from calib.tasks.cards import sheet_card_files, sheet_card_of_pair
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        card = sheet_card_of_pair(opened, machine, sheet, when=now())
    (file,) = write_folder(sheet_card_files(card, paper=wish.paper), into)
    show({"file": file, "card": card}, sheet_card_text(card, file), as_json=as_json)


@command(PANEL, "calib track-record --what through --picture record.png", arguments=("sheet",))
def track_record(
    wish: TrackRecordWish,
    picture: Pictures = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Compare the chances that were stated before burning with what came out."""
    from calib.report.track_record import track_record_text
    from calib.tasks.looking_back import (
        track_record,
        track_record_pictures,
        track_record_title,
    )

    with open_book(book) as opened:
        record = track_record(opened, wish)
    title = track_record_title(wish)
    draw(track_record_pictures(record, title, picture or ()))
    show(record, track_record_text(record, title), as_json=as_json)
