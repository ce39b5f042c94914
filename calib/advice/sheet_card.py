"""The card for the wall: the settled settings of one sheet and machine on one printed page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.errors import InvalidRecord
from calib.hazards import sheet_cautions
from calib.print_style import (
    CAPITAL,
    MARGIN_MM,
    MM_PER_POINT,
    PAPERS_MM,
    PrintPage,
    line_height_mm,
    text_width_mm,
    wrap,
)
from calib.records import Machine, Operation, Setting, Sheet

# Type of the small print, best first; the last is hard to read from a step away.
_SMALL_PT = (14.0, 13.0, 12.0, 11.0, 10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0, 4.5)
_BIG_PT = (40.0, 34.0, 30.0, 26.0, 22.0, 18.0, 15.0, 12.0)
_TITLE_PT = (36.0, 30.0, 26.0, 22.0, 18.0, 15.0, 12.0)
_PAD_MM, _GAP_MM = 3.5, 4.0
_TITLES = {"cut": "CUT", "line_mark": "LINE MARK", "area_mark": "AREA MARK"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSetting:
    """One settled setting as it stands on the card."""

    # operation, setting: What is typed in for what
    operation: Operation
    setting: Setting
    # What is promised, the spare energy, when it was settled and for which lot, in sentences
    facts: tuple[str, ...]
    # Why it has to be checked before it is used again; empty when it hasn't
    due: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCard:
    """What stands on the card."""

    # sheet, machine: For whom it holds
    sheet: Sheet
    machine: Machine
    settings: tuple[CardSetting, ...]  # At least one
    check_again: tuple[str, ...]  # When each has to be checked again, in sentences
    assumed: tuple[str, ...]  # What was assumed, in sentences
    advice: tuple[str, ...]  # What the table of hazards says of the material
    made: str  # Day on which the card was made, such as ``2026-03-01``

    def __post_init__(self) -> None:
        if not self.settings:
            raise InvalidRecord("SheetCard.settings is (): settle on a setting first.")


def sheet_card(card: SheetCard, *, paper: str = "a4") -> bytes:
    """Set a card on one page.

    Raises InvalidRecord when the paper isn't known, or the words don't fit on a page even in small
    type.
    """
    if paper not in PAPERS_MM:
        raise InvalidRecord(f"paper is {paper!r}: give one of {', '.join(PAPERS_MM)}.")
    title = f"{card.sheet.name} on {card.machine.name}"
    for small_pt in _SMALL_PT:
        page = PrintPage(paper, title)
        if _drawn(page, card, small_pt) <= page.height_mm - MARGIN_MM:
            return page.finish()
    words = sum(len(text) for text in (*card.assumed, *card.advice, *card.check_again))
    raise InvalidRecord(
        f"the card of {title!r} has {words} characters of small print: that is more than one page"
        " holds; shorten the names, or print fewer operations."
    )


def _drawn(page: PrintPage, card: SheetCard, small_pt: float) -> float:
    """Draw everything from top to bottom; return the y below it [mm]."""
    y = _head(page, card, small_pt)
    for setting in card.settings:
        y = _block(page, setting, (y + _GAP_MM, small_pt), _BIG_PT[len(card.settings) - 1 :])
    y = _list(page, "CHECK AGAIN", card.check_again, y + _GAP_MM, small_pt)
    y = _list(page, "ASSUMED", card.assumed, y + _GAP_MM, small_pt)
    words = sheet_cautions(card.machine, card.advice)
    return _list(page, "CAUTIONS", words, y + _GAP_MM, small_pt)


def _room(page: PrintPage) -> float:
    return page.width_mm - 2.0 * MARGIN_MM


def _largest(text: str, sizes: Sequence[float], room_mm: float) -> float:
    """The largest type in which a text stands on one line, else the smallest [pt]."""
    fitting = [pt for pt in sizes if text_width_mm(text, pt, bold=True) <= room_mm]
    return max(fitting, default=min(sizes))


def _head(page: PrintPage, card: SheetCard, small_pt: float) -> float:
    sheet, room = card.sheet, _room(page)
    size = _largest(sheet.name, _TITLE_PT, room)
    y = MARGIN_MM
    for line in wrap(sheet.name, room, size, bold=True):
        y += size * CAPITAL * MM_PER_POINT
        page.text((MARGIN_MM, y), line, size, bold=True)
        y += 0.35 * line_height_mm(size)
    for text in (sheet_words(sheet), f"on {machine_words(card.machine)}", f"made {card.made}"):
        y = page.lines((MARGIN_MM, y), wrap(text, room, small_pt + 2.0), small_pt + 2.0)
    return y


def sheet_words(sheet: Sheet) -> str:
    """Name a sheet: material, thickness and lot.

    Examples
    --------
    >>> sheet_words(Sheet(name="b", material="birch plywood", thickness_mm=3.0, lot="March"))
    'birch plywood, 3 mm, thickness not measured, lot March'
    """
    measured = (
        "thickness not measured"
        if sheet.measured_mm is None
        else f"measured {sheet.measured_mm:g} mm"
    )
    return f"{sheet.material}, {sheet.thickness_mm:g} mm, {measured}, {lot_words(sheet.lot)}"


def lot_words(lot: str) -> str:
    """Name a lot, or say that it has no name."""
    return f"lot {lot}" if lot else "lot not named"


def machine_words(machine: Machine) -> str:
    """Name a machine with its watts and lens.

    Examples
    --------
    >>> machine_words(Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0),
    ...                       max_speed_mm_s=400.0))
    'bench, 60 W CO2 laser, lens not known'
    """
    source = {"co2": "CO2", "diode": "diode"}[machine.source]
    lens = "lens not known" if machine.lens_mm is None else f"lens {machine.lens_mm:g} mm"
    return f"{machine.name}, {machine.rated_w:g} W {source} laser, {lens}"


def _block(
    page: PrintPage, entry: CardSetting, place: tuple[float, float], sizes: Sequence[float]
) -> float:
    """Draw one setting in its frame, at a y [mm] and with a type [pt]; return the y below it."""
    (y, small_pt), x = place, MARGIN_MM + _PAD_MM
    top = y
    room = _room(page) - 2.0 * _PAD_MM
    y += _PAD_MM + (small_pt + 2.0) * CAPITAL * MM_PER_POINT
    page.text((x, y), _TITLES[entry.operation], small_pt + 2.0, bold=True)
    numbers = _numbers(entry.setting)
    size = _largest("   ".join(numbers), sizes, room)
    y += 3.0 + size * CAPITAL * MM_PER_POINT
    page.text((x, y), "   ".join(numbers), size, bold=True)
    y += 3.0
    y = page.lines((x, y), wrap(_other_units(entry.setting), room, small_pt), small_pt)
    for fact in entry.facts:
        y = page.lines((x, y), wrap(fact, room, small_pt), small_pt)
    if entry.due:
        y = _due(page, entry.due, (x, y + 1.5), small_pt)
    y += _PAD_MM - 1.0
    page.pen(0.5)
    page.box((MARGIN_MM, top), (_room(page), y - top), corner_mm=2.0)
    return y


def _numbers(setting: Setting) -> tuple[str, ...]:
    passes = "1 pass" if setting.passes == 1 else f"{setting.passes} passes"
    return f"{setting.power_pct:g} %", f"{setting.speed_mm_s:g} mm/s", passes


def _other_units(setting: Setting) -> str:
    words = f"{round(setting.speed_mm_s * 60.0, 3):g} mm/min"
    if setting.line_pitch_mm is None:
        return words
    return f"{words}; lines {setting.line_pitch_mm:g} mm apart"


def _due(page: PrintPage, due: Sequence[str], at_mm: tuple[float, float], small_pt: float) -> float:
    """Draw why a setting has to be checked first, beside a bar; return the y below it [mm]."""
    x, top = at_mm
    room = _room(page) - 2.0 * _PAD_MM - 4.0
    size = small_pt + 1.0
    base = top + size * CAPITAL * MM_PER_POINT
    page.text((x + 4.0, base), "CHECK BEFORE YOU USE IT", size, bold=True)
    y = base + 1.2
    for text in due:
        y = page.lines((x + 4.0, y), wrap(text, room, small_pt), small_pt)
    page.box((x, top - 0.5), (1.6, y - top + 0.5), fill_grey=0.0, stroke=False)
    return y


def _list(page: PrintPage, title: str, texts: Sequence[str], y: float, small_pt: float) -> float:
    """Set a heading and sentences below each other; return the y below them [mm]."""
    if not texts:
        return y
    y += small_pt * CAPITAL * MM_PER_POINT
    page.text((MARGIN_MM, y), title, small_pt, bold=True)
    y += 0.8
    room = _room(page) - 3.0
    for text in texts:
        page.dot((MARGIN_MM + 0.9, y + 0.62 * line_height_mm(small_pt)), 0.05 * small_pt)
        y = page.lines((MARGIN_MM + 3.0, y), wrap(text, room, small_pt), small_pt)
    return y
