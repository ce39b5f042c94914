"""Text of regions and recommendations."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.advice.more_burns import BURNS
from calib.advice.recommendation import Recommendation, about_words, scope_words
from calib.materials import scales_of
from calib.records import KINDS, counted_burns, grades_typed, mark_words, scale_ends
from calib.tasks.regions import DEEPER, LEVELS
from calib.tasks.wishes import RegionWish
from calib.texts.say import say
from calib.texts.words import (
    about,
    bullets,
    operation_words,
    pair_typed,
    paragraphs,
    setting_words,
    table,
    wish_typed,
    wrapped,
)
from calib.units import show_asked, show_chance, show_percent

if TYPE_CHECKING:
    from calib.logbook import Kept
    from calib.tasks.advice import Advised
    from calib.tasks.pairs import KeptSetting
    from calib.tasks.regions import Summary

_EDGES = {
    "unburnt": say("texts.edge_unburnt"),
    "all_through": say("texts.edge_all_through"),
    "none_through": say("texts.edge_none_through"),
    "bracketed": say("texts.edge_bracketed"),
}


def edge_words(summary: Summary) -> str:
    """On which sides of the edge the burns lie, and that some had another air."""
    if summary.edge == "unburnt" and summary.other_air:
        return say("texts.edge_of_other_air")
    return _EDGES[summary.edge]


def summary_text(summary: Summary) -> str:
    """Describe a region in a few lines."""
    outcomes = ", ".join(f"{count} {name}" for name, count in summary.outcomes.items())
    head = say(
        "texts.region_of_pair",
        operation=operation_words(summary.operation),
        summary=summary,
        outcomes=f" ({outcomes})" if outcomes else "",
    )
    title, header, lines = region_table(summary)
    rows = f"{title}\n{table(header, lines)}"
    return paragraphs(
        f"{head}\n{edge_words(summary)}",
        rows,
        say("texts.star_is_outside") if "*" in rows else "",
        wrapped(say("texts.defects_apart", summary=summary)) if summary.defects_per_m else "",
        bullets("Notes", summary.notes),
    )


def region_table(summary: Summary) -> tuple[str, tuple[str, ...], list[tuple[str, ...]]]:
    """A region in figures, for command and page: title, header, rows; a star: not tested."""
    wish = summary.wish
    if summary.operation == "cut":
        passes = "1 pass" if summary.passes == 1 else f"{summary.passes} passes"
        title = say("texts.fastest_speed_by_chance", scope=wish_scope(wish), passes=passes)
        header = ("power", *(show_percent(level) for level in LEVELS), "char then")
    else:
        mark = grades_typed(wish.mark)
        apart = ""
        if summary.line_pitch_mm is not None:
            apart = say("texts.lines_apart", line_pitch_mm=summary.line_pitch_mm)
        title = say(
            "texts.speeds_for_a_mark",
            grades=mark,
            words=mark_words(wish.mark, scales_of(summary.material)["mark"]),
            apart=apart,
        )
        likeliest = say("texts.likeliest_at", grades=mark)
        header = (
            "power",
            say("texts.deeper_in_fewer", deeper=show_percent(DEEPER)),
            likeliest,
            "chance then",
        )
    rows = []
    for row in summary.rows:
        last = "-" if row.expected_char is None else f"about {row.expected_char:.1f}"
        speeds = (
            "-" if speed is None else f"{speed:.6g} mm/s" + ("" if tested else " *")
            for speed, tested in zip(row.speeds_mm_s, row.tested, strict=True)
        )
        if row.chance is not None:
            last = show_percent(row.chance)
        rows.append((f"{row.power_pct:g} %", *speeds, last))
    return title, header, rows


def wish_scope(wish: RegionWish) -> str:
    """What a chance is asked of."""
    if wish.cut_length_mm is not None:
        return say("texts.whole_job_of", metres=wish.cut_length_mm / 1000)
    return say("texts.coupon_of_next_sheet" if wish.next_sheet else "texts.next_coupon")


def advice_text(advised: Advised, doubts: Sequence[str] = ()) -> str:
    """Say what to set, with what chance, what isn't known of it, and what speaks against it."""
    rec, region = advised.recommendation, advised.region
    pair, material = f"{region.sheet.name} on {region.machine.name}", region.sheet.material
    lines: tuple[str, ...] = (say("texts.outside_no_chance"),)
    if rec:
        lines = (stated_words(rec, material), *margin_lines(rec, material))
    to, setting = KINDS[region.operation].to, setting_words(advised.setting)
    return paragraphs(
        wrapped(advised.lot.words) if advised.lot else "",
        say("texts.to_do", to=to, pair=pair, setting=setting),
        "\n".join(wrapped(line) for line in lines),
        bullets("Notes", rec.notes if rec else ()),
        wrapped(say("texts.rests_on", burns=counted_burns(region.burns))),
        bullets(say("texts.before_you_keep"), doubts),
    )


def after_advice_text(advised: Advised, wish: RegionWish) -> str:
    """Say what comes next: the burns that the notes name, or trying the setting."""
    rec, region = advised.recommendation, advised.region
    pair = pair_typed(region.sheet.name, region.machine.name, region.operation)
    keeping = f"calib keep {pair}{wish_typed(wish)}"
    if rec is None or not any("Burn next: " in note for note in rec.notes):
        return say("texts.try_it_first", keeping=keeping)
    return say("texts.next_a_board", pair=pair, keeping=keeping)


