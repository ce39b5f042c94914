"""Text of regions and recommendations."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.advice.more_burns import BURNS
from calib.advice.recommendation import Recommendation, about_words, scope_words
from calib.materials import scales_of
from calib.records import KINDS, grades_typed, mark_words, scale_ends
from calib.records.fields import fields_of
from calib.tasks.regions import DEEPER, LEVELS
from calib.tasks.wishes import RegionWish
from calib.texts.words import (
    about,
    bullets,
    counted,
    operation_words,
    pair_typed,
    paragraphs,
    setting_words,
    table,
    wrapped,
)
from calib.typed import write
from calib.units import show_chance

if TYPE_CHECKING:
    from calib.logbook import Kept
    from calib.tasks.advice import Advised
    from calib.tasks.current import KeptSetting
    from calib.tasks.regions import Summary

EDGES = {
    "unburnt": "Nothing has been burnt yet: this is what is expected of such a sheet, and it may be"
    " far off.",
    "all_through": "All burns came out over the edge; where it lies isn't known yet.",
    "none_through": "No burn reached the edge, so the edge was not found.",
    "bracketed": "The burns lie on both sides of the edge.",
}


def summary_text(summary: Summary) -> str:
    """Describe a region in a few lines."""
    outcomes = ", ".join(f"{count} {name}" for name, count in summary.outcomes.items())
    burns = sum(summary.outcomes.values())
    head = (
        f"{operation_words(summary.operation)} of {summary.sheet} on {summary.machine}:"
        f" {counted(burns, 'burn')}" + (f" ({outcomes})" if outcomes else "")
    )
    title, header, lines = region_table(summary)
    rows = f"{title}\n{table(header, lines)}"
    defects = ""
    if summary.defects_per_m:
        defects = wrapped(
            f"Apart from all this, about {summary.defects_per_m:.2g} places in a metre of cut are"
            " expected to need a push whatever the power (knots, glue)."
        )
    return paragraphs(
        f"{head}\n{EDGES[summary.edge]}",
        rows,
        "* outside what was burnt: never recommended." if "*" in rows else "",
        _learned(summary),
        defects,
        bullets("Notes", summary.notes),
    )


def region_table(summary: Summary) -> tuple[str, tuple[str, ...], list[tuple[str, ...]]]:
    """A region in figures, for command and page: title, header, rows; a star: not tested."""
    wish, marks = summary.wish, summary.operation != "cut"
    passes = "1 pass" if summary.passes == 1 else f"{summary.passes} passes"
    title = f"Fastest speed at which {wish_scope(wish)} falls free with a chance of ({passes}):"
    header = ("power", *(f"{level:g}" for level in LEVELS), "char then")
    if marks:
        mark = grades_typed(wish.mark)
        title = f"Speeds for a mark of grade {mark} ({mark_words(wish.mark)}):"
        deeper = f"deeper in fewer than {DEEPER:.0%} from"
        header = ("power", deeper, f"likeliest to be {mark} at", "chance then")
    rows = []
    for row in summary.rows:
        last = "-" if row.expected_char is None else f"about {row.expected_char:.1f}"
        speeds = (
            "-" if speed is None else f"{speed:.6g} mm/s" + ("" if tested else " *")
            for speed, tested in zip(row.speeds_mm_s, row.tested, strict=True)
        )
        if row.chance is not None:
            last = f"{row.chance:.2f}"
        rows.append((f"{row.power_pct:g} %", *speeds, last))
    return title, header, rows


def wish_scope(wish: RegionWish) -> str:
    """What a chance is asked of."""
    if wish.cut_length_mm is not None:
        return f"a whole job of {wish.cut_length_mm / 1000:g} m"
    return "a coupon of the next sheet" if wish.next_sheet else "the next coupon"


# What is said of each parameter; those of char and marks that are not here tell no one much.
LEARNED_WORDS = {
    "edge": "energy needed",
    "floor": "loss at low speed",
    "speed": "effect of speed",
    "exponent": "power curve",
    "scatter": "difference between coupons",
    "band": "width of hanging",
    "passes": "effect of passes",
    "pitch": "effect of line pitch",
}
# Doubt that is left of a parameter from which on the burns taught nothing of it.
_NOTHING_LEARNED = 0.9


def _learned(summary: Summary) -> str:
    """How much of the doubt there was before is left of each parameter."""
    if not summary.outcomes:
        return ""
    lines = []
    for model, ratios in summary.learned.items():
        left = ", ".join(
            f"{words} {min(ratios[name], 1.0):.0%}"
            for name, words in LEARNED_WORDS.items()
            if name in ratios and ratios[name] < _NOTHING_LEARNED
        )
        lines.append(f"  {model}: {left or 'nothing learned yet'}")
    return "\n".join(["Doubt that is left, of what there was before any burn:", *lines])


_OUTSIDE = "It lies outside what was burnt: no chance is stated for it."


def advice_text(advised: Advised, doubts: Sequence[str] = ()) -> str:
    """Say what to set, with what chance, what isn't known of it, and what speaks against it."""
    rec, region = advised.recommendation, advised.region
    pair, material = f"{region.sheet.name} on {region.machine.name}", region.sheet.material
    return paragraphs(
        wrapped(advised.lot.words) if advised.lot else "",
        f"To {KINDS[region.operation].to} {pair}: {setting_words(advised.setting)}",
        "\n".join(map(wrapped, (stated_words(rec, material), *margin_lines(rec, material))))
        if rec
        else _OUTSIDE,
        bullets("Notes", rec.notes if rec else ()),
        wrapped(
            f"This rests on {counted(len(region.burns), 'burn')}. calib doesn't know of a tired"
            " lens, a slipped sheet or a wet board: watch the first parts."
        ),
        bullets("Before you keep it", doubts),
    )


