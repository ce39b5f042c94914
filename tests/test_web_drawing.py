"""The maker's own drawing on the page: its classes, what becomes of them, and what it takes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from visitor import House, Visitor

from calib.records import Costs

PANEL = Path(__file__).parent / "reference" / "drawings" / "panel.svg"


@pytest.fixture
def page(evening_house: House) -> Visitor:
    """A browser that was let in."""
    return evening_house.guest()


@pytest.fixture
def address(page: Visitor) -> str:
    """Where a drawing is shown, by its groups."""
    answer = page.post(
        "/drawing",
        data={"machine": "bench", "sheet": "birch 3", "classes_by": "group"},
        files={"drawing": ("panel.svg", PANEL.read_bytes())},
    )
    return answer.headers["location"]


def test_a_drawing_is_shown_by_its_classes_and_nothing_is_stored(
    page: Visitor, address: str
) -> None:
    text = page.get(address).text
    assert [found[1] for found in re.finditer(r'name="class-(\d)" value="cut"', text)] == list(
        "012"
    )
    assert len(re.findall(r'<path class="unsaid"', text)) == 3
    assert "Tap for each colour what is to be done with it." in text


def test_what_it_takes_stands_beside_it_with_small_features_in_the_drawing(
    page: Visitor, address: str
) -> None:
    query = "&class-0=cut&class-1=none&power_pct=80&speed_mm_s=12&price=40"
    text = page.get(address + query).text
    assert re.search(r"<dt>Time</dt><dd>\d+\.\d min", text)
    assert "<dt>Pushes to expect</dt>" in text
    assert "<dt>Cuts as given</dt><dd>80\N{NO-BREAK SPACE}%, 12\N{NO-BREAK SPACE}mm/s" in text
    assert text.count('<g class="feature">') == text.count("<li>", text.index("Small features")) - (
        text.count("<li>", text.index("To know"))
    )
    assert 'class="cut"' in text
    assert 'class="left-out"' in text


def test_a_class_of_marks_takes_a_setting_of_its_own(page: Visitor, address: str) -> None:
    query = "&class-0=cut&class-1=line_mark&power_pct=80&speed_mm_s=12"
    without = page.get(address + query).text
    assert 'name="speed_mm_s-1"' in without
    assert 'name="speed_mm_s-0"' not in without
    minutes = []
    for speed in (100, 10):
        text = page.get(f"{address}{query}&power_pct-1=20&speed_mm_s-1={speed}").text
        minutes.append(float(re.findall(r"<dt>Time</dt><dd>(\d+\.\d) min", text)[0]))
    assert minutes[1] > minutes[0]
    wrong = page.get(f"{address}{query}&power_pct-1=120&speed_mm_s-1=100").text
    assert "120" in wrong
    assert re.search(r'name="power_pct-1"[^>]*aria-invalid="true"', wrong)
    assert not re.search(r'name="power_pct"[^>]*aria-invalid="true"', wrong)


def test_what_cannot_be_is_said_on_the_same_page(page: Visitor, address: str) -> None:
    text = page.get(address + "&class-0=cut&power_pct=80&speed_mm_s=9000").text
    assert "9000" in text
    assert 'role="alert"' in text


def test_a_drawing_that_is_gone_is_asked_for_again(page: Visitor) -> None:
    gone = page.get("/drawing/nothing")
    assert gone.status_code == 422
    assert "choose its file again" in gone.text


def test_what_is_no_drawing_is_refused_at_the_form(page: Visitor) -> None:
    sent = {"files": {"drawing": ("x.svg", b"<svg")}}
    answer = page.post("/drawing", data={"machine": "bench", "sheet": "birch 3"}, **sent)
    answer = page.get(answer.headers["location"])
    assert answer.status_code == 422
    assert "Not done." in answer.text


def test_what_the_stopwatch_said_is_kept(page: Visitor, address: str, evening_house: House) -> None:
    query = "&class-0=cut&class-1=none&power_pct=80&speed_mm_s=12"
    shown = page.get(address + query).text
    form = shown.split('/took"')[1].split("</form>")[0]
    known = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))
    took = address.split("?")[0] + "/took"
    (time,) = re.findall(r"<dt>Time</dt><dd>(\d+\.\d) min", shown)
    wrong = page.submit(took, {**known, "took_min": "long"})
    assert wrong.status_code == 422
    assert "long" in wrong.text.split('id="took_min-wrong">')[1].split("<")[0]
    assert "<dt>Time</dt>" in wrong.text
    assert evening_house.book.stored("timed_job") == ()
    # Without laying down and framing.
    without = float(time) - Costs().start_up_s / 60.0
    told = page.submit(took, {**known, "took_min": f"{1.1 * without:.2f}"})
    assert 'class="said-so"' in told.text
    assert len(evening_house.book.stored("timed_job")) == 1
