"""Text of regions, recommendations and promises."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.advice.recommendation import Recommendation, about_words, scope_words
from calib.records import CHAR_WORDS, grades_typed, mark_words
from calib.report.words import (
    bullets,
    chance_words,
    counted,
    date_words,
    operation_words,
    pair_typed,
    paragraphs,
    setting_words,
    short_code,
    speed_words,
    table,
    wrapped,
)
from calib.tasks.regions import DEEPER, LEVELS
from calib.units import show_chance

if TYPE_CHECKING:
    from calib.tasks.advice import Advice
    from calib.tasks.current import StandingPromise
    from calib.tasks.regions import RegionRow, Summary

EDGES = {
    "unburnt": "Nothing was burnt yet: this is what is expected of such a sheet, and it may be far"
    " off.",
    "all_through": "Every burn went over the edge, so the edge was not found.",
    "none_through": "No burn reached the edge, so the edge was not found.",
    "bracketed": "The burns lie on both sides of the edge.",
}
_DOING = {"cut": "cut", "line_mark": "mark lines on", "area_mark": "mark areas on"}


def summary_text(summary: Summary) -> str:
    """Describe a region in a few lines."""
    outcomes = ", ".join(f"{count} {name}" for name, count in summary.outcomes.items())
    burns = sum(summary.outcomes.values())
    head = (
        f"{operation_words(summary.operation)} of {summary.sheet} on {summary.machine}:"
        f" {counted(burns, 'burn')}" + (f" ({outcomes})" if outcomes else "")
    )
    rows = _cut_rows(summary) if summary.operation == "cut" else _mark_rows(summary)
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


def _speed(row: RegionRow, number: int) -> str:
    star = "" if row.tested[number] or row.speeds_mm_s[number] is None else " *"
    return speed_words(row.speeds_mm_s[number]) + star


def _cut_rows(summary: Summary) -> str:
    wish = summary.wish
    what = "the next coupon"
    if wish.cut_length_mm is not None:
        what = f"a whole job of {wish.cut_length_mm / 1000:g} m"
    elif wish.next_sheet:
        what = "a coupon of the next sheet"
    title = f"Fastest speed at which {what} falls free with a chance of"
    header = ("power", *(f"{level:g}" for level in LEVELS), "char then")
    lines = [
        (
            f"{row.power_pct:g} %",
            *(_speed(row, n) for n in range(len(LEVELS))),
            "-" if row.expected_char is None else f"about {row.expected_char:.1f}",
        )
        for row in summary.rows
    ]
    passes = "1 pass" if summary.passes == 1 else f"{summary.passes} passes"
    return f"{title} ({passes}):\n{table(header, lines)}"


def _mark_rows(summary: Summary) -> str:
    mark = summary.wish.mark
    header = (
        "power",
        f"deeper in fewer than {DEEPER:.0%} from",
        f"likeliest to be {grades_typed(mark)} at",
        "chance then",
    )
    lines = [
        (f"{row.power_pct:g} %", _speed(row, 0), _speed(row, 1), f"{row.chance:.2f}")
        for row in summary.rows
    ]
    title = f"Speeds for a mark of grade {grades_typed(mark)} ({mark_words(mark)}):"
    return f"{title}\n{table(header, lines)}"


# What is said of each parameter; those of char and marks that are not here tell no one much.
LEARNED_WORDS = {
    "edge": "energy needed",
    "floor": "loss at low speed",
    "speed": "effect of speed",
    "exponent": "power curve",
    "scatter": "scatter",
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


def advice_text(advice: Advice) -> str:
    """Say what to set, what is promised of it, and what isn't."""
    rec = advice.recommendation
    region = advice.region
    pair = f"{region.sheet.name} on {region.machine.name}"
    return paragraphs(
        f"To {_DOING[rec.operation]} {pair}: {setting_words(rec.setting)}",
        "\n".join(wrapped(line) for line in (promised_words(rec), *margin_lines(rec))),
        bullets("Notes", rec.notes),
        wrapped(
            f"This rests on {counted(len(region.burns), 'burn')}. Promise"
            f" {short_code(advice.promise_id)} is in the logbook. calib doesn't know of a tired"
            " lens, a slipped sheet or a wet board: watch the first parts."
        ),
    )


