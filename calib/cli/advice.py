"""Commands that say where an operation works, what to set, and how often calib was right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calib.cli.options import (
    IntoHere,
    Note,
    Pictures,
    Said,
    command,
    flag,
    option,
)
from calib.cli.terminal import confirmed, draw, now, tell
from calib.errors import CalibError, NeedsYes

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.advice import Advised
    from calib.tasks.wishes import FileWish, Named, Pair, RegionWish, TrackRecordWish

PANEL = "Advice"
Yes = Annotated[bool, flag("--yes", "Keep it whatever speaks against it.")]


@command(PANEL, "calib region 'birch 3' --picture region.png", leave_out=("aim", "slowest_mm_s"))
def region(
    book: Book,
    pair: Pair,
    wish: RegionWish,
    lot: Annotated[str | None, option("--lot", "TEXT", "Only burns of this lot.")] = None,
    passes: Annotated[int | None, option("--passes", "N", "Passes that are shown.")] = None,
    picture: Pictures = None,
) -> Said:
    """Show where an operation works on a sheet, as far as its burns tell."""
    from calib.report.advice import summary_text
    from calib.tasks.advice import region_of_pair
    from calib.tasks.regions import region_pictures, summarise

    fitted = region_of_pair(book, *pair.pair, lot=lot)
    draw(region_pictures(fitted, wish, picture or (), passes=passes))
    summary = summarise(fitted, wish, passes=passes)
    return summary, summary_text(summary)


@command(
    PANEL,
    "calib recommend 'birch 3' --char-at-most 2 --picture advice.png",
    leave_out=("slowest_mm_s",),
)
def recommend(
    book: Book,
    pair: Pair,
    wish: RegionWish,
    picture: Pictures = None,
    keep: Annotated[bool, flag("--keep", "Keep it too: from now on it is the setting.")] = False,
    yes: Yes = False,
) -> Said:
    """Recommend a setting with a stated chance; nothing is stored unless it is kept."""
    from calib.report.advice import advice_text, after_advice_text
    from calib.tasks.advice import advise
    from calib.tasks.regions import region_pictures

    advised = advise(book, *pair.pair, wish)
    draw(region_pictures(advised.region, wish, picture or (), advice=advised.recommendation))
    if keep:
        return _keep(book, advised, yes=yes)
    return (
        {"recommendation": advised.recommendation, "kept": None},
        advice_text(advised),
        after_advice_text(advised, wish),
    )


@command(PANEL, "calib keep 'birch 3' --char-at-most 2", leave_out=("slowest_mm_s",))
def keep(
    book: Book,
    pair: Pair,
    wish: RegionWish,
    chosen: Setting | None = None,
    none: Annotated[bool, flag("--none", "Use the kept setting no longer.")] = False,
    yes: Yes = False,
    note: Note = "",
) -> Said:
    """Keep a setting for a sheet: the recommended one, or one of your own with power and speed."""
    from calib.report.advice import none_kept_text
    from calib.tasks.advice import advise, chosen_on, keep_none, region_of_pair

    if none:
        before = keep_none(book, *pair.pair, when=now())
        return {"kept": None, "before": before}, none_kept_text(before)
    if chosen is None:
        advised = advise(book, *pair.pair, wish)
    else:
        advised = chosen_on(region_of_pair(book, *pair.pair), chosen, wish)
    return _keep(book, advised, yes=yes, note=note)


def _keep(book: Book, advised: Advised, *, yes: bool, note: str = "") -> Said:
    from calib.report.advice import advice_text
    from calib.report.workshop import kept_text
    from calib.tasks.advice import keep

    try:
        kept = keep(book, advised, when=now(), note=note, sure=yes)
    except NeedsYes as doubtful:
        tell(" ".join(doubtful.doubts))
        if not confirmed("Keep it all the same?"):
            raise CalibError(
                "Nothing was kept: answer y, or give --yes, to keep it all the same."
            ) from None
        kept = keep(book, advised, when=now(), note=note, sure=True)
    text = f"{advice_text(advised)}\n\n{kept_text([kept])}"
    return {"recommendation": advised.recommendation, "kept": kept}, text


@command(
    PANEL,
    "calib sheet-card 'birch 3' --into cards",
    leave_out=("address", "one_file_per_setting"),
)
def sheet_card(book: Book, pair: Named, wish: FileWish, into: IntoHere = Path()) -> Said:
    """Print the kept settings of a sheet and machine on one page for the wall."""
    from calib.report.checks import sheet_card_text
    from calib.tasks.cards import sheet_card_files, sheet_card_of_pair
    from calib.tasks.folders import write_folder

    card = sheet_card_of_pair(book, *pair.names, when=now())
    (file,) = write_folder(sheet_card_files(card, paper=wish.paper), into)
    return {"file": file, "card": card}, sheet_card_text(card, file)


@command(PANEL, "calib track-record --what through --picture record.png")
def track_record(book: Book, wish: TrackRecordWish, picture: Pictures = None) -> Said:
    """Compare the chances that were stated before burning with what came out."""
    from calib.report.checks import track_record_text
    from calib.tasks.looking_back import track_record, track_record_pictures, track_record_title

    record, title = track_record(book, wish), track_record_title(wish)
    draw(track_record_pictures(record, title, picture or ()))
    return record, track_record_text(record, title)
