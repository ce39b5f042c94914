"""Printed pages and the wattage table: whether anything of them has changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from boards import CO2, DIODE
from kept_results import same_as_kept

import calib
from calib.advise import sheet_card as card_room
from calib.advise import wattage_page as page_room
from calib.advise.sheet_card import (
    CardSetting,
    SheetCard,
    lot_words,
    machine_words,
    sheet_card,
    sheet_words,
)
from calib.advise.wattage_page import wattage_page
from calib.advise.wattage_table import (
    WATTAGES,
    WattageRow,
    WattageTable,
    headline,
    shown_speed,
    somebodys_machine,
    wattage_csv,
    wattage_table,
    wattage_text,
)
from calib.errors import InvalidRecord
from calib.print_style import PrintPage
from calib.records import Burn, Setting, Sheet

# A word whose lines end within a fraction of a millimetre of their room.
NARROW = "i" * 190
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0, lot="March")


def refusal(call: Callable[[], object]) -> str:
    """What is said when something is refused."""
    try:
        call()
    except InvalidRecord as refused:
        return str(refused)
    raise AssertionError("nothing was refused")


# ------------------------------------------------------------------------------ what is drawn


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Lines that name each thing drawn on the page last begun, in order."""
    said: list[str] = []

    class Recorder(PrintPage):
        def __init__(self, paper: str, title: str) -> None:
            said[:] = [f"page {paper} {title}"]
            super().__init__(paper, title)

    def recorded(name: str) -> Callable[..., Any]:
        true = getattr(PrintPage, name)

        def call(page: PrintPage, *given: Any, **named: Any) -> Any:
            told = [*_told(given), *(f"{key}={'/'.join(_told(named[key]))}" for key in named)]
            said.append(" ".join([name, *told]))
            return true(page, *given, **named)

        return call

    for name in ("pen", "text", "line", "box", "dot"):
        setattr(Recorder, name, recorded(name))
    for room in (card_room, page_room):
        monkeypatch.setattr(room, "PrintPage", Recorder)
    return said


def _told(value: Any) -> list[str]:
    if isinstance(value, tuple | list):
        return [words for inner in value for words in _told(inner)]
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return [f"{round(value, 4):g}" if number else str(value)]


# ------------------------------------------------------------------------------ wattage page


def row(low: float, start: float, high: float, **more: Any) -> WattageRow:
    given = {"rated_w": 40.0, "power_pct": 80.0} | more
    return WattageRow(speed_mm_s=start, slowest_mm_s=low, fastest_mm_s=high, **given)


ROWS = (
    row(0.02, 0.4, 3.0, rated_w=10.0, note="too weak for one pass"),
    row(0.6, 2.0, 7.5, rated_w=20.0, note="may be too weak for one pass"),
    row(4.0, 9.96, 31.0),
    row(40.0, 101.0, 400.0, rated_w=130.0, power_pct=62.5),
)
TABLE = WattageTable(
    sheet=BIRCH,
    source="co2",
    operation_words="cut",
    basis="Carried over from 9 burns on one 60 W machine.",
    rows=ROWS,
    cautions=("Glue between the veneers flares up: watch it until it is cold. " * 2,),
)


def test_a_page_of_wattages_is_drawn_as_it_was(drawn: list[str]) -> None:
    wattage_page(TABLE)
    pages = [list(drawn)]
    few = replace(TABLE, rows=(ROWS[2],), source="diode", operation_words="line mark", cautions=())
    wattage_page(few, paper="letter")
    pages.append(list(drawn))
    wattage_page(replace(TABLE, sheet=replace(BIRCH, name=NARROW), basis=NARROW, rows=ROWS[2:]))
    same_as_kept("wattage_pages", [*pages, list(drawn)])


def test_the_scale_ends_at_round_ticks_around_everything() -> None:
    ticks = page_room._TICKS
    spans = {}
    for low, high in zip(ticks, ticks[1:], strict=False):
        for share in (0.999, 1.0, 1.00005, 1.001):
            spans[f"{low * share:g} to {high * share:g}"] = page_room._span((
                row(low * share, low, high * share),
            ))
    same_as_kept("wattage_spans", spans)


def test_speeds_lie_on_a_logarithmic_scale() -> None:
    places = [page_room._place(speed, 1.0, 100.0) for speed in (0.5, 1.0, 10.0, 100.0)]
    assert places[0] == places[1] == 9.0 + 98.0
    assert places[2] == pytest.approx((places[1] + places[3]) / 2.0)
    assert places[3] == pytest.approx(9.0 + 186.0)


# ------------------------------------------------------------------------------ card


CUT = CardSetting(
    operation="cut",
    setting=Setting(power_pct=80.0, speed_mm_s=15.6),
    facts=("Spare energy 18 %.", "Settled 2026-03-01."),
)
LINE = CardSetting(
    operation="line_mark",
    setting=Setting(power_pct=12.5, speed_mm_s=333.3),
    facts=(),
    due=("The lot is another one.", "The lens was changed since, and it matters. " * 4),
)
AREA = CardSetting(
    operation="area_mark",
    setting=Setting(power_pct=20.0, speed_mm_s=0.12345, passes=2, line_pitch_mm=0.1),
    facts=("Promised: about 3 in 10 come out as wanted. " * 5,),
)
CARD = SheetCard(
    sheet=BIRCH, machine=CO2, settings=(CUT,), check_again=("With each new lot.",),
    assumed=("It is a CO2 laser.",), advice=("Glue flares.",), made="2026-03-02",
)  # fmt: skip


