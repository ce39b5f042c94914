"""Commands that say where an operation works, what to set, and how often calib was right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from calib.cli.options import (
    Note,
    OfMachine,
    OfSheet,
    Pictures,
    Said,
    argument,
    command,
    flag,
    option,
)
from calib.cli.terminal import confirmed, draw, now, tell
from calib.errors import CalibError, NeedsYes

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.tasks.wishes import Named, Pair, RegionWish


@command("calib region 'birch 3' --picture region.png", leave_out=("aim", "slowest_mm_s"))
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
    "calib recommend 'birch 3' --char-at-most 2 --picture advice.png",
    leave_out=("slowest_mm_s",),
)
def recommend(book: Book, pair: Pair, wish: RegionWish, picture: Pictures = None) -> Said:
    """Recommend a setting with a stated chance; what is promised is stored with the date."""
    from calib.report.advice import advice_text, after_advice_text
    from calib.tasks.advice import advise
    from calib.tasks.regions import region_pictures

    advice = advise(book, *pair.pair, wish, when=now())
    draw(region_pictures(advice.region, wish, picture or (), advice=advice.recommendation))
    data = {"recommendation": advice.recommendation, "promise_id": advice.promise_id}
    return data, advice_text(advice), after_advice_text(advice)


@command("calib settle last")
def settle(
    book: Book,
    promise: Annotated[str, argument("PROMISE", "Code of the promise, its beginning, or: last.")],
    yes: Annotated[bool, flag("--yes", "Settle on it whatever speaks against it.")] = False,
    note: Note = "",
) -> Said:
    """Settle on a promised setting: from now on it is the one for its sheet and machine."""
    from calib.report.workshop import settled_text
    from calib.tasks.advice import settle

    try:
        settled = settle(book, promise, when=now(), note=note, sure=yes)
    except NeedsYes as doubtful:
        tell(" ".join(doubtful.doubts))
        if not confirmed("Settle on it all the same?"):
            raise CalibError(
                "Nothing was settled on: answer y, or give --yes, to settle on it all the same."
            ) from None
        settled = settle(book, promise, when=now(), note=note, sure=True)
    return settled, settled_text([settled])


@command("calib list-promises --sheet 'birch 3'")
def list_promises(book: Book, machine: OfMachine = None, sheet: OfSheet = None) -> Said:
    """List what was promised, newest first, with the jobs run on it since."""
    from calib.report.advice import promises_text
    from calib.tasks.current import standing_promises

    promises = standing_promises(book, machine=machine, sheet=sheet)
    return promises, promises_text(promises)


@command("calib settled 'birch 3'")
def settled(book: Book, pair: Named) -> Said:
    """Show the settings that were settled on for a sheet and machine."""
    from calib.report.workshop import settled_text
    from calib.tasks.cards import settled_of_pair

    found = settled_of_pair(book, *pair.names)
    return found, settled_text(found)
