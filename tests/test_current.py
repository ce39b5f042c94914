"""Whether a promise or a kept setting is current: asked before it is kept, said where it stands."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest
from shell import Shell
from visitor import House, house_of
from workshop_records import BENCH, BIRCH, PROMISE, SETTING, later

from calib.errors import InvalidRecord, NeedsYes
from calib.logbook import Book, open_book
from calib.records import Burn
from calib.tasks.advice import record_job, settle
from calib.tasks.current import doubts_of, kept_settings, standing_promises
from calib.tasks.wishes import JobCounts, RegionWish

MAY = dataclasses.replace(BIRCH, lot="May")
JOB = dataclasses.replace(PROMISE, scope="job", cut_length_mm=4200.0, chance=0.91)


def burnt(setup_session: str = "one") -> list[Burn]:
    return [
        Burn(
            operation="cut", power_pct=60.0, speed_mm_s=12.0, through="through", source="job",
            session=setup_session,
        )
    ]  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """A logbook of one pair with a burn of lot L1, and a promise made for it."""
    with open_book(tmp_path / "book.sqlite3") as opened:
        opened.add_machine(BENCH, when=later(0))
        opened.add_sheet(BIRCH, when=later(0))
        opened.add_job("bench", "birch 3", burnt(), when=later(1))
        opened.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(2))
        yield opened


def kept(book: Book) -> tuple[str, ...]:
    """Why the one kept setting isn't current."""
    (found,) = kept_settings(book)
    return found.not_current


def test_a_promise_is_kept_without_a_question_while_nothing_has_changed(book: Book) -> None:
    assert settle(book, "last", when=later(3)).not_current == ()
    assert [entry.not_current for entry in standing_promises(book)] == [()]


def test_a_promise_for_another_lot_is_kept_only_with_a_yes_and_never_current(book: Book) -> None:
    book.add_sheet(MAY, when=later(3))
    said = "It was promised for lot L1; now it is lot May."
    with pytest.raises(NeedsYes, match=said):
        settle(book, "last", when=later(4))
    assert book.settled() == ()
    assert settle(book, "last", when=later(4), sure=True).not_current == (said,)
    assert kept(book) == (said,)
    assert standing_promises(book)[0].not_current == (said,)


def test_a_promise_for_a_new_lot_that_was_not_burnt_rests_on_the_old_one(book: Book) -> None:
    book.add_sheet(MAY, when=later(3))
    book.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(4))
    with pytest.raises(NeedsYes, match="burns of other lots: none of lot May was read yet"):
        settle(book, "last", when=later(5))
    book.add_job("bench", "birch 3", burnt(), when=later(6))
    assert settle(book, "last", when=later(7)).not_current == ()


def test_what_is_told_later_of_the_same_machine_leaves_a_promise_current(book: Book) -> None:
    promise = book.promises()[0]
    book.change_setup("bench", when=later(4), what="other", slat_gap_mm=40.0)
    assert doubts_of(book, promise) == ()
    book.change_setup("bench", when=later(5), what="other", rated_w=55.0)
    assert any("The machine was changed since (other" in why for why in doubts_of(book, promise))


def test_a_promise_for_another_set_up_is_kept_only_with_a_yes(book: Book) -> None:
    settle(book, "last", when=later(3))
    book.change_setup("bench", when=later(4), what="lens", lens_mm=50.8)
    changed = "The machine was changed since (lens, 2026-03-01)."
    assert kept(book) == (changed,)
    with pytest.raises(NeedsYes, match=r"changed since \(lens"):
        settle(book, "last", when=later(5))
    book.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(6))
    with pytest.raises(NeedsYes, match=r"burns from before the machine was changed \(lens"):
        settle(book, "last", when=later(7))
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
    settle(book, "last", when=later(3))
    book.change_setup("bench", when=later(4), what="other", note="told later", **told)
    assert kept(book) == ()
    assert standing_promises(book)[0].not_current == ()
    book.undo(when=later(5), machine="bench")
    book.change_setup("bench", when=later(6), what="tube", **told)
    assert kept(book) == ("The machine was changed since (tube, 2026-03-01).",)


@pytest.mark.parametrize(
    "changed", [{}, {"beam_starts_pct": 12.0}, {"slat_gap_mm": 25.0, "rated_w": 55.0}]
)
def test_any_other_change_of_a_machine_asks(book: Book, changed: dict[str, float]) -> None:
    settle(book, "last", when=later(3))
    book.change_setup("bench", when=later(4), what="other", note="moved", **changed)
    assert kept(book) == ("The machine was changed since (other, 2026-03-01).",)


