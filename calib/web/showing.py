"""Words and rows for the templates, made of what tasks give."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from calib.materials import scales_of
from calib.records import counted_burns, grades_typed, mark_words, short_words
from calib.tasks.regions import read_out, summarise
from calib.tasks.standing import minutes_of
from calib.texts.advice import edge_words, margin_lines, region_table, stated_words, wish_scope
from calib.texts.say import say
from calib.texts.words import date_words, reading_words
from calib.units import show_chance, show_percent

if TYPE_CHECKING:
    from calib.logbook import HistoryLine
    from calib.records import Setting
    from calib.tasks.advice import Advised
    from calib.tasks.boards import Planned
    from calib.tasks.regions import ReadOut
    from calib.tasks.wishes import RegionWish


def planned_shown(planned: Planned) -> dict[str, Any]:
    """What the page of a board that isn't stored yet shows."""
    grid = planned.grid
    return {
        "grid": grid,
        "minutes": minutes_of(grid),
        "rests": planned.rests,
        "unread": planned.unread,
        "expected": {cell: _forecast(events) for cell, events in planned.forecasts.items()},
    }


def _forecast(events: Any) -> str:
    event, chance = next(iter(events.items()))
    what = (
        say("web.falls_free")
        if event == "through"
        else say("web.mark_2", event=event.removeprefix("mark_"))
    )
    return f"{what}: {show_percent(chance)}"


def look_shown(region: Any, wish: RegionWish, start: Setting) -> dict[str, Any]:
    """What the page of a region shows beside its drawing."""
    summary = summarise(region, wish, passes=start.passes)
    title, head, rows = region_table(summary)
    return {
        "edge": edge_words(summary),
        "title": title,
        "rows": rows,
        "starred": any("*" in cell for row in rows for cell in row),
        "head": head,
        "out": out_words(read_out(region, wish, start), region.sheet.material),
        "wish": wish_words(wish, region),
    }


def out_words(out: ReadOut, material: str) -> dict[str, str]:
    """What holds at a setting, in words; the keys are those of the page's lines."""
    char = short_words(scales_of(material)["char"])
    words = {
        "chance": show_chance(out.chance),
        "tested": say("web.tested_inside_what_was_burnt")
        if out.tested
        else say("web.not_tested_outside_what_was_burnt"),
        "allowed": "" if out.allowed else say("web.beyond_machines_limits_or_its_ceiling"),
    }
    path = say("web.metre", time=time_words(1000.0 * out.passes / out.speed_mm_s))
    grade_word = "" if out.expected_char is None else char[round(out.expected_char)]
    words["short"] = " · ".join(filter(None, (show_chance(out.chance), grade_word, path)))
    if out.expected_char is not None:
        words["char"] = say("web.about", out=out, char_short=grade_word)
    if out.energy_margin_pct is not None:
        words["margin"] = _margin(out.energy_margin_pct)
    if out.chance_not_deeper is not None:
        words["deeper"] = show_chance(1.0 - out.chance_not_deeper)
    if out.job_time_s is not None:
        words["time"] = say("web.corners_and_travel_not_counted", time=time_words(out.job_time_s))
    return words


def _margin(margin_pct: float) -> str:
    if margin_pct >= 0:
        return say("web.more_energy_than_half_coupons_need", margin_pct=margin_pct)
    return say("web.less_energy_than_half_coupons_need", margin_pct=-margin_pct)


def time_words(seconds: float) -> str:
    """Write a time as one plans with it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def wish_words(wish: RegionWish, region: Any) -> str:
    """Say what was asked, in a sentence."""
    if region.operation != "cut":
        words = mark_words(wish.mark, scales_of(region.sheet.material)["mark"]).split(" (")[0]
        return say("web.wanted_mark", grades_typed=grades_typed(wish.mark), words=words)
    char, worst = say("web.char_doesnt_matter"), wish.char_at_most
    if worst is not None:
        word = short_words(scales_of(region.sheet.material)["char"])[worst]
        char = say("web.char_at_most", wish=wish, char_short=word)
    return say("web.asked_that_falls_free", wish_scope=wish_scope(wish), char=char)


def advice_shown(advised: Advised) -> dict[str, Any]:
    """What the page of a recommendation shows."""
    rec, material = advised.recommendation, advised.region.sheet.material
    return {
        "stated": stated_words(rec, material) if rec else "",
        "margins": margin_lines(rec, material) if rec else (),
        "notes": rec.notes if rec else (),
        "burns": counted_burns(advised.region.burns),
    }


def history_rows(lines: Sequence[HistoryLine], material: str) -> list[dict[str, Any]]:
    """All that was recorded of a pair, newest first."""
    return [
        {
            "when": date_words(line.at),
            "id": line.id,
            "board": line.board,
            "cell": line.cell,
            "what": _heard(line, material),
            "why": line.why,
            "gone": line.superseded,
        }
        for line in reversed(lines)
    ]


def _heard(line: HistoryLine, material: str) -> str:
    """What was recorded; of what isn't read off a board also what kind of thing it is."""
    if line.reading:
        return reading_words(line.reading, material) or line.text
    kind = line.kind.replace("_", " ")
    return line.text if line.board or line.text.startswith(kind) else f"{kind}: {line.text}"


def track_shown(record: Any) -> dict[str, Any]:
    """What the page of the track record shows."""
    return {
        "record": record,
        "why": "",
        "picture": track_svg(record.rows),
        "rows": [
            (show_percent(row.stated), show_percent(row.came),
             f"{100 * row.low:.0f} to {show_percent(row.high)}", str(row.count))
            for row in record.rows
        ],
    }  # fmt: skip


def track_svg(rows: Sequence[Any]) -> str:
    """Draw stated chances against shares that came, each with its interval."""
    lowest = min([0.8, *(row.low for row in rows), *(row.stated for row in rows)])
    start = max(0.0, math.floor(10.0 * lowest - 0.3) / 10.0)
    left, foot, size = 46.0, 300.0, 280.0

    def at(share: float) -> float:
        return float(size * (share - start) / (1.0 - start))

    ticks = [start + n * (1.0 - start) / 5.0 for n in range(6)]
    drawn = [
        f'<path class="even" d="M{left:g} {foot:g}L{left + size:g} {foot - size:g}"/>',
        f'<path class="frame" d="M{left:g} {foot - size:g}V{foot:g}H{left + size:g}"/>',
    ]
    for tick in ticks:
        along, up, words = left + at(tick), foot - at(tick), f"{100.0 * tick:.0f}"
        drawn.append(f'<text x="{along:.1f}" y="{foot + 16:g}">{words}</text>')
        drawn.append(f'<text class="end" x="{left - 6:g}" y="{up + 4:.1f}">{words}</text>')
    drawn.append(f'<text x="{left + size / 2:g}" y="{foot + 34:g}">stated [%]</text>')
    upright = f'transform="translate(12 {foot - size / 2:g}) rotate(-90)"'
    drawn.append(f"<text {upright}>came out [%]</text>")
    for row in rows:
        x, low, high = left + at(row.stated), foot - at(row.low), foot - at(row.high)
        y = foot - at(row.came)
        drawn.append(f'<path class="within" d="M{x:.1f} {low:.1f}V{high:.1f}"/>')
        stated, came = show_percent(row.stated), show_percent(row.came)
        title = say("web.stated_came", stated=stated, came=came, count=row.count)
        drawn.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5"><title>{title}</title></circle>')
    words = say("web.stated_chances_against_shares_that_came")
    head = f'<svg class="chart" viewBox="0 0 340 340" role="img" aria-label="{words}">'
    return f"{head}{''.join(drawn)}</svg>"
