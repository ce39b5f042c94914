"""Cards for the wall, a printed page each: a sheet on a machine, or all sheets of a machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from calib.errors import InvalidRecord
from calib.hazards import diode_cautions
from calib.print_style import (
    MM,
    framed,
    gap,
    one_page,
    room_mm,
    table,
    text_width_mm,
    words,
)
from calib.records import Machine, Operation, Setting, Sheet
from calib.texts.say import say

# Type of the small print, best first; the last is hard to read from a step away.
_SMALL_PT = (14.0, 12.0, 10.0, 9.0, 8.0, 7.0, 6.0, 5.0, 4.5)
_BIG_PT = (40.0, 34.0, 30.0, 26.0, 22.0, 18.0, 15.0, 12.0)
_TITLE_PT = (36.0, 30.0, 26.0, 22.0, 18.0, 15.0, 12.0)
# The usual cautions in short; in full they stand where something is planned or burnt.
CAUTIONS = (
    say("advice.stay_with_machine_from_first_burn"),
    say("advice.bed_clear_extraction_and_air"),
    say("advice.machines_manual_your_local_rules"),
)
_BLANKS = "focus ____________________     lens ____________________"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSetting:
    """One kept setting as it stands on the card."""

    # operation, setting: What is typed in for what
    operation: Operation
    setting: Setting
    # Its stated chance, the margin, when it was kept and for which lot, in sentences
    facts: tuple[str, ...]
    # Why it has to be checked before it is used again; empty when it hasn't
    due: tuple[str, ...] = ()
    failed: bool = False  # A proof failed at it: that stands large, and not the setting


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCard:
    """What stands on the card."""

    # sheet, machine: For whom it holds
    sheet: Sheet
    machine: Machine
    settings: tuple[CardSetting, ...]  # At least one
    check_again: tuple[str, ...]  # When each has to be checked again, in sentences
    assumed: tuple[str, ...]  # What was assumed that the chances hang on, in sentences
    made: str  # Day on which the card was made, such as ``2026-03-01``

    def __post_init__(self) -> None:
        if not self.settings:
            raise InvalidRecord(say("advice.sheetcard_settings"))


def sheet_card(card: SheetCard, *, paper: str = "a4") -> bytes:
    """Set a card on one page.

    Raises InvalidRecord when the paper isn't known, or the words don't fit on a page even in small
    type.
    """
    width, _ = room_mm(paper)
    title = f"{card.sheet.name} on {card.machine.name}"
    page = one_page(paper, title, (_parts(card, width, small_pt) for small_pt in _SMALL_PT))
    if page is None:
        count = sum(len(text) for text in (*card.assumed, *card.check_again))
        raise InvalidRecord(say("advice.card_of_has_characters_of_small", title=title, count=count))
    return page


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineCard:
    """What stands on the card of a machine: every kept setting, a line each."""

    machine: Machine
    # Sheet, what for, setting, speed in mm/min, chance, since when, what is to be checked first
    rows: tuple[tuple[str, ...], ...]
    made: str  # As on a sheet's card


def machine_card(card: MachineCard, *, paper: str = "a4") -> bytes:
    """Set the card of a machine on one page; raises as `sheet_card` does."""
    width, _ = room_mm(paper)
    page = one_page(paper, card.machine.name, (_lines(card, width, pt) for pt in _SMALL_PT[1:]))
    if page is None:
        raise InvalidRecord(say("advice.machines_card_has_lines", count=len(card.rows)))
    return page


def _lines(card: MachineCard, width: float, pt: float) -> list[Any]:
    name, shares = card.machine.name, (0.17, 0.08, 0.19, 0.12, 0.12, 0.14, 0.18)
    heads = ("sheet", "for", "setting", "mm/min", "chance, next", "kept", "check first")
    rows = [[words(text, pt, bold=True) for text in heads]]
    rows += [
        [words(text, pt, bold=column == 2) for column, text in enumerate(row)] for row in card.rows
    ]
    line = ("LINEBELOW", (0, 0), (-1, -1), 0.4, (0.6, 0.6, 0.6))
    room = [(f"{side}PADDING", (0, 0), (-1, -1), 1.5 * MM) for side in ("TOP", "BOTTOM", "RIGHT")]
    return [
        words(name, _largest(name, _TITLE_PT, width), bold=True),
        gap(1.0),
        words(machine_words(card.machine), pt + 1.0),
        words(say("advice.made", card=card), pt + 1.0),
        gap(4.0),
        table(rows, [share * width for share in shares], line, *room),
        gap(4.0),
        *(words(text, pt, bullet="•") for text in _cautions(card.machine)),
    ]


def _cautions(machine: Machine) -> tuple[str, ...]:
    return (*CAUTIONS, *diode_cautions(machine)[:1])


def _parts(card: SheetCard, width: float, small_pt: float) -> list[Any]:
    name = card.sheet.name
    parts: list[Any] = [words(name, _largest(name, _TITLE_PT, width), bold=True), gap(1.0)]
    for text in (
        sheet_words(card.sheet),
        f"on {machine_words(card.machine)}",
        say("advice.made", card=card),
    ):
        parts.append(words(text, small_pt + 2.0))
    for entry in card.settings:
        sizes = _BIG_PT[len(card.settings) - 1 :]
        parts += [gap(4.0), framed(_block(entry, width - 5.0, small_pt, sizes), width)]
    parts += [gap(5.0), words(_BLANKS, small_pt + 1.0)]
    for title, texts in (
        ("CHECK AGAIN", card.check_again),
        ("ASSUMED", card.assumed),
        ("CAUTIONS", _cautions(card.machine)),
    ):
        if texts:
            parts += [gap(4.0), words(title, small_pt, bold=True), gap(0.8)]
            parts += [words(text, small_pt, bullet="•") for text in texts]
    return parts


def _largest(text: str, sizes: Sequence[float], room_mm: float) -> float:
    """The largest type in which a text stands on one line, else the smallest [pt]."""
    fitting = [pt for pt in sizes if text_width_mm(text, pt, bold=True) <= room_mm]
    return max(fitting, default=min(sizes))


def sheet_words(sheet: Sheet) -> str:
    """Name a sheet: material, thickness and lot.

    Examples
    --------
    >>> sheet_words(Sheet(name="b", material="birch plywood", thickness_mm=3.0, lot="March"))
    'birch plywood, 3 mm, thickness not measured, lot March'
    """
    measured = (
        say("advice.thickness_not_measured")
        if sheet.measured_mm is None
        else say("advice.measured", sheet=sheet)
    )
    return f"{sheet.material}, {sheet.thickness_mm:g} mm, {measured}, {lot_words(sheet.lot)}"


def lot_words(lot: str) -> str:
    """Name a lot, or say that it has no name."""
    return f"lot {lot}" if lot else say("advice.lot_not_named")


def machine_words(machine: Machine) -> str:
    """Name a machine with its watts and lens.

    Examples
    --------
    >>> machine_words(Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0),
    ...                       max_speed_mm_s=400.0))
    'bench, 60 W CO2 laser, lens not known'
    """
    source = {"co2": "CO2", "diode": "diode"}[machine.source]
    lens = (
        say("advice.lens_not_known")
        if machine.lens_mm is None
        else say("advice.lens", machine=machine)
    )
    return say("advice.laser", machine=machine, source=source, lens=lens)


def _block(entry: CardSetting, width: float, small_pt: float, sizes: Sequence[float]) -> list[Any]:
    """One setting: its numbers in large type, its chance, and why it is to be checked."""
    setting = entry.setting
    passes = "1 pass" if setting.passes == 1 else say("advice.passes", setting=setting)
    numbers = f"{setting.power_pct:g} %   {setting.speed_mm_s:g} mm/s   {passes}"
    other_units = f"{round(setting.speed_mm_s * 60.0, 3):g} mm/min"
    if setting.line_pitch_mm is not None:
        other_units += say("advice.lines_apart", setting=setting)
    # Blanks that don't break keep the numbers apart.
    spaced = numbers.replace("   ", "\N{NO-BREAK SPACE}" * 3)
    if entry.failed:
        other_units, spaced = f"{numbers}, {other_units}", say("advice.proof_failed_dont_use")
    size = _largest(spaced, sizes, width)
    parts = [
        words(entry.operation.replace("_", " ").upper(), small_pt + 2.0, bold=True),
        words(spaced, size, bold=True),
        *(words(text, small_pt) for text in (other_units, *entry.facts)),
    ]
    if entry.due:
        said = [
            words("CHECK BEFORE YOU USE IT", small_pt + 1.0, bold=True),
            *(words(text, small_pt) for text in entry.due),
        ]
        bar = ("BACKGROUND", (0, 0), (0, 0), "black")
        parts += [gap(1.5), table([["", "", said]], [1.6, 2.4, width - 4.0], bar)]
    return parts
