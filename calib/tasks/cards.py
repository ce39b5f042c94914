"""The card for the wall, made of what a logbook holds on one sheet and machine."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

from calib.advice.chances import Chances, Wish, describe, doubled_scatter
from calib.advice.recommendation import LIKELY_CHANCE, scope_words
from calib.advice.sheet_card import CardSetting, SheetCard, lot_words, sheet_card
from calib.errors import LogbookError
from calib.hazards import check_hazard
from calib.logbook import Book, Filters, Kept
from calib.records import CHAR_SAID, CHAR_WORDS, OPERATIONS, Advice, grades_typed, mark_words
from calib.tasks.advice import region_of_pair
from calib.tasks.current import kept_settings
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
    pair = (of_machine.name, of_sheet.name)
    kept = kept_settings(book, *pair)
    if not kept:
        raise LogbookError(
            f"No setting is kept for {of_sheet.name!r} on {of_machine.name!r} yet: ask for one with"
            " recommend, try it, then keep it."
        )
    assumed = []
    if of_sheet.measured_mm is None:
        assumed.append(f"The sheet is taken to be {of_sheet.thickness_mm:g} mm thick.")
    entries, again, used = [], [], []
    for entry in sorted(kept, key=lambda entry: OPERATIONS.index(entry.operation)):
        check_hazard(of_sheet, of_machine, entry.operation)
        region = region_of_pair(book, *pair, entry.operation)
        chances = Chances(region=region, wish=_wish_of(entry.advice))
        burns = sum(burn.count for burn in region.burns)
        facts = [
            _stated(entry.advice),
            _margin(chances, entry),
            f"Kept {_day(entry.at, when)}, {lot_words(entry.lot)}, on {burns} burns.",
        ]
        if entry.note:
            facts.append(f"Note: {entry.note}")
        # When it was kept, or a job or check strip of the pair was last run.
        runs = Filters(
            machine=pair[0],
            sheet=pair[1],
            operation=entry.operation,
            kinds=("job", "check_strip"),
        )
        last = max([entry.at, *(run.at for run in book.search(runs, limit=1).entries)])
        used.append(last)
        due = list(entry.not_current)
        if entry.advice is not None:
            if entry.advice.chance < LIKELY_CHANCE:
                due.append(f"Its chance is only {entry.advice.chance:.2f}.")
            again.append(_watch(entry.advice))
        if when - last > timedelta(days=CHECK_DAYS):
            due.append(f"It was last kept or run on {_day(last, when)}.")
        entries.append(
            CardSetting(
                operation=entry.operation,
                setting=entry.setting,
                facts=tuple(facts),
                due=tuple(due),
            )
        )
        if region.operation == "cut" and region.burns:
            chance = replace(chances, region=doubled_scatter(region)).single(entry.setting)
            assumed.append(
                "How much coupons differ is assumed in part: were they twice as uneven, the chance"
                f" of the cut would be {show_chance(chance)}."
            )
    earliest = min(used) + timedelta(days=CHECK_DAYS)
    first = (
        f"On {_day(earliest, when)} at the latest, with each new lot, and after a change of lens,"
        " focus, mirror, tube or air."
    )
    return SheetCard(
        sheet=of_sheet,
        machine=of_machine,
        settings=tuple(entries),
        check_again=tuple(dict.fromkeys((first, *again))),
        assumed=tuple(assumed),
        made=_day(when, when),
    )


def sheet_card_files(card: SheetCard, *, paper: str = "a4") -> Files:
    """Make the card as a file."""
    name = f"card-{slug(card.sheet.name)}-on-{slug(card.machine.name)}.pdf"
    return {name: sheet_card(card, paper=paper)}


def _day(at: datetime, local: datetime) -> str:
    return f"{at.astimezone(local.tzinfo):%Y-%m-%d}"


def _stated(advice: Advice | None) -> str:
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


def _margin(chances: Chances, entry: Kept) -> str:
    """Spare energy and char as all burns of the pair tell them today."""
    if not chances.region.burns:
        return "Spare energy: not known, there are no burns of this pair."
    rec = describe(chances, entry.setting)
    if rec.operation != "cut":
        return f"By today's burns: chance {show_chance(rec.chance)} of that grade."
    return (
        f"Spare energy {rec.energy_margin_pct or 0.0:.0f} %: half of the coupons still fall at"
        f" {rec.power_loss_survived_pct or 0.0:.0f} % less power, or"
        f" {rec.extra_thickness_survived_mm or 0.0:.2f} mm more thickness. Expected char"
        f" {rec.expected_char or 0.0:.1f} ({CHAR_SAID})."
    )


def _wish_of(advice: Advice | None) -> Wish:
    if advice is None:
        return Wish()
    return Wish(
        char_at_most=advice.char_at_most,
        mark=2 if advice.mark is None else advice.mark,
        cut_length_mm=advice.cut_length_mm,
        next_sheet=advice.scope == "sheet",
    )


def _watch(advice: Advice) -> str:
    """How many misses mean that a stated chance no longer holds."""
    whole, what = (_JOBS, "jobs") if advice.scope == "job" else (_PARTS, "parts")
    most = most_misses(advice.chance, whole)
    missed = "need a push" if advice.operation == "cut" else "come out otherwise"
    if advice.char_at_most is not None:
        missed += " or come out blacker"
    name = advice.operation.replace("_", " ")
    return f"When more than {most} of {whole} {what} {missed} ({name})."


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
