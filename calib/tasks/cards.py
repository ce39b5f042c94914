"""The card for the wall, made of what a logbook holds on one sheet and machine."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

from calib.advice.chances import Chances, Wish, describe, doubled_scatter
from calib.advice.recommendation import LIKELY_CHANCE, Recommendation, scope_words
from calib.advice.sheet_card import (
    CardSetting,
    MachineCard,
    SheetCard,
    lot_words,
    machine_card,
    sheet_card,
)
from calib.errors import LogbookError
from calib.hazards import check_hazard
from calib.logbook import Book, Filters
from calib.materials import scales_of
from calib.records import OPERATIONS, Advice, counted_burns, grades_typed, mark_words, scale_ends
from calib.tasks.files import Files, slug
from calib.tasks.pairs import OpenPair, burnt_words, day_of, find_machine, kept_settings
from calib.texts.say import say
from calib.units import show_chance

# A setting that was neither run nor checked for so long is checked before it is used again: a tube
# and its optics age (common practice, no source).
CHECK_DAYS = 90
# Parts, or jobs, after which misses are counted, and how surely more of them than allowed mean that
# the stated chance no longer holds.
_PARTS, _JOBS, _SURE = 50, 10, 0.99
# By all burns so many times more failures than was stated are said (judgement: fewer may be noise).
_WORSE = 2.0


def sheet_card_of_pair(pair: OpenPair, *, when: datetime) -> SheetCard:
    """Gather what stands on the card of a sheet and machine; raises LogbookError when nothing is
    kept, or machine or sheet aren't there."""
    machine, sheet, book = pair.machine, pair.sheet, pair.book
    every = kept_settings(book, *pair.names)
    if not every:
        raise LogbookError(say("tasks.no_setting_is_kept", of_sheet=sheet, of_machine=machine))
    assumed, settings, again, used = [], [], [], []
    if sheet.measured_mm is None:
        assumed.append(say("tasks.sheet_is_taken_to_be_thick", of_sheet=sheet))
    for entry in sorted(every, key=lambda entry: OPERATIONS.index(entry.operation)):
        one = pair.to(entry.operation)
        wish = Wish()
        if (advice := entry.advice) is not None:
            wish = Wish(
                char_at_most=advice.char_at_most,
                mark=2 if advice.mark is None else advice.mark,
                cut_length_mm=advice.cut_length_mm,
                next_sheet=advice.scope == "sheet",
            )
        chances = Chances(region=one.region, wish=wish)
        rec = describe(chances, entry.setting) if one.region.burns else None
        facts = [
            _stated(entry.advice, sheet.material),
            _margin(chances, rec),
            say("tasks.kept_on_day", day=day_of(entry.at, when), lot=lot_words(entry.lot)),
        ]
        read = next((board.id for board in one.boards if board.read), None)
        facts += burnt_words(book, book.board(read))[-1:] if read else ()
        if entry.note:
            facts.append(f"Note: {entry.note}")
        # When it was kept, or a job or check strip of the pair was last run.
        kinds = ("job", "check_strip")
        of = Filters(machine=machine.name, sheet=sheet.name, operation=one.operation, kinds=kinds)
        last = max([entry.at, *(run.at for run in book.search(of, limit=1).entries)])
        used.append(last)
        due = list(entry.not_current)
        if advice is not None:
            if advice.chance < LIKELY_CHANCE:
                due.append(say("tasks.its_chance_is_only", chance=show_chance(advice.chance)))
            if rec and 1.0 - rec.chance > _WORSE * (1.0 - advice.chance):
                now_stated = show_chance(rec.chance)
                due.append(
                    say(
                        "tasks.its_chance_fell",
                        now_stated=now_stated,
                        stated=show_chance(advice.chance),
                    )
                )
            again.append(_watch(advice))
        if when - last > timedelta(days=CHECK_DAYS):
            due.append(say("tasks.it_was_last_kept_or_run", day=day_of(last, when)))
        settings.append(
            CardSetting(
                operation=one.operation,
                setting=entry.setting,
                facts=tuple(facts),
                due=tuple(due),
                failed=bool(entry.failed_proof),
            )
        )
        if one.operation == "cut" and one.region.burns:
            loose = replace(chances, region=doubled_scatter(one.region))
            chance = show_chance(loose.single(entry.setting))
            assumed.append(say("tasks.how_much_coupons_differ_is_assumed", chance=chance))
    earliest = min(used) + timedelta(days=CHECK_DAYS)
    tube = "tube" if machine.source == "co2" else "diode"
    first = say("tasks.on_at_latest", day=day_of(earliest, when), source=tube)
    return SheetCard(
        sheet=sheet,
        machine=machine,
        settings=tuple(settings),
        check_again=tuple(dict.fromkeys((first, *again))),
        assumed=tuple(assumed),
        made=day_of(when, when),
    )


