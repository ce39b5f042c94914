"""The wattage table on one printed page, each interval drawn to scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from calib.advice.wattage_table import (
    HOW_TO_CONFIRM,
    WattageRow,
    WattageTable,
    all_cautions,
    headline,
    shown_speed,
)
from calib.errors import InvalidRecord
from calib.print_style import (
    Drawing,
    gap,
    letters,
    one_page,
    room_mm,
    table,
    words,
)
from calib.texts.say import say

_ROW_MM = 8.0
_COLUMNS_MM = (20.0, 20.0, 22.0, 30.0)
# Where the scale begins and ends, from its column's left [mm].
_SCALE_MM = (6.0, 94.0)
_TICKS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


def wattage_page(found: WattageTable, *, paper: str = "a4") -> bytes:
    """Draw the table on one page.

    Raises InvalidRecord when the paper isn't known, or there are more rows than it holds.
    """
    room_mm(paper)
    page = one_page(
        paper,
        headline(found),
        (
            [
                words(headline(found), 15.0),
                gap(1.0),
                words(found.basis, 10.0),
                gap(5.0),
                _rows(found.rows),
                *_list(say("advice.not_yet_tried_on_your_machine"), HOW_TO_CONFIRM, size),
                *_list(say("advice.cautions_before_and_while_you_burn"), all_cautions(found), size),
            ]
            for size in (8.5, 7.0, 5.5)
        ),
    )
    if page is None:
        raise InvalidRecord(say("advice.table_has_rows", count=len(found.rows)))
    return page


def _list(title: str, texts: Sequence[str], size_pt: float) -> list[Any]:
    parts: list[Any] = [gap(4.0), words(title, 10.0, bold=True)]
    for text in texts:
        parts += [gap(0.8), words(text, size_pt, bullet="•")]
    return parts


def _rows(rows: Sequence[WattageRow]) -> Any:
    low, high = _span(rows)
    shown = [tick for tick in _TICKS if low <= tick <= high]

    def place(speed: float) -> float:
        """Where a speed lies on the scale [mm]."""
        share = math.log(max(speed, low) / low) / math.log(high / low)
        return _SCALE_MM[0] + share * (_SCALE_MM[1] - _SCALE_MM[0])

    def bar(row: WattageRow) -> Drawing:
        def draw(canvas: Any) -> None:
            canvas.setLineWidth(0.15)
            canvas.setStrokeGray(0.6)
            canvas.setDash([0.8, 0.8])
            for tick in shown:
                canvas.line(place(tick), 0.0, place(tick), _ROW_MM)
            canvas.setStrokeGray(0.0)
            canvas.setDash()
            canvas.setLineWidth(0.7)
            middle, ends = _ROW_MM / 2.0, (place(row.slowest_mm_s), place(row.fastest_mm_s))
            canvas.line(ends[0], middle, ends[1], middle)
            for end in ends:
                canvas.line(end, middle - 1.4, end, middle + 1.4)
            canvas.circle(place(row.speed_mm_s), middle, 1.5, stroke=0, fill=1)

        return Drawing((_SCALE_MM[1], _ROW_MM), draw)

    def figures(canvas: Any) -> None:
        for tick in shown:
            letters(canvas, (place(tick), 3.6), f"{tick:g}", 8.5, align="middle")

    heads = (
        "rated W",
        "power %",
        say("advice.start"),
        "9 of 10 within",
        say("advice.speed_start_marked"),
    )
    lines: list[list[Any]] = [[words(head, 8.5, bold=True) for head in heads]]
    for row in rows:
        within = f"{shown_speed(row.slowest_mm_s)} to {shown_speed(row.fastest_mm_s)}"
        # A note runs on below the figures of its row.
        note = [table([[words(row.note)]], [sum(_COLUMNS_MM)])] if row.note else []
        lines.append([
            [words(f"{row.rated_w:g}", 10.5), *note],
            words(f"{row.power_pct:g}", 10.5),
            words(shown_speed(row.speed_mm_s), 10.5, bold=True),
            words(within, 10.5),
            bar(row),
        ])  # fmt: skip
    lines.append(["", "", "", "", Drawing((_SCALE_MM[1], 5.0), figures)])
    return table(
        lines,
        [*_COLUMNS_MM, _SCALE_MM[1]],
        ("LINEBELOW", (0, 0), (-1, 0), 1.0, "black"),
        ("LINEBELOW", (0, 1), (-1, -3), 0.3, (0.7, 0.7, 0.7)),
        ("LINEBELOW", (0, -2), (-1, -2), 1.0, "black"),
        heights_mm=[5.0, *[_ROW_MM] * len(rows), 5.0],
    )


def _span(rows: Sequence[WattageRow]) -> tuple[float, float]:
    """Ends of the scale: round ticks around everything, not below 0.1 mm/s."""
    low = max(min(row.slowest_mm_s for row in rows), _TICKS[0])
    high = max(row.fastest_mm_s for row in rows)
    below = [tick for tick in _TICKS if tick <= low * 1.0001]
    above = [tick for tick in _TICKS if tick >= high]
    return (below[-1] if below else _TICKS[0]), (above[0] if above else high)