def now_kept_text(advised: Advised, kept: KeptSetting, *, told: bool) -> str:
    """Say what is kept from now on, and what speaks against it; ``told``: its chance is said."""
    rec, pair = advised.recommendation, f"{kept.sheet} on {kept.machine}"
    to, setting = KINDS[kept.operation].to, setting_words(kept.setting)
    stated = say("texts.outside_no_chance")
    if rec:
        stated = wrapped(stated_words(rec, advised.region.sheet.material))
    return paragraphs(
        say("texts.kept_to", to=to, pair=pair, setting=setting),
        "" if told else stated,
        bullets(say("texts.not_current"), kept.not_current),
    )


def after_keep_text(kept: KeptSetting) -> str:
    """Say what comes after a setting was kept: its card, and of a cut a proof."""
    pair = pair_typed(kept.sheet, kept.machine)
    if kept.operation != "cut":
        return say("texts.next_card", pair=pair)
    return say("texts.next_proof_or_card", pair=pair)


def none_kept_text(before: Kept) -> str:
    """Say that a setting is used no longer."""
    operation, setting = operation_words(before.operation), setting_words(before.setting)
    return say(
        "texts.no_setting_kept_any_more", operation=operation, before=before, setting=setting
    )


def stated_words(rec: Recommendation, material: str) -> str:
    """Say what chance is stated of a setting."""
    scope, chance, asked = scope_words(rec), show_chance(rec.chance), ""
    if rec.operation != "cut":
        if rec.reliability is not None:
            asked = say("texts.at_most_asked", most=show_asked(1.0 - rec.reliability))
        return say(
            "texts.chance_of_mark",
            scope=scope,
            words=mark_words(rec.mark or 0, scales_of(material)["mark"]),
            grades=grades_typed(rec.mark or 0),
            chance=chance,
            deeper=show_chance(1.0 - (rec.chance_not_deeper or 0.0)),
            asked=asked,
            rec=rec,
        )
    if rec.reliability is not None:
        asked = say("texts.was_asked_for", asked=show_asked(rec.reliability))
    char = ""
    if rec.char_at_most is not None:
        words = scales_of(material)["char"][rec.char_at_most]
        char = say("texts.with_char_at_most", rec=rec, words=words)
    return say("texts.chance_of_cut", scope=scope, char=char, chance=chance, asked=asked, rec=rec)


def margin_lines(rec: Recommendation, material: str) -> list[str]:
    """Say how much margin a cut has, what it looks like, and what was assumed; how long an area
    takes."""
    if rec.seconds_per_cm2 is not None:
        return [say("texts.seconds_per_cm2", rec=rec)]
    lines: list[str] = []
    if rec.operation != "cut":
        return lines
    if rec.energy_margin_pct is not None:
        power, thickness = rec.power_loss_survived_pct or 0, rec.extra_thickness_survived_mm or 0
        lines.append(say("texts.margin", rec=rec, power=power, thickness=thickness))
    if rec.expected_char is not None:
        ends = scale_ends(scales_of(material)["char"])
        lines.append(say("texts.expected_char", rec=rec, said=ends))
    if rec.expected_pushes is not None and rec.expected_pushes_interval is not None:
        pushes, (low, high) = about(rec.expected_pushes), map(about, rec.expected_pushes_interval)
        apart = _pushes_apart(rec)
        lines.append(say("texts.pushes_in_job", pushes=pushes, low=low, high=high, apart=apart))
    if rec.pushes_per_hour is not None:
        coupons = about(rec.coupons_per_hour or 0.0)
        pushes = about(rec.pushes_per_hour)
        lines.append(say("texts.pushes_per_hour", pushes=pushes, coupons=coupons))
    if rec.expected_cost is not None:
        lines.append(say("texts.expected_cost", rec=rec))
    if rec.share_of_two_more_rounds is not None and rec.share_of_two_more_rounds >= 0.995:
        lines.append(say("texts.two_rounds_hardly_faster"))
    elif rec.share_of_two_more_rounds is not None:
        share = show_percent(rec.share_of_two_more_rounds)
        lines.append(say("texts.share_of_two_rounds", share=share, burns=BURNS))
    if rec.chance_if_scatter_doubled is not None:
        chance, then = show_chance(rec.chance_if_scatter_doubled), ""
        if again := rec.setting_if_scatter_doubled:
            then = say("texts.then_would_be_right", setting=setting_words(again))
        lines.append(say("texts.twice_as_uneven", chance=chance, then=then))
    return lines


def _pushes_apart(rec: Recommendation) -> str:
    """Tell jobs that need a push from places that do: pushes come several in one job."""
    failing = 1.0 - (rec.chance_no_push or 0.0)
    defects = rec.expected_defects or 0.0
    hanging = (rec.expected_pushes or 0.0) - defects
    said = say(
        "texts.where_cut_hangs",
        hanging=about(hanging),
        failing=about_words(failing),
        places=hanging / max(failing, 1e-9),
    )
    if defects:
        jobs = about_words(1.0 - (rec.chance_no_help or 0.0))
        said += say("texts.other_are_knots", defects=about(defects), jobs=jobs)
    return said