def after_advice_text(advised: Advised, wish: RegionWish) -> str:
    """Say what comes next: the burns that the notes name, or trying the setting."""
    rec, region = advised.recommendation, advised.region
    operation = "" if region.operation == "cut" else f" --operation {region.operation}"
    pair = f"{pair_typed(region.sheet.name, region.machine.name)}{operation}"
    keeping = f"calib keep {pair}{_typed(wish)}"
    if rec is None or not any("Burn next: " in note for note in rec.notes):
        return f"Try it first. To keep it then: {keeping}"
    return (
        f"Next, a board of the burns named above: calib plan {pair}\nOr keep it as it is: {keeping}"
    )


def _typed(wish: RegionWish) -> str:
    """A wish as options, what is usual left out."""
    words = ""
    for field in fields_of(RegionWish):
        value = getattr(wish, field.name)
        if field.bare is bool:
            words += f" {field.option}" if value else ""
        elif value not in (None, field.default) and field.name not in ("costs", "slowest_mm_s"):
            words += f" {field.option} {shlex.quote(write(field, value))}"
    return words


def now_kept_text(advised: Advised, kept: KeptSetting, *, told: bool) -> str:
    """Say what is kept from now on, and what speaks against it; ``told``: its chance is said."""
    rec, pair = advised.recommendation, f"{kept.sheet} on {kept.machine}"
    stated = wrapped(stated_words(rec, advised.region.sheet.material)) if rec else _OUTSIDE
    return paragraphs(
        f"Kept to {KINDS[kept.operation].to} {pair}: {setting_words(kept.setting)}",
        "" if told else stated,
        bullets("Not current, try it first", kept.not_current),
    )


def none_kept_text(before: Kept) -> str:
    """Say that a setting is used no longer."""
    return (
        f"No setting is kept for {operation_words(before.operation)} of {before.sheet} on"
        f" {before.machine} any more; before it was {setting_words(before.setting)}."
    )


