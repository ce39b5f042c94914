"""Whether a kept setting is current: asked before it is kept, said where it stands."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from shell import Shell
from visitor import House, house_of
from workshop_records import ADVICE, BENCH, BIRCH, SETTING, later

from calib.advice.recommendation import Recommendation
from calib.errors import InvalidRecord, NeedsYes
from calib.logbook import Book, open_book
from calib.records import Advice, Burn
from calib.tasks.advice import Advised, keep, record_job
from calib.tasks.library import fit_region
from calib.tasks.pairs import KeptSetting, OpenPair, kept_settings
from calib.tasks.wishes import JobCounts, RegionWish

MAY = dataclasses.replace(BIRCH, lot="May")
JOB = dataclasses.replace(ADVICE, scope="job", cut_length_mm=4200.0, chance=0.91)


def burnt(setup_session: str = "one") -> list[Burn]:
    return [
        Burn(
            operation="cut", power_pct=60.0, speed_mm_s=12.0, through="through", source="job",
            session=setup_session,
        )
    ]  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """A logbook of one pair with a burn of lot L1."""
    with open_book(tmp_path / "book.sqlite3") as opened:
        opened.add_machine(BENCH, when=later(0))
        opened.add_sheet(BIRCH, when=later(0))
        opened.add_job("bench", "birch 3", burnt(), when=later(1))
        yield opened


def kept(book: Book) -> tuple[str, ...]:
    """Why the one kept setting isn't current."""
    (found,) = kept_settings(book)
    return found.not_current


REGION = fit_region(BENCH, BIRCH, "cut")


def keep_advised(
    book: Book, advice: Advice = ADVICE, *, at: float, sure: bool = False
) -> KeptSetting:
    """Keep a setting of which so much was said just now."""
    said = {
        name: getattr(advice, name) for name in Advice.__dataclass_fields__ if name != "setting"
    }
    rec = Recommendation(**said, **vars(advice.setting))
    names = {"machine": book.machine("bench"), "sheet": book.sheet("birch 3")}
    region = dataclasses.replace(REGION, operation=advice.operation, **names)
    advised = Advised(region=region, setting=advice.setting, recommendation=rec)
    assert advised.advice == advice
    pair = OpenPair(book, operation=advice.operation)
    return keep(pair, advised, when=later(at), sure=sure)


def test_a_setting_is_kept_without_a_question_while_nothing_has_changed(book: Book) -> None:
    found = keep_advised(book, at=3)
    assert (found.advice, found.lot, found.not_current) == (ADVICE, "L1", ())


def test_a_setting_kept_for_another_lot_is_not_current(book: Book) -> None:
    keep_advised(book, at=3)
    book.add_sheet(MAY, when=later(4))
    assert kept(book) == ("It was kept for lot L1; now it is lot May.",)


def test_a_setting_for_a_new_lot_that_was_not_burnt_rests_on_the_old_one(book: Book) -> None:
    book.add_sheet(MAY, when=later(3))
    with pytest.raises(NeedsYes, match="burns of other lots: none of lot May was read yet"):
        keep_advised(book, at=5)
    assert book.kept() == ()
    assert keep_advised(book, at=5, sure=True).lot == "May"
    book.add_job("bench", "birch 3", burnt(), when=later(6))
    assert kept(book) == ()


def test_a_setting_for_another_set_up_is_kept_only_with_a_yes(book: Book) -> None:
    keep_advised(book, at=3)
    book.change_setup("bench", when=later(4), what="lens", lens_mm=50.8)
    assert kept(book) == ("The machine was changed since (lens, 2026-03-01).",)
    with pytest.raises(NeedsYes, match=r"burns from before the machine was changed \(lens"):
        keep_advised(book, at=7)
    book.undo(when=later(8), machine="bench")
    assert kept(book) == ()


@pytest.mark.parametrize(
    "told",
    [
        {"power_word_full": 1000.0},
        {"slat_gap_mm": 25.0, "acceleration_mm_s2": 2500.0},
        {"ceiling_pct": 75.0, "speed_step_mm_s": 0.5},
    ],
)
def test_what_is_told_later_of_a_machine_leaves_its_settings_current(
    book: Book, told: dict[str, float]
) -> None:
    keep_advised(book, at=3)
    book.change_setup("bench", when=later(4), what="other", why="told later", **told)
    assert kept(book) == ()
    book.undo(when=later(5), machine="bench")
    book.change_setup("bench", when=later(6), what="tube", **told)
    assert kept(book) == ("The machine was changed since (tube, 2026-03-01).",)