def machine_card_files(
    book: Book, machine: str | None, *, when: datetime, paper: str = "a4"
) -> Files:
    """Make the card of a machine with the kept settings of all its sheets; raises LogbookError
    when nothing is kept."""
    of_machine, rows = find_machine(book, machine), []
    for entry in kept_settings(book, of_machine.name):
        check_hazard(book.sheet(entry.sheet), of_machine, entry.operation)
        at = entry.setting
        passes = "1 pass" if at.passes == 1 else f"{at.passes} passes"
        numbers = ", ".join(
            words.replace(" ", "\u00a0")
            for words in (f"{at.power_pct:g} %", f"{at.speed_mm_s:g} mm/s", passes)
        )
        if at.line_pitch_mm is not None:
            numbers += say("advice.lines_apart", setting=at)
        if entry.failed_proof:
            numbers = say("advice.proof_failed_dont_use")
        chance = "-"
        if entry.advice is not None:
            chance = f"{show_chance(entry.advice.chance)} {entry.advice.scope}"
        rows.append((
            entry.sheet, entry.operation.replace("_", " "), numbers,
            "-" if entry.failed_proof else f"{round(60.0 * at.speed_mm_s, 3):g}", chance,
            day_of(entry.at, when),
            " ".join(entry.not_current),
        ))  # fmt: skip
    if not rows:
        raise LogbookError(say("tasks.nothing_is_kept_on_machine", of_machine=of_machine))
    card = MachineCard(machine=of_machine, rows=tuple(rows), made=day_of(when, when))
    return {f"card-{slug(of_machine.name)}.pdf": machine_card(card, paper=paper)}


def sheet_card_files(card: SheetCard, *, paper: str = "a4") -> Files:
    """Make the card as a file."""
    name = f"card-{slug(card.sheet.name)}-on-{slug(card.machine.name)}.pdf"
    return {name: sheet_card(card, paper=paper)}


def _stated(advice: Advice | None, material: str) -> str:
    if advice is None:
        return say("tasks.no_chance_was_stated")
    if advice.operation != "cut":
        grades = advice.mark or 0
        words = mark_words(grades, scales_of(material)["mark"])
        wanted = say("tasks.grade", mark=words, grades_typed=grades_typed(grades))
        what = say("tasks.comes_out", scope=scope_words(advice), wanted=wanted)
    else:
        char, worst, scale = "", advice.char_at_most, scales_of(material)["char"]
        if worst is not None:
            char = say("tasks.char_at_most", worst=worst, char_words=scale[worst])
        what = say("tasks.falls_free", scope=scope_words(advice), char=char)
    return say("tasks.stated_when_it_was_kept", chance=show_chance(advice.chance), what=what)


def _margin(chances: Chances, rec: Recommendation | None) -> str:
    """Chance, margin and char as all burns of the pair tell them today."""
    if rec is None:
        return say("tasks.spare_energy_not_known")
    burns = counted_burns(chances.region.burns)
    if rec.operation != "cut":
        return say("tasks.by_todays_burns", burns=burns, chance=show_chance(rec.chance))
    return say(
        "tasks.spare_energy_half_of_coupons_still",
        burns=burns,
        chance=show_chance(rec.chance),
        energy_margin_pct=rec.energy_margin_pct or 0.0,
        power_loss_survived_pct=rec.power_loss_survived_pct or 0.0,
        extra_thickness_survived_mm=rec.extra_thickness_survived_mm or 0.0,
        expected_char=rec.expected_char or 0.0,
        char_said=scale_ends(scales_of(chances.region.sheet.material)["char"]),
    )


def _watch(advice: Advice) -> str:
    """How many misses mean that a stated chance no longer holds."""
    whole, what = (_JOBS, "jobs") if advice.scope == "job" else (_PARTS, "parts")
    most = most_misses(advice.chance, whole)
    missed = say("tasks.need_push" if advice.operation == "cut" else "tasks.come_out_otherwise")
    if advice.char_at_most is not None:
        missed += say("tasks.or_come_out_blacker")
    name = advice.operation.replace("_", " ")
    return say("tasks.when_more", most=most, whole=whole, what=what, missed=missed, name=name)


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