def test_another_word_at_full_power_asks_and_telling_the_first_does_not(book: Book) -> None:
    settle(book, "last", when=later(3))
    book.change_setup("bench", when=later(4), what="other", power_word_full=1000.0)
    assert kept(book) == ()
    book.change_setup("bench", when=later(5), what="other", power_word_full=255.0)
    assert kept(book) == ("The machine was changed since (other, 2026-03-01).",)


def test_a_promise_of_another_scope_is_kept_only_with_a_yes(book: Book) -> None:
    settle(book, "last", when=later(3))
    book.add_promise(JOB, machine="bench", sheet="birch 3", when=later(4))
    said = (
        "a whole job of 4.2 m on this sheet; the setting that is kept now was for the next coupon"
    )
    with pytest.raises(NeedsYes, match=said):
        settle(book, "last", when=later(5))


def test_what_holds_in_fewer_than_six_of_ten_is_kept_only_with_a_yes(book: Book) -> None:
    mark = dataclasses.replace(PROMISE, operation="line_mark", mark=2, chance=0.34, reliability=0.0)
    book.add_promise(mark, machine="bench", sheet="birch 3", when=later(4))
    with pytest.raises(NeedsYes, match=r"chance is only 0\.340: about 3 in 10 come out"):
        settle(book, "last", when=later(5))
    fair = dataclasses.replace(mark, chance=0.6)
    book.add_promise(fair, machine="bench", sheet="birch 3", when=later(6))
    assert settle(book, "last", when=later(7)).promise == fair


def test_the_command_asks_and_says_the_scope(book: Book, shell: Shell) -> None:
    book.add_sheet(MAY, when=later(3))
    shell.book = Path(str(book.where.path))
    done = shell.run("settle", "last", code=1)
    assert "now it is lot May" in done.stderr
    assert "--yes" in done.stderr
    shell.run("settle", "last", code=1, typed="n\n")
    assert book.settled() == ()
    assert "chance 0.993 for the next coupon on this sheet" in shell.text(
        "settle", "last", typed="y\n"
    )
    shell.run("settle", "last", "--yes", "--note", "sure")
    for words in (("settled",), ("sheet", "show", "birch 3"), ("list-promises",)):
        told = " ".join(shell.text(*words).split())
        assert "chance 0.993 for the next coupon on this sheet" in told
        assert "now it is lot May" in told


def test_the_page_asks_and_says_it_wherever_a_kept_setting_stands(book: Book) -> None:
    book.add_promise(JOB, machine="bench", sheet="birch 3", when=later(2.5))
    book.add_sheet(MAY, when=later(3))
    place, code = str(book.where.path), book.promises()[0].id
    with house_of(Path(place)) as house:
        guest = house.guest()
        assert "now it is lot May" in guest.get(f"/promise/{code}").text
        asked = guest.post(f"/promise/{code}/settle")
        assert (asked.status_code, house.book.settled()) == (409, ())
        assert "Settle on it all the same" in asked.text
        done = guest.post(f"/promise/{code}/settle", data={"sure": "true"})
        assert done.headers["location"] == "/done/settled"
        for path in ("/", "/job", "/sheet?name=birch+3", "/look"):
            page = guest.get(path).text
            assert "chance 0.910 for a whole job of 4.2 m on this sheet" in page, path
            assert "now it is lot May" in page, path


def test_a_job_is_kept_with_a_promise_that_is_current_and_fits(book: Book) -> None:
    counts = JobCounts(through=17, cut_length_mm=240.0)
    book.add_promise(JOB, machine="bench", sheet="birch 3", when=later(2.2))
    book.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(2.5))
    record_job(book, None, None, SETTING, counts, when=later(3))
    assert [job.promise for job in book.promised_jobs()] == [JOB]
    book.add_sheet(MAY, when=later(4))
    record_job(book, None, None, SETTING, counts, when=later(5))
    assert len(book.promised_jobs()) == 1


def test_a_whole_job_without_a_length_is_asked_for_it(evening_house: House) -> None:
    guest = evening_house.guest()
    asked = guest.submit("/setting", {"scope": "job", "cut_length": ""})
    assert asked.status_code == 422
    assert "hangs on its length: give its cut path" in asked.text
    assert len(evening_house.book.promises()) == 1


@pytest.fixture
def evening_house(evening: Shell) -> Iterator[House]:
    """A page over a burnt grid and a promise."""
    with house_of(evening.book) as house:
        yield house


def test_a_chance_is_of_one_scope() -> None:
    with pytest.raises(InvalidRecord, match=r"4200\.0: a chance is of the next coupon"):
        RegionWish(cut_length_mm=4200.0, next_sheet=True)