def test_cards_are_drawn_as_they_were(drawn: list[str]) -> None:
    pages = []
    wide = replace(BIRCH, name="Multiplex Birke, geschliffen", measured_mm=3.15, lot="")
    for card, paper in (
        (CARD, "a4"),
        (replace(CARD, settings=(CUT, LINE, AREA), sheet=wide, machine=DIODE), "letter"),
        (
            replace(
                CARD,
                settings=(replace(LINE, facts=(NARROW,), due=(NARROW,)),),
                sheet=replace(BIRCH, name=NARROW),
                assumed=(NARROW,),
                made=NARROW,
            ),
            "a4",
        ),
        (replace(CARD, settings=(AREA, LINE), assumed=(), check_again=(), advice=()), "a4"),
    ):
        sheet_card(card, paper=paper)
        pages.append([line for line in drawn if "CAUTION" not in line])
    same_as_kept("cards", pages)


def test_the_smaller_the_print_the_shorter_the_card(drawn: list[str]) -> None:
    """A card is set in the largest print with which it ends above the margin."""
    card = replace(CARD, assumed=("word " * 1500,), settings=(CUT, LINE))
    below = {pt: card_room._drawn(PrintPage("a4", "card"), card, pt) for pt in card_room._SMALL_PT}
    assert list(below.values()) == sorted(below.values(), reverse=True)
    sheet_card(card)
    size = next(line.split()[-2] for line in drawn if "ASSUMED" in line)
    assert size == f"{next(pt for pt, y in below.items() if y <= 297.0 - 9.0):g}"
    same_as_kept("card_sizes", below)
    crowded = replace(card, assumed=("word " * 9000,), check_again=("a",), advice=("bc",))
    assert "has 45003 characters" in refusal(lambda: sheet_card(crowded))


@pytest.mark.parametrize("sizes", ["_BIG_PT", "_TITLE_PT"])
def test_what_is_typed_in_stands_in_the_largest_type_that_fits(sizes: str) -> None:
    every = getattr(card_room, sizes)
    found = [card_room._largest("8" * n, every, 192.0) for n in range(1, 80)]
    assert found == sorted(found, reverse=True)
    assert card_room._largest("8", every, card_room.text_width_mm("8", 99.0, bold=True)) == every[0]
    same_as_kept(f"card{sizes.lower()}", {f"{s:g}": found.count(s) for s in sorted(set(found))})


def test_sheets_lots_and_machines_are_named_in_words() -> None:
    same_as_kept(
        "card_words",
        [
            sheet_words(BIRCH),
            sheet_words(replace(BIRCH, measured_mm=3.15, lot="")),
            lot_words("a"),
            lot_words(""),
            machine_words(CO2),
            machine_words(replace(DIODE, lens_mm=38.1)),
        ],
    )


# ------------------------------------------------------------------------------ wattage table


def burnt() -> calib.Region:
    cuts = ((80.0, 24.0, "no"), (80.0, 20.0, "hanging"), (80.0, 16.0, "through"),
            (60.0, 16.0, "no"), (60.0, 10.0, "through"), (40.0, 7.0, "through"))  # fmt: skip
    burns = [Burn(operation="cut", power_pct=p, speed_mm_s=v, through=t) for p, v, t in cuts]
    return calib.fit_region(CO2, BIRCH, evidence=burns)


def test_a_table_of_wattages_is_as_it_was() -> None:
    table = wattage_table(burnt(), (150.0, 30.0, 6.0, 30.0))
    assert [entry.rated_w for entry in table.rows] == [6.0, 30.0, 150.0]
    given = [headline(table), table.basis, table.rows, table.cautions, wattage_csv(table)]
    same_as_kept("wattage_table", [*given, wattage_text(table).splitlines(), WATTAGES])


def test_a_row_of_a_weak_and_of_a_strong_machine_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limits of each note, with starts just at, below and above them."""
    from calib.advise import wattage_table as room

    region = calib.fit_region(CO2, BIRCH)
    monkeypatch.setattr(room, "transfer_region", lambda region, machine, pool: region)
    top = CO2.max_speed_mm_s
    starts = [(0.9, 0.99, 1.5), (0.9, 1.0, 1.5), (1.0, 1.0, 1.5), (0.5, 1.5, 2.9), (1.0, 1.5, top),
              (1.0, 1.5, 0.999 * top), (0.1, 0.2, top)]  # fmt: skip
    notes = {}
    for low, start, high in starts:
        found = calib.StartingPoint(
            region=region, setting=Setting(power_pct=90.0, speed_mm_s=start), slowest_mm_s=low,
            fastest_mm_s=high, reliability=0.99, chance=0.7, notes=(),
        )  # fmt: skip
        monkeypatch.setattr(room, "expected_start", lambda other, found=found: found)
        notes[f"{low:g}, {start:g}, {high:g}"] = room._row(region, 30.0, None).note
    same_as_kept("wattage_notes", notes)


def test_what_a_table_needs_is_said_and_its_words_are_as_they_were() -> None:
    region = burnt()
    said = [
        refusal(lambda: wattage_table(replace(region, burns=()))),
        refusal(lambda: wattage_table(region, ())),
        somebodys_machine(DIODE, 12.5),
        [shown_speed(v) for v in (0.0999, 0.1, 0.14, 9.94, 9.96, 10.0, 10.6, 432.1)],
        headline(replace(TABLE, source="diode", operation_words="area mark")),
        wattage_text(replace(TABLE, rows=ROWS[:2], cautions=())).splitlines()[:6],
    ]
    same_as_kept("wattage_words", said)
