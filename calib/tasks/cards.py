"""The card for the wall, made of what a logbook holds on one sheet and machine."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime, timedelta

from calib.advice.chances import Chances, Wish, describe, doubled_scatter
from calib.advice.recommendation import LIKELY_CHANCE, scope_words
from calib.advice.sheet_card import CardSetting, SheetCard, lot_words, sheet_card
from calib.errors import LogbookError
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.logbook import Book, Filters, Kept
from calib.records import CHAR_SAID, CHAR_WORDS, OPERATIONS, grades_typed, mark_words
from calib.tasks.advice import region_of_pair
from calib.tasks.current import KeptSetting, kept_settings
from calib.tasks.finding import find_pair
from calib.tasks.folders import Files, slug
from calib.units import show_chance

# A setting that was neither run nor checked for so long is checked before it is used again: a tube
# and its optics age (common practice, no source).
CHECK_DAYS = 90
# Parts, or jobs, after which misses are counted, and how surely more of them than allowed mean that
# the stated chance no longer holds.
_PARTS, _JOBS, _SURE = 50, 10, 0.99


def sheet_card_of_pair(
    book: Book, machine: str | None = None, sheet: str | None = None, *, when: datetime
) -> SheetCard:
    """Gather what stands on the card of a sheet and machine; raises LogbookError when nothing is
    kept, or machine or sheet aren't there."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    kept = kept_settings(book, of_machine.name, of_sheet.name)
    if not kept:
        raise LogbookError(
            f"No setting is kept for {of_sheet.name!r} on {of_machine.name!r} yet: ask for one with"
            " recommend, try it, then keep it."
        )
    used = {entry.operation: _last_used(book, entry) for entry in kept}
    earliest = min(used.values()) + timedelta(days=CHECK_DAYS)
    again = [
        f"On {_day(earliest, when)} at the latest, with each new lot, and after a change of lens,"
        " focus, mirror, tube or air."
    ]
    assumed: list[str] = []
    if of_sheet.measured_mm is None:
        assumed.append(f"The sheet is taken to be {of_sheet.thickness_mm:g} mm thick.")
    entries = []
    for entry in sorted(kept, key=lambda entry: OPERATIONS.index(entry.operation)):
        check_hazard(of_sheet, of_machine, entry.operation)
        region = region_of_pair(book, of_machine.name, of_sheet.name, entry.operation)
        burns = sum(burn.count for burn in region.burns)
        facts = (
            _stated(entry),
            _margin(region, entry),
            f"Kept {_day(entry.at, when)}, {lot_words(entry.lot)}, on {burns} burns.",
            *([f"Note: {entry.note}"] if entry.note else []),
        )
        entries.append(
            CardSetting(
                operation=entry.operation,
                setting=entry.setting,
                facts=facts,
                due=tuple(_due(entry, used[entry.operation], when)),
            )
        )
        again += _watch(entry)
        if region.operation == "cut" and region.burns:
            chance = _chances_of(doubled_scatter(region), entry).single(entry.setting)
            assumed.append(
                "How much coupons differ is assumed in part: were they twice as uneven, the chance"
                f" of the cut would be {show_chance(chance)}."
            )
    return SheetCard(
        sheet=of_sheet,
        machine=of_machine,
        settings=tuple(entries),
        check_again=tuple(dict.fromkeys(again)),
        assumed=tuple(assumed),
        made=_day(when, when),
    )


def sheet_card_files(card: SheetCard, *, paper: str = "a4") -> Files:
    """Make the card as a file."""
    name = f"card-{slug(card.sheet.name)}-on-{slug(card.machine.name)}.pdf"
    return {name: sheet_card(card, paper=paper)}


def _day(at: datetime, local: datetime) -> str:
    return f"{at.astimezone(local.tzinfo):%Y-%m-%d}"


def _stated(entry: Kept) -> str:
    advice = entry.advice
    if advice is None:
        return "No chance was stated of it: it was kept by hand."
    if advice.operation != "cut":
        grades = advice.mark or 0
        wanted = f"{mark_words(grades)} (grade {grades_typed(grades)})"
        what = f"{scope_words(advice)} comes out {wanted}"
    else:
        worst = advice.char_at_most
        char = "" if worst is None else f", char at most {worst} ({CHAR_WORDS[worst]})"
        what = f"{scope_words(advice)} falls free{char}"
    return f"Stated when it was kept: chance {show_chance(advice.chance)} that {what}."


def _margin(region: Region, entry: Kept) -> str:
    """Spare energy and char as all burns of the pair tell them today."""
    if not region.burns:
        return "Spare energy: not known, there are no burns of this pair."
    rec = describe(_chances_of(region, entry), entry.setting)
    if rec.operation != "cut":
        return f"By today's burns: chance {show_chance(rec.chance)} of that grade."
    return (
        f"Spare energy {rec.energy_margin_pct or 0.0:.0f} %: half of the coupons still fall at"
        f" {rec.power_loss_survived_pct or 0.0:.0f} % less power, or"
        f" {rec.extra_thickness_survived_mm or 0.0:.2f} mm more thickness. Expected char"
        f" {rec.expected_char or 0.0:.1f} ({CHAR_SAID})."
    )


def _chances_of(region: Region, entry: Kept) -> Chances:
    advice, wish = entry.advice, Wish()
    if advice is not None:
        wish = Wish(
            char_at_most=advice.char_at_most,
            mark=2 if advice.mark is None else advice.mark,
            cut_length_mm=advice.cut_length_mm,
            next_sheet=advice.scope == "sheet",
        )
    return Chances(region=region, wish=wish)


def _watch(entry: Kept) -> list[str]:
    """How many misses mean that a stated chance no longer holds."""
    advice = entry.advice
    if advice is None:
        return []
    whole, what = (_JOBS, "jobs") if advice.scope == "job" else (_PARTS, "parts")
    most = most_misses(advice.chance, whole)
    missed = "need a push" if entry.operation == "cut" else "come out otherwise"
    if advice.char_at_most is not None:
        missed += " or come out blacker"
    name = entry.operation.replace("_", " ")
    return [f"When more than {most} of {whole} {what} {missed} ({name})."]


def most_misses(chance: float, whole: int) -> int:
    """How many of some parts may fail before a stated chance has to be doubted.

    Examples
    --------
    >>> most_misses(0.98, 50), most_misses(1.0, 50)
    (4, 0)
    """
    reached = 0.0
    for misses in range(whole + 1):
        ways = math.comb(whole, misses)
        reached += ways * (1.0 - chance) ** misses * chance ** (whole - misses)
        if reached >= _SURE:
            return misses
    return whole


def _last_used(book: Book, entry: Kept) -> datetime:
    """When a setting was kept, or a job or check strip of the pair was last run."""
    runs = Filters(
        machine=entry.machine,
        sheet=entry.sheet,
        operation=entry.operation,
        kinds=("job", "check_strip"),
    )
    found = book.search(runs, limit=1).entries
    return max([entry.at, *(run.at for run in found)])


def _due(entry: KeptSetting, last: datetime, when: datetime) -> Iterable[str]:
    """Why a setting has to be checked now."""
    yield from entry.not_current
    if entry.advice is not None and entry.advice.chance < LIKELY_CHANCE:
        yield f"Its chance is only {entry.advice.chance:.2f}."
    if when - last > timedelta(days=CHECK_DAYS):
        yield f"It was last kept or run on {_day(last, when)}."
