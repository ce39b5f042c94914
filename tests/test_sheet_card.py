"""The card for the wall: one page, everything on it readable, due when something changed."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader
from scipy.stats import binom
from shell import MACHINE, Shell
from visitor import house_of

from calib.advice.sheet_card import CAUTIONS, CardSetting, SheetCard, sheet_card
from calib.errors import InvalidRecord
from calib.fit.region import Region
from calib.logbook import Book, open_book
from calib.records import Burn, Machine, Setting, Sheet
from calib.tasks import cards
from calib.tasks.advice import advise, keep
from calib.tasks.cards import (
    CHECK_DAYS,
    most_misses,
    sheet_card_files,
    sheet_card_of_pair,
)
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import RegionWish

BENCH = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0, lot="March")
CUT = CardSetting(
    operation="cut",
    setting=Setting(power_pct=80.0, speed_mm_s=15.6),
    facts=("Spare energy 18 %.", "Kept 2026-03-01."),
)
CARD = SheetCard(
    sheet=BIRCH, machine=BENCH, settings=(CUT,), check_again=("With each new lot.",),
    assumed=("It is 3 mm thick.",), made="2026-03-02",
)  # fmt: skip
NOW = datetime.now(tz=UTC) + timedelta(hours=12)


def page_text(content: bytes) -> str:
    """Words of a PDF of one page, as a reader of its text finds them."""
    reader = PdfReader(BytesIO(content))
    assert len(reader.pages) == 1
    return " ".join(reader.pages[0].extract_text().split())


def test_everything_stands_on_one_page() -> None:
    text = page_text(sheet_card(CARD))
    for words in (
        "birch 3", "birch plywood, 3 mm, thickness not measured, lot March", "made 2026-03-02",
        "bench, 60 W CO2 laser, lens not known", "CUT", "80 %", "15.6 mm/s", "1 pass",
        "936 mm/min", "Spare energy 18 %.", "With each new lot.", "It is 3 mm thick.",
        "focus ____", "lens ____", *CAUTIONS,
    ):  # fmt: skip
        assert words in text, words
    assert "CHECK BEFORE YOU USE IT" not in text
    diode = dataclasses.replace(CARD, machine=dataclasses.replace(BENCH, source="diode"))
    assert "wears eyewear marked for" in page_text(sheet_card(diode))


def test_what_is_due_stands_out() -> None:
    due = dataclasses.replace(CUT, due=("The lot is another one.",))
    text = page_text(sheet_card(dataclasses.replace(CARD, settings=(due,))))
    assert "CHECK BEFORE YOU USE IT The lot is another one." in text


def test_three_operations_and_long_words_still_fit_in_smaller_type() -> None:
    mark = dataclasses.replace(
        CUT,
        operation="area_mark",
        setting=Setting(power_pct=20.0, speed_mm_s=300.0, passes=2, line_pitch_mm=0.1),
        due=("Why. " * 20,),
    )
    line = dataclasses.replace(CUT, operation="line_mark")
    card = dataclasses.replace(
        CARD,
        sheet=dataclasses.replace(BIRCH, name="Bogen " * 30, lot="x" * 180),
        settings=(CUT, line, mark),
        assumed=("Something was assumed of it. " * 6,) * 10,
    )
    text = page_text(sheet_card(card))
    assert "AREA MARK" in text
    assert "LINE MARK" in text
    assert "lines 0.1 mm apart" in text
    assert text.count("Something was assumed of it.") == 60


def test_a_card_without_settings_or_with_too_many_words_is_refused() -> None:
    with pytest.raises(InvalidRecord, match=r"There is no setting to put on the card"):
        dataclasses.replace(CARD, settings=())
    crowded = dataclasses.replace(CARD, assumed=("Something. " * 2000,))
    with pytest.raises(InvalidRecord, match=r"220\d\d characters of small print"):
        sheet_card(crowded)


@pytest.mark.parametrize("chance", [0.5, 0.9, 0.96, 0.99, 0.999])
@pytest.mark.parametrize("whole", [10, 50])
def test_more_misses_than_allowed_are_rare_while_the_chance_holds(
    chance: float, whole: int
) -> None:
    assert most_misses(chance, whole) == binom.ppf(0.99, whole, 1.0 - chance)


@pytest.fixture
def book(evening: Shell, fitted: dict[str, Region]) -> Iterator[Book]:
    """A logbook with burns and a kept setting."""
    with open_book(evening.book) as opened:
        pair = OpenPair(opened)
        pair.region = fitted["cut"]
        keep(pair, advise(pair, RegionWish(reliability=0.9)), when=NOW, note="for the big order")
        yield opened


@pytest.fixture(scope="module")
def fitted(stocked: Path) -> dict[str, Region]:
    """Regions of the stocked logbook, fitted once."""
    with open_book(stocked) as book:
        return {word: OpenPair(book, operation=word).region for word in ("cut", "line_mark")}


@pytest.fixture
def quick(book: Book, fitted: dict[str, Region], monkeypatch: pytest.MonkeyPatch) -> Book:
    """The same logbook, whose regions aren't fitted anew for each card."""

    def region(pair: OpenPair) -> Region:
        now = {"machine": pair.machine, "sheet": pair.sheet}
        return dataclasses.replace(fitted[pair.operation], **now)

    monkeypatch.setattr(OpenPair, "region", property(region))
    monkeypatch.setattr(cards, "doubled_scatter", lambda region: region)
    return book