def stated_words(rec: Recommendation, material: str) -> str:
    """Say what chance is stated of a setting."""
    if rec.operation != "cut":
        wanted = rec.mark or 0
        asked = "" if rec.reliability is None else f" (at most {1.0 - rec.reliability:.3g} asked)"
        return (
            f"Chance that {scope_words(rec)} is exactly {mark_words(wanted)!r}"
            f" (mark {grades_typed(wanted)}):"
            f" {show_chance(rec.chance)}; that it is deeper:"
            f" {show_chance(1.0 - (rec.chance_not_deeper or 0.0))}{asked}. In words: {rec.words}."
        )
    asked = "" if rec.reliability is None else f" ({rec.reliability} was asked for)"
    what = "falls free"
    if rec.char_at_most is not None:
        char = scales_of(material)["char"][rec.char_at_most]
        what += f" with char at most {rec.char_at_most} ({char})"
    return (
        f"Chance that {scope_words(rec)} {what}: {show_chance(rec.chance)}{asked}. In"
        f" words: {rec.words}."
    )


def margin_lines(rec: Recommendation, material: str) -> list[str]:
    """Say how much margin a cut has, what it looks like, and what was assumed."""
    if rec.operation != "cut":
        return []
    lines = []
    if rec.energy_margin_pct is not None:
        lines.append(
            f"Margin: {rec.energy_margin_pct:.0f} % more energy than half the coupons need; it"
            f" survives {rec.power_loss_survived_pct or 0:.0f} % less power or"
            f" {rec.extra_thickness_survived_mm or 0:.2f} mm more thickness before half of the"
            " coupons hang."
        )
    if rec.expected_char is not None:
        ends = scale_ends(scales_of(material)["char"])
        lines.append(f"Expected char: {rec.expected_char:.1f} ({ends}).")
    if rec.expected_pushes is not None and rec.expected_pushes_interval is not None:
        low, high = rec.expected_pushes_interval
        lines.append(
            f"Expected pushes in the job, defects included: {about(rec.expected_pushes)} on"
            f" average, {about(low)} to {about(high)} in 9 of 10 jobs. {_pushes_apart(rec)}"
        )
    if rec.pushes_per_hour is not None:
        lines.append(
            f"Expected pushes in an hour of cutting, coupon after coupon, defects included:"
            f" {about(rec.pushes_per_hour)}."
        )
    if rec.expected_cost is not None:
        lines.append(f"Expected cost: {rec.expected_cost:.2f}.")
    if rec.share_of_two_more_rounds is not None and rec.share_of_two_more_rounds >= 0.995:
        lines.append("Two more rounds of burns would hardly make it faster.")
    elif rec.share_of_two_more_rounds is not None:
        lines.append(
            f"This is {rec.share_of_two_more_rounds:.0%} of the speed that two more rounds of"
            f" {BURNS} burns would give, as far as the burns so far can tell."
        )
    again = rec.setting_if_scatter_doubled
    if rec.chance_if_scatter_doubled is not None:
        then = f"; then {setting_words(again)} would be right" if again else ""
        lines.append(
            f"Were coupons twice as uneven as assumed, the chance would be"
            f" {show_chance(rec.chance_if_scatter_doubled)}{then}."
        )
    return lines


def _pushes_apart(rec: Recommendation) -> str:
    """Tell jobs that need a push from places that do: pushes come several in one job."""
    failing = 1.0 - (rec.chance_no_push or 0.0)
    defects = rec.expected_defects or 0.0
    hanging = (rec.expected_pushes or 0.0) - defects
    said = (
        f"Of these {about(hanging)} where the cut itself hangs: in {about_words(failing)} jobs,"
        f" then at about {hanging / max(failing, 1e-9):.1f} places of the same job."
    )
    if defects:
        said += (
            f" The other {about(defects)} are knots and glue pockets, where more power doesn't"
            f" help; with them {about_words(1.0 - (rec.chance_no_help or 0.0))} jobs need a push"
            " somewhere."
        )
    return said
