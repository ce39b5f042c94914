"""The wattage table on one printed page, each interval drawn to scale."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.advice.wattage_table import (
    HOW_TO_CONFIRM,
    WattageRow,
    WattageTable,
    all_cautions,
    headline,
    shown_speed,
)
from calib.print_style import MARGIN_MM, PrintPage, line_height_mm, wrap

_TITLE_PT, _TEXT_PT, _TABLE_PT, _SMALL_PT = 15.0, 10.0, 10.5, 8.5
_ROW_MM = 8.0
# Left edges of the columns, and where the scale begins and ends, from the margin [mm].
_COLUMNS_MM = (0.0, 20.0, 40.0, 62.0)
_SCALE_MM = (98.0, 186.0)
_TICKS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


def wattage_page(table: WattageTable, *, paper: str = "a4") -> bytes:
    """Draw the table on one page."""
    page = PrintPage(paper, headline(table))
    room = page.width_mm - 2.0 * MARGIN_MM
    y = MARGIN_MM + 2.0
    y = page.lines((MARGIN_MM, y), wrap(headline(table), room, _TITLE_PT), _TITLE_PT)
    y = page.lines((MARGIN_MM, y + 1.0), wrap(table.basis, room, _TEXT_PT), _TEXT_PT)
    y = _drawn_rows(page, table.rows, y + 5.0)
    y = _paragraphs(page, y + 5.0, "Not yet tried on your machine", HOW_TO_CONFIRM)
    _paragraphs(page, y + 3.0, "CAUTIONS, before and while you burn", all_cautions(table))
    return page.finish()


def _paragraphs(page: PrintPage, y: float, title: str, texts: Sequence[str]) -> float:
    """Set a heading and texts below each other; return the y below them [mm]."""
    room = page.width_mm - 2.0 * MARGIN_MM - 4.0
    y = page.lines((MARGIN_MM, y), [""], 1.0)
    page.text((MARGIN_MM, y + 3.5), title, _TEXT_PT, bold=True)
    y += line_height_mm(_TEXT_PT) + 1.0
    for text in texts:
        page.dot((MARGIN_MM + 1.2, y + 1.9), 0.6)
        y = page.lines((MARGIN_MM + 4.0, y), wrap(text, room, _SMALL_PT), _SMALL_PT) + 0.8
    return y


def _drawn_rows(page: PrintPage, rows: Sequence[WattageRow], y: float) -> float:
    """Set the table with its scale; return the y below it [mm]."""
    low, high = _span(rows)
    heads = ("rated W", "power %", "start mm/s", "9 of 10 within")
    for x, head in zip(_COLUMNS_MM, heads, strict=True):
        page.text((MARGIN_MM + x, y), head, _SMALL_PT, bold=True)
    page.text((MARGIN_MM + _SCALE_MM[0], y), "speed [mm/s], start marked", _SMALL_PT, bold=True)
    y += 2.5
    page.pen(0.35)
    page.line((MARGIN_MM, y), (MARGIN_MM + _SCALE_MM[1], y))
    bottom = y + _ROW_MM * len(rows)
    page.pen(0.15, grey=0.6, dash_mm=(0.8, 0.8))
    shown = [tick for tick in _TICKS if low <= tick <= high]
    for tick in shown:
        page.line((_place(tick, low, high), y), (_place(tick, low, high), bottom))
    for row in rows:
        _drawn_row(page, row, y, (low, high))
        y += _ROW_MM
    for tick in shown:
        at = (_place(tick, low, high), bottom + 3.6)
        page.text(at, f"{tick:g}", _SMALL_PT, align="middle")
    page.pen(0.35)
    page.line((MARGIN_MM, bottom), (MARGIN_MM + _SCALE_MM[1], bottom))
    return bottom + 5.0


def _drawn_row(page: PrintPage, row: WattageRow, y: float, span: tuple[float, float]) -> None:
    base = y + 0.68 * _ROW_MM if not row.note else y + 0.48 * _ROW_MM
    within = f"{shown_speed(row.slowest_mm_s)} to {shown_speed(row.fastest_mm_s)}"
    texts = (f"{row.rated_w:g}", f"{row.power_pct:g}", shown_speed(row.speed_mm_s), within)
    for number, (x, text) in enumerate(zip(_COLUMNS_MM, texts, strict=True)):
        page.text((MARGIN_MM + x, base), text, _TABLE_PT, bold=number == 2)
    if row.note:
        page.text((MARGIN_MM + _COLUMNS_MM[0], y + 0.9 * _ROW_MM), row.note, 7.0)
    middle = y + 0.5 * _ROW_MM
    ends = [_place(speed, *span) for speed in (row.slowest_mm_s, row.fastest_mm_s)]
    page.pen(0.7)
    page.line((ends[0], middle), (ends[1], middle))
    for end in ends:
        page.line((end, middle - 1.4), (end, middle + 1.4))
    page.dot((_place(row.speed_mm_s, *span), middle), 1.5)
    page.pen(0.1, grey=0.7)
    page.line((MARGIN_MM, y + _ROW_MM), (MARGIN_MM + _SCALE_MM[1], y + _ROW_MM))


def _span(rows: Sequence[WattageRow]) -> tuple[float, float]:
    """Ends of the scale: round ticks around everything, not below 0.1 mm/s."""
    low = max(min(row.slowest_mm_s for row in rows), _TICKS[0])
    high = max(row.fastest_mm_s for row in rows)
    below = [tick for tick in _TICKS if tick <= low * 1.0001]
    above = [tick for tick in _TICKS if tick >= high]
    return (below[-1] if below else _TICKS[0]), (above[0] if above else high)


def _place(speed: float, low: float, high: float) -> float:
    """Where a speed lies on the scale, from the page's left [mm]."""
    share = (math.log(max(speed, low)) - math.log(low)) / (math.log(high) - math.log(low))
    return MARGIN_MM + _SCALE_MM[0] + share * (_SCALE_MM[1] - _SCALE_MM[0])