def days(number: float) -> datetime:
    return NOW + timedelta(days=number)


def test_a_card_holds_what_the_logbook_knows(book: Book) -> None:
    card = sheet_card_of_pair(OpenPair(book), when=days(1))
    (entry,) = card.settings
    assert entry.setting == book.kept()[0].setting
    facts = " ".join(entry.facts)
    assert re.search(
        r"Stated when it was kept: chance 9\d\.\d % that the next coupon on this sheet falls", facts
    )
    assert re.search(r"By all burns to this day \(24 burns\): chance 9\d\.\d %, margin", facts)
    assert "Note: for the big order" in facts
    assert f"Kept {NOW:%Y-%m-%d}, lot not named" in facts
    assert entry.due == ()
    assert card.check_again[0].startswith(f"On {days(CHECK_DAYS):%Y-%m-%d} at the latest")
    assert any("of 50 parts need a push" in words for words in card.check_again)
    assert "The sheet is taken to be 3 mm thick." in card.assumed
    assert any("twice as uneven" in words for words in card.assumed)
    margin = re.search(
        r"margin (\d+) % of energy: half of the coupons still fall at (\d+) %", facts
    )
    assert margin
    # A margin m of energy survives a loss of m / (1 + m).
    energy, power = (int(part) / 100.0 for part in margin.groups())
    assert power == pytest.approx(energy / (1.0 + energy), abs=0.012)
    assert math.isfinite(energy)


def test_a_chance_that_fell_since_it_was_kept_makes_it_due(book: Book) -> None:
    (kept,) = book.kept()
    parts = Burn(
        operation="cut",
        **dataclasses.asdict(kept.setting),
        through="hanging",
        count=12,
        source="job",
    )
    book.add_job("bench", "birch 3", [parts], when=days(1))
    (entry,) = sheet_card_of_pair(OpenPair(book), when=days(2)).settings
    (due,) = [words for words in entry.due if "ask for a setting anew" in words]
    told = re.findall(r"its chance is ([\d.]+) %, not ([\d.]+) %:", due)
    now, stated = (float(chance) for chance in told[0])
    assert 1.0 - now > 2.0 * (1.0 - stated)


