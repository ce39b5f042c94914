"""Commands that say where an operation works, what to set, and how often calib was right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.options import Note, Pictures, Said, command, flag, option
from calib.cli.terminal import draw, now, unless_doubted
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.advice import Advised
    from calib.tasks.wishes import Pair, RegionWish

Yes = Annotated[bool, flag("--yes", "Keep it whatever speaks against it.")]


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
    from calib.tasks.advice import region_of_pair
    from calib.tasks.regions import region_pictures, summarise
    from calib.texts.advice import summary_text

    fitted = region_of_pair(book, *pair.pair, lot=lot)
    draw(region_pictures(fitted, wish, picture or (), passes=passes))
    summary = summarise(fitted, wish, passes=passes)
    return summary, summary_text(summary)


@command(
    "calib recommend 'birch 3' --char-at-most 2 --picture advice.png", leave_out=("slowest_mm_s",)
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
    from calib.tasks.advice import advise
    from calib.tasks.current import doubts_of
    from calib.tasks.regions import region_pictures
    from calib.texts.advice import advice_text, after_advice_text

    advised = advise(book, *pair.pair, wish)
    draw(region_pictures(advised.region, wish, picture or (), advice=advised.recommendation))
    if keep:
        kept, text = _keep(book, advised, yes=yes, told=True)
        return kept, f"{advice_text(advised)}\n\n{text}"
    doubts = doubts_of(book, advised.region, advised.setting, advised.advice, now())
    data = {
        "recommendation": advised.recommendation, "kept": None, "lot": advised.lot,
        "doubts": doubts,
    }  # fmt: skip
    return (
        data,
        advice_text(advised, doubts),
        after_advice_text(advised, wish),
    )


@command("calib keep 'birch 3' --char-at-most 2", leave_out=("slowest_mm_s",))
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
    from calib.tasks.advice import advise, chosen_on, keep_none, region_of_pair
    from calib.texts.advice import none_kept_text

    if none:
        before = keep_none(book, *pair.pair, when=now())
        return {"kept": None, "before": before}, none_kept_text(before)
    if chosen is None:
        advised = advise(book, *pair.pair, wish)
    else:
        advised = chosen_on(region_of_pair(book, *pair.pair), chosen, wish)
    return _keep(book, advised, yes=yes, note=note)


def _keep(
    book: Book, advised: Advised, *, yes: bool, note: str = "", told: bool = False
) -> tuple[dict[str, Any], str]:
    from calib.tasks.advice import keep
    from calib.texts.advice import now_kept_text

    kept = unless_doubted(
        lambda sure: keep(book, advised, when=now(), note=note, sure=sure),
        yes,
        say("cli.keep_it_all_same"),
        say("cli.nothing_was_kept"),
    )
    return {"recommendation": advised.recommendation, "kept": kept}, now_kept_text(
        advised, kept, told=told
    )
