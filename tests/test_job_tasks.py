"""Jobs through the tasks: a drawing's time, money, promise and small features, and what is kept."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_jobs import BENCH
from shell import Shell
from workshop_records import later

from calib.errors import InvalidRecord, LogbookError, NotEnoughEvidence
from calib.logbook import Book, open_book
from calib.records import Setting, Sheet
from calib.tasks.costing import costs_of, record_costs, record_time, time_ratio
from calib.tasks.jobs import job_picture, job_report, time_this_job
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import JobWish
from calib.texts.jobs import job_text

PANEL = (Path(__file__).parent / "reference" / "drawings" / "panel.svg").read_bytes()
CUT = Setting(power_pct=70.0, speed_mm_s=12.0)
MARKS = {
    "lettering": Setting(power_pct=20.0, speed_mm_s=100.0),
    "badge": Setting(power_pct=25.0, speed_mm_s=200.0, line_pitch_mm=0.1),
}
ALL = {"cut": "cut", "lettering": "line_mark", "badge": "area_mark"}


@pytest.fixture
def unburnt(tmp_path: Path) -> Iterator[Book]:
    """A logbook with a machine and a sheet on which nothing was burnt."""
    book = open_book(tmp_path / "unburnt.sqlite3")
    book.add_machine(BENCH, when=later(0))
    book.add_sheet(Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0), when=later(0))
    with book:
        yield book


def wish(**changed):
    return JobWish(**{"operations": ALL, "classes_by": "group", **changed})


def test_before_any_burn_a_given_setting_tells_the_time_alone(unburnt: Book) -> None:
    report = job_report(OpenPair(unburnt), io.BytesIO(PANEL), wish(cut=CUT, marks=MARKS))
    assert report.time is not None
    assert [c.operation for c in report.time.classes] == ["area_mark", "line_mark", "cut"]
    assert {c.name: c.setting for c in report.classes} == {"cut": CUT, **MARKS}
    assert report.prices == ()
    assert report.pushes is None
    assert any("has been burnt yet" in note for note in report.notes)
    with pytest.raises(NotEnoughEvidence, match="nothing was burnt at the power"):
        job_picture(report, "cost.png")
    neither = job_report(OpenPair(unburnt), PANEL, wish(marks=MARKS))
    assert neither.time is None
    assert any("Give a setting for the cuts" in note for note in neither.notes)


def test_a_burnt_pair_has_prices_a_promise_and_a_picture(stocked: Path, tmp_path: Path) -> None:
    place = tmp_path / "book.sqlite3"
    place.write_bytes(stocked.read_bytes())
    with open_book(place) as book:
        record_costs(book, when=later(1), machine_hour=30.0, currency="EUR")
        report = job_report(
            OpenPair(book), PANEL,
            wish(operations={**ALL, "badge": None, "lettering": None}, cut=CUT, price=20.0),
        )  # fmt: skip
    assert report.chosen == "as given"
    assert [priced.name for priced in report.prices] == [
        "as given", "cheapest", "fastest", "cleanest",
    ]  # fmt: skip
    totals = {priced.name: priced.total for priced in report.prices}
    assert min(totals, key=totals.__getitem__) == "cheapest"
    assert report.prices[0].margin == pytest.approx(20.0 - totals["as given"])
    assert report.time is not None
    assert report.prices[0].minutes == pytest.approx(report.time.total_s / 60.0)
    assert report.prices[0].parts["machine time"] == pytest.approx(report.time.total_s / 120.0)
    assert report.pushes is not None
    assert [change.change_pct for change in report.pushes.changes] == [-1.0, 0.0, 1.0]
    assert report.features is not None
    assert report.features.counts["narrow outline"] == 1
    assert any(note.startswith("Guessed, not given: labour hour") for note in report.notes)
    told = " ".join(job_text(report).split())
    assert "Guessed, not given: labour hour, seconds per push" in told
    assert job_picture(report, "cost.png")[:4] == b"\x89PNG"
    assert b"expected cost of the job, what changes [EUR]" in job_picture(report, "cost.svg")


def test_a_job_at_a_kept_setting_keeps_to_what_was_asked_of_it_and_tells_its_lot(
    evening: Shell,
) -> None:
    evening.run("keep", "--reliability", "0.9")
    drawing = evening.write("panel.svg", PANEL)
    typed = ("job", drawing, "--classes-by", "group", "--cut", "cut", "--leave-out", "badge")
    typed += ("--leave-out", "lettering")

    def fastest(job):
        return next(one["setting"] for one in job["prices"] if one["name"] == "fastest")

    said = "It was kept before the lot had a name; now it is lot May."
    plain = evening.json(*typed)
    assert said not in plain["notes"]
    kept = plain["prices"][0]
    assert fastest(plain) == kept["setting"]
    surer = fastest(evening.json(*typed, "--reliability", "0.99"))
    assert surer["speed_mm_s"] < kept["setting"]["speed_mm_s"]
    evening.run("sheet", "new-lot", "birch 3", "May")
    assert evening.json(*typed)["notes"][0] == said
    at = ("--power", "80", "--speed", "12")
    assert said not in evening.json(*typed, *at)["notes"]


def test_costs_are_asked_once_and_the_rest_stays_a_guess(unburnt: Book) -> None:
    assert "machine_hour" in costs_of(unburnt).guessed
    record_costs(unburnt, when=later(1), machine_hour=18.0)
    costs = record_costs(
        unburnt, when=later(2), currency="EUR", cleaning_s_per_m=(0.0, 1.0, 2.0, 3.0, 4.0)
    )
    assert costs == costs_of(unburnt)
    assert (costs.machine_hour, costs.currency) == (18.0, "EUR")
    assert "machine_hour" not in costs.guessed
    assert "labour_hour" in costs.guessed
    with pytest.raises(InvalidRecord, match=r"recut_share is 2\.0"):
        record_costs(unburnt, when=later(3), recut_share=2.0)
    # Only looking stores nothing.
    record_costs(unburnt, when=later(4))
    (stands,) = unburnt.stored("costs")
    assert stands.at == later(2)


def test_timed_jobs_put_the_time_right(unburnt: Book) -> None:
    assert time_ratio(unburnt, None) is None
    before = job_report(OpenPair(unburnt), PANEL, wish(cut=CUT, marks=MARKS))
    assert before.time is not None
    took = 1.3 * before.time.machine_s
    for minute, label in ((1, "panel"), (2, "box"), (3, "panel")):
        ratio = time_this_job(unburnt, None, before, took, when=later(minute), label=label)
    assert ratio.jobs == 2  # the panel was timed twice, and counts once
    after = job_report(OpenPair(unburnt), PANEL, wish(cut=CUT, marks=MARKS))
    assert after.time is not None
    assert after.time.ratio == ratio == time_ratio(unburnt, "bench")
    assert after.time.machine_s == before.time.machine_s
    assert 1.2 < ratio.ratio < 1.3
    with pytest.raises(InvalidRecord, match="measured at 30 s"):
        record_time(unburnt, None, (600.0, 30.0), when=later(4))
    with pytest.raises(LogbookError, match="'bank'"):
        record_time(unburnt, "bank", (600.0, 700.0), when=later(4))
    untimed = job_report(OpenPair(unburnt), PANEL, JobWish())
    with pytest.raises(InvalidRecord, match="'panel' has no calculated time"):
        time_this_job(unburnt, None, untimed, 60.0, when=later(5), label="panel")


def test_the_command_tells_classes_time_and_wrong_use(planned: Shell) -> None:
    drawing = planned.write("panel.svg", PANEL)
    groups = ("--classes-by", "group")
    assert "Give each class an operation" in planned.text("job", drawing, *groups)
    typed = ("job", drawing, *groups, "--cut", "cut", "--leave-out", "badge")
    text = planned.text(
        *typed, "--line-mark", "lettering", "--at", "lettering=20@6000 mm/min", "--power", "70",
        "--speed", "12", "--took", "1:05",
    )  # fmt: skip
    assert "with the cuts as given" in text
    again = (*typed, "--leave-out", "lettering", "--power", "70", "--speed", "12")
    assert re.search(r"by\s+the\s+stopwatch\s+all\s+but\s+start-up", planned.text(*again))
    data = planned.json(*again, "--passes", "2")
    assert data["time"]["ratio"]["jobs"] == 1
    assert data["time"]["total_s"] > data["time"]["machine_s"]
    assert data["setting"] == {
        "power_pct": 70.0, "speed_mm_s": 12.0, "passes": 2, "line_pitch_mm": None,
    }  # fmt: skip
    assert "'lettering' has no operation" in planned.refusal(*typed)
    said = planned.refusal("job", drawing, "--cut", "red")
    assert said.startswith("no class 'red': the drawing's classes are ")
    assert "say of each whether it is cut, a line mark or an area mark, or left out" in said
    for wrong, said in (
        (("--line-mark", "cut"), "'cut' is given two"),
        (("--power", "70"), "--power and --speed together"),
        (("--at", "lettering"), "'lettering' can't be read"),
        (("--took", "soon"), "'soon' can't be read"),
    ):
        done = planned.run(*typed, *wrong, code=2)
        assert said in " ".join(done.stderr.replace("│", " ").split())
