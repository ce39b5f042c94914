"""Commands that say where an operation works, what to set, and how often calib was right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from calib import tasks, texts
from calib.cli.options import Note, Pictures, Said, command, flag, option
from calib.cli.terminal import draw, now, unless_doubted
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.advice import Advised
    from calib.tasks.pairs import KeptSetting, OpenPair
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
    opened = pair.of(book)
    fitted = opened.region if lot is None else opened.of_lot(lot)
    in_use = opened.kept if picture else None
    kept = in_use.setting if in_use else None
    draw(tasks.regions.region_pictures(fitted, wish, picture or (), passes=passes, kept=kept))
    summary = tasks.regions.summarise(fitted, wish, passes=passes)
    return summary, texts.advice.summary_text(summary)


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
    opened = pair.of(book)
    advised = tasks.advice.advise(opened, wish)
    rec = advised.recommendation
    in_use = opened.kept if picture else None
    used = in_use.setting if in_use else None
    draw(tasks.regions.region_pictures(advised.region, wish, picture or (), advice=rec, kept=used))
    if keep:
        kept = _kept(opened, advised, yes)
        said = texts.advice.now_kept_text(advised, kept, told=True)
        said = f"{texts.advice.advice_text(advised)}\n\n{said}"
        return {"recommendation": rec, "kept": kept}, said, texts.advice.after_keep_text(kept)
    doubts = tasks.advice.doubts_of(opened, advised, now())
    data = {"recommendation": rec, "kept": None, "lot": advised.lot, "doubts": doubts}
    following = texts.advice.after_advice_text(advised, wish)
    return data, texts.advice.advice_text(advised, doubts), following


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
    opened = pair.of(book)
    if none:
        before = tasks.advice.keep_none(opened, when=now())
        return {"kept": None, "before": before}, texts.advice.none_kept_text(before)
    if chosen is None:
        advised = tasks.advice.advise(opened, wish)
    else:
        advised = tasks.advice.chosen_on(opened, chosen, wish)
    kept = _kept(opened, advised, yes, note)
    data = {"recommendation": advised.recommendation, "kept": kept}
    said = texts.advice.now_kept_text(advised, kept, told=False)
    return data, said, texts.advice.after_keep_text(kept)


def _kept(opened: OpenPair, advised: Advised, yes: bool, note: str = "") -> KeptSetting:
    return unless_doubted(
        lambda sure: tasks.advice.keep(opened, advised, when=now(), note=note, sure=sure),
        yes,
        say("cli.keep_it_all_same"),
        say("cli.nothing_was_kept"),
    )