def test_what_has_changed_since_makes_it_due(quick: Book) -> None:
    book = quick
    sheet = book.sheet("birch 3")
    book.add_sheet(dataclasses.replace(sheet, lot="May", measured_mm=3.2), when=days(1))
    book.change_setup("bench", when=days(2), what="lens", lens_mm=50.8)
    book.change_setup("bench", when=days(3), what="other", ceiling_pct=30.0)
    (entry,) = sheet_card_of_pair(OpenPair(book), when=days(4)).settings
    assert entry.due == (
        "It was kept before the lot had a name; now it is lot May.",
        "The sheet measures 3.2 mm now; then it was not measured.",
        f"The machine was changed since (lens, {days(2):%Y-%m-%d}).",
        f"Its {entry.setting.power_pct:g} % lie above the machine's power ceiling of 30 %.",
    )
    book.undo(when=days(4), machine="bench")
    (entry,) = sheet_card_of_pair(OpenPair(book), when=days(4)).settings
    assert [words for words in entry.due if "machine" in words] == [
        f"The machine was changed since (lens, {days(2):%Y-%m-%d})."
    ]


def test_a_setting_that_was_long_not_used_is_due_until_it_was_checked(quick: Book) -> None:
    book = quick
    late = days(CHECK_DAYS + 1)
    (entry,) = sheet_card_of_pair(OpenPair(book), when=late).settings
    assert entry.due == (f"It was last kept or run on {NOW:%Y-%m-%d}.",)
    burn = book.burns("bench", "birch 3", "cut")[0]
    run = dataclasses.replace(burn, source="check_strip")
    book.add_job("bench", "birch 3", [run], when=days(CHECK_DAYS))
    card = sheet_card_of_pair(OpenPair(book), when=late)
    assert card.settings[0].due == ()
    assert f"On {days(2 * CHECK_DAYS):%Y-%m-%d}" in card.check_again[0]


def test_the_commands_show_and_print_it(evening: Shell) -> None:
    found = evening.json("keep", "birch 3", "--reliability", "0.9")["kept"]
    said = evening.json("sheet", "card", "birch 3", "--into", "cards")
    assert said["file"] == str(Path("cards") / "card-birch-3-on-bench.pdf")
    assert said["card"]["settings"][0]["setting"] == found["setting"]
    text = page_text((evening.folder / said["file"]).read_bytes())
    assert f"{found['setting']['speed_mm_s']:g} mm/s" in text
    assert "CHECK AGAIN" in text


def test_names_that_are_no_file_names_are_spelt_otherwise() -> None:
    sheet = dataclasses.replace(BIRCH, name="../Eiche 3/4 “roh”")
    (name,) = sheet_card_files(dataclasses.replace(CARD, sheet=sheet))
    assert name == "card-eiche-3-4-roh-on-bench.pdf"


def test_a_machine_has_one_card_with_all_its_sheets(shell: Shell) -> None:
    shell.run(*MACHINE)
    assert "keep a setting first" in shell.refusal("machine", "show", "--card")
    for number in range(24):
        shell.run("sheet", "add", f"birch {number}", "--material", "birch plywood",
                  "--thickness", "3")  # fmt: skip
        with open_book(shell.book) as book:
            setting = Setting(power_pct=70.0, speed_mm_s=10.0 + number)
            book.keep("bench", f"birch {number}", "cut", setting, when=NOW)
    shell.run("sheet", "change", "birch 3", "--measured", "2.8")
    assert "card-bench.pdf" in shell.text("machine", "show", "bench", "--card", "--into", "cards")
    text = page_text((shell.folder / "cards" / "card-bench.pdf").read_bytes())
    for number in range(24):
        assert f"birch {number} " in text
        assert f"70 %, {10 + number} mm/s, 1 pass {60 * (10 + number)}" in text
    assert all(words in text for words in CAUTIONS)
    with house_of(shell.book) as house:
        page = house.guest().get("/card", params={"machine": "bench", "every": "yes"})
    assert page_text(page.content).startswith("bench ")