def after_advice_text(advice: Advice) -> str:
    """Say what comes next: the burns that the notes name, or trying the setting."""
    rec, region = advice.recommendation, advice.region
    if not any("Burn next: " in note for note in rec.notes):
        return "Next: try it; calib settle last keeps it."
    operation = "" if rec.operation == "cut" else f" --operation {rec.operation}"
    return (
        f"Next: calib plan {pair_typed(region.sheet.name, region.machine.name)}{operation}, for a"
        " board of the burns named above; or calib settle last keeps it as it is."
    )


def promised_words(rec: Recommendation) -> str:
    """Say what is promised of a setting."""
    if rec.operation != "cut":
        wanted = rec.mark or 0
        asked = "" if rec.reliability is None else f" (at most {1.0 - rec.reliability:.3g} asked)"
        return (
            f"Chance that {scope_words(rec)} is exactly {mark_words(wanted)!r}"
            f" (mark {grades_typed(wanted)}):"
            f" {show_chance(rec.chance)}; that it is deeper:"
            f" {show_chance(1.0 - (rec.chance_not_deeper or 0.0))}{asked}. In words: {rec.words}."
        )
    what = "falls free"
    if rec.char_at_most is not None:
        what += f" with char at most {rec.char_at_most} ({CHAR_WORDS[rec.char_at_most]})"
    return (
        f"Chance that {scope_words(rec)} {what}: {show_chance(rec.chance)} ({rec.reliability} was"
        f" asked for). In words: {rec.words}."
    )


def margin_lines(rec: Recommendation) -> list[str]:
    """Say how much margin a cut has, what it looks like, and what was assumed."""
    if rec.operation != "cut":
        return []
    lines = []
    if rec.energy_margin_pct is not None:
        lines.append(
            f"Margin: {rec.energy_margin_pct:.0f} % more energy than half the coupons need; it"
            f" survives {rec.power_loss_survived_pct or 0:.0f} % less power or"
            f" {rec.extra_thickness_survived_mm or 0:.2f} mm more thickness before half hang."
        )
    if rec.expected_char is not None:
        lines.append(f"Expected char: {rec.expected_char:.1f} (0 clean to 4 flaking).")
    if rec.expected_pushes is not None and rec.expected_pushes_interval is not None:
        low, high = rec.expected_pushes_interval
        lines.append(
            f"Expected pushes in the job, defects included: {rec.expected_pushes:.2g} on average,"
            f" {low:.2g} to {high:.2g} in 9 of 10 jobs. {_pushes_apart(rec)}"
        )
    if rec.pushes_per_hour is not None:
        lines.append(
            f"Expected pushes in an hour of cutting, coupon after coupon, defects included:"
            f" {rec.pushes_per_hour:.2g}."
        )
    if rec.expected_cost is not None:
        lines.append(f"Expected cost: {rec.expected_cost:.2f}.")
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
        f"Of these {hanging:.2g} where the cut itself hangs: in {about_words(failing)} jobs,"
        f" then at about {hanging / max(failing, 1e-9):.1f} places of the same job."
    )
    if defects:
        said += (
            f" The other {defects:.2g} are knots and glue pockets, which no power buys off; with"
            f" them {about_words(1.0 - (rec.chance_no_help or 0.0))} jobs need a push"
            " somewhere."
        )
    return said


def promises_text(promises: Sequence[StandingPromise]) -> str:
    """List promises, with for what each was made and what has changed since."""
    if not promises:
        return "Nothing was promised yet."
    rows = [
        (
            short_code(entry.id),
            date_words(entry.at),
            entry.sheet,
            entry.machine,
            operation_words(entry.promise.operation),
            setting_words(entry.promise.setting),
            chance_words(entry.promise),
            str(len(entry.jobs)),
            "no" if entry.not_current else "yes",
        )
        for entry in promises
    ]
    header = (
        "promise", "made", "sheet", "machine", "operation", "setting", "promised", "jobs",
        "current",
    )  # fmt: skip
    codes: dict[str, list[str]] = {}
    for entry in promises:
        for why in entry.not_current:
            codes.setdefault(why, []).append(short_code(entry.id))
    changed = [f"{', '.join(those)}: {why}" for why, those in codes.items()]
    return paragraphs(table(header, rows), bullets("Not current", changed))