@pytest.mark.parametrize(
    "changed",
    [{}, {"beam_starts_pct": 12.0}, {"slat_gap_mm": 25.0, "rated_w": 55.0}],
)
def test_any_other_change_of_a_machine_asks(book: Book, changed: dict[str, float]) -> None:
    keep_advised(book, at=3)
    book.change_setup("bench", when=later(4), what="other", why="moved", **changed)
    assert kept(book) == ("The machine was changed since (other, 2026-03-01).",)


def test_another_word_at_full_power_asks_and_telling_the_first_does_not(book: Book) -> None:
    keep_advised(book, at=3)
    book.change_setup("bench", when=later(4), what="other", power_word_full=1000.0)
    assert kept(book) == ()
    book.change_setup("bench", when=later(5), what="other", power_word_full=255.0)
    assert kept(book) == ("The machine was changed since (other, 2026-03-01).",)


def test_a_chance_of_another_scope_is_kept_only_with_a_yes(book: Book) -> None:
    keep_advised(book, at=3)
    said = (
        "a whole job of 4.2 m on this sheet; that of the setting that is kept now is for the next"
    )
    with pytest.raises(NeedsYes, match=said):
        keep_advised(book, JOB, at=5)


def test_what_holds_in_fewer_than_six_of_ten_is_kept_only_with_a_yes(book: Book) -> None:
    mark = dataclasses.replace(ADVICE, operation="line_mark", mark=2, chance=0.34, reliability=0.0)
    with pytest.raises(NeedsYes, match=r"chance is only 34\.0 %: about 3 in 10 come out"):
        keep_advised(book, mark, at=5)
    fair = dataclasses.replace(mark, chance=0.6)
    assert keep_advised(book, fair, at=7).advice == fair


def test_the_command_asks_and_says_the_scope(evening: Shell) -> None:
    evening.run("sheet", "new-lot", "birch 3", "May")
    words = ("keep", "birch 3", "--reliability", "0.9")
    done = evening.run(*words, code=1)
    assert "none of lot May was read yet" in done.stderr
    assert "--yes" in done.stderr
    evening.run(*words, code=1, typed="n\n")
    assert evening.json("sheet", "show", "birch 3")["kept"] == []
    evening.run("recommend", *words[1:], "--keep", typed="y\n")
    evening.run(*words, "--yes", "--note", "sure")
    told = " ".join(evening.text("sheet", "show", "birch 3").split())
    assert re.search(r"chance 9\d\.\d % for the next coupon on this sheet", told)
    assert "none of lot May was read yet" in told


def test_the_page_asks_and_says_it_wherever_a_kept_setting_stands(evening: Shell) -> None:
    evening.run("sheet", "new-lot", "birch 3", "May")
    wish = {"reliability": "0.9", "scope": "job", "cut_length_mm": "4.2 m"}
    with house_of(evening.book) as house:
        guest = house.guest()
        page = guest.get(f"/setting/look?{urlencode(wish)}").text
        assert "none of lot May was read yet" in page
        (seen,) = re.findall('name="seen" value="([^"]+)"', page)
        asked = guest.post("/setting", data={**wish, "seen": seen})
        assert (asked.status_code, house.book.kept()) == (409, ())
        assert "Keep it all the same" in asked.text
        done = guest.post("/setting", data={**wish, "seen": seen, "sure": "true"})
        assert done.headers["location"] == "/done/kept"
        # A setting whose chance is lower than what is asked for isn't drawn.
        for path in ("/", "/job", "/sheet?name=birch+3", "/look?reliability=0.9"):
            page = guest.get(path).text
            assert re.search(r"chance 9\d\.\d % for a whole job of 4\.2 m", page), path
            assert "none of lot May was read yet" in page, path


def test_a_job_counts_for_a_kept_setting_that_is_current_and_fits(book: Book) -> None:
    counts = JobCounts(through=17, cut_length_mm=240.0)
    keep_advised(book, JOB, at=2.2)
    keep_advised(book, at=2.5, sure=True)
    record_job(OpenPair(book), SETTING, counts, when=later(3))
    assert [job.advice for job in book.advised_jobs()] == [JOB]
    book.add_sheet(MAY, when=later(4))
    record_job(OpenPair(book), SETTING, counts, when=later(5))
    assert len(book.advised_jobs()) == 1


def test_a_whole_job_without_a_length_is_asked_for_it(evening_house: House) -> None:
    asked = evening_house.guest().get("/setting/look?scope=job&cut_length_mm=")
    page = evening_house.guest().get(asked.headers["location"])
    assert page.status_code == 422
    assert "depends on its length: give its cut path" in page.text


def test_a_chance_is_of_one_scope() -> None:
    with pytest.raises(InvalidRecord, match=r"4200\.0: a chance is of the next coupon"):
        RegionWish(cut_length_mm=4200.0, next_sheet=True)
