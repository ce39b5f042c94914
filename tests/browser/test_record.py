"""Taking a board down in a real browser: taps, undo, lost connections, two phones, keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import DESK, PHONE, Served, serving
from shell import BIRCH, MACHINE, Shell

# The buttons, once they take an answer.
ASKED = ".pad:not([data-fresh])"


@pytest.fixture(scope="module")
def planned_board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with a planned board of six cells, made once."""
    maker = Shell(tmp_path_factory.mktemp("planned"))
    for words in (MACHINE, BIRCH, ("plan", "--burns", "6", "--offcut", "150x60")):
        maker.run(*words)
    return maker.book


@pytest.fixture
def served(
    planned_board: Path, tmp_path: Path, chromium: Any, pictures: Path | None
) -> Iterator[Served]:
    """That logbook's page."""
    place = tmp_path / "book.sqlite3"
    place.write_bytes(planned_board.read_bytes())
    with serving(place, chromium, pictures) as made:
        yield made


def open_board(page: Any) -> None:
    """Go to the only board that waits."""
    page.goto(page.url.rstrip("/") + "/burnt")
    page.wait_for_url("**/record")


def choose(page: Any, *words: str) -> None:
    """Say what came out of one cell after the other."""
    for word in words:
        page.locator(f"{ASKED} .choice", has_text=word).first.click()


def status(page: Any) -> str:
    """What the line at the foot says."""
    return str(page.locator("#status").inner_text())


def wait_for(page: Any, words: str) -> None:
    """Wait until the line at the foot says so."""
    page.locator("#status", has_text=words).wait_for()


def stored(served: Served, page: Any) -> dict[str, tuple[Any, Any]]:
    """What the server has: through and char by cell."""
    board = page.evaluate("fetch('/api/boards/last').then((answer) => answer.json())")
    return {one["cell"]: (one["through"], one["char"]) for one in board["readings"]}


def grades(served: Served, page: Any) -> list[tuple[Any, Any]]:
    """The same without the cells, in order."""
    return sorted(stored(served, page).values(), key=str)


def looks(served: Served) -> int:
    """How many readings were ever recorded."""
    history = served.book.history("bench", "birch 3", "cut")
    return sum(line.reading is not None for line in history)


def test_taps_are_stored_at_once_undone_and_corrected(served: Served) -> None:
    page = served.device(PHONE, has_touch=True)
    open_board(page)
    first = page.locator(".cell.now").get_attribute("data-cell")
    choose(page, "Hangs")
    wait_for(page, f"{first} stored: hangs.")
    assert stored(served, page)[first] == ("hanging", None)
    served.look(page, "record-phone")
    page.get_by_role("button", name="Undo").click()
    wait_for(page, f"{first} taken back, now: not read yet")
    assert first not in stored(served, page)
    assert page.locator(".cell.now").get_attribute("data-cell") == first
    choose(page, "Clean")
    wait_for(page, f"{first} stored: falls free, char 0")
    page.locator(f'.cell[data-cell="{first}"]').tap()
    page.locator("summary").tap()
    page.locator("[aria-labelledby=asks-1] .choice", has_text="Brown").tap()
    wait_for(page, f"{first} stored: hangs, char 2")
    assert stored(served, page)[first] == ("hanging", 2)
    choose(page, "Not cut")
    wait_for(page, f"{first} stored: not cut")
    assert stored(served, page)[first] == ("no", None)


def test_a_lost_connection_loses_nothing_and_stores_nothing_twice(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    choose(page, "Tan")
    wait_for(page, "stored")
    page.context.set_offline(True)
    choose(page, "Black", "Not cut", "Hangs")
    wait_for(page, "3 taps wait on this device")
    served.look(page, "record-offline")
    page.get_by_role("button", name="Undo").click()
    wait_for(page, "taken back")
    choose(page, "Clean")
    wait_for(page, "3 taps wait on this device")
    assert len(served.book.readings(served.code)) == 1
    page.context.set_offline(False)
    page.locator("#status", has_text="stored").wait_for()
    page.locator(".cell.waits").first.wait_for(state="detached")
    assert grades(served, page) == [("no", None), ("through", 0), ("through", 1), ("through", 3)]
    assert looks(served) == 4


def test_an_answer_that_is_lost_is_asked_for_again_not_stored_again(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    lost = []

    def lose_the_first(route: Any) -> None:
        if lost:
            route.continue_()
            return
        lost.append(route.fetch().status)
        route.abort()

    page.route("**/taps", lose_the_first)
    choose(page, "Not cut")
    wait_for(page, "stored")
    assert lost == [200]
    assert looks(served) == 1


def test_two_phones_at_one_board_lose_nothing(served: Served) -> None:
    one, other = served.device(PHONE), served.device(PHONE)
    for page in (one, other):
        open_board(page)
    cells = one.locator(".cell").evaluate_all("(all) => all.map((cell) => cell.dataset.cell)")
    for mine, theirs in zip(cells[:3], reversed(cells[3:]), strict=True):
        for page, cell in ((one, mine), (other, theirs)):
            page.locator(f'.cell[data-cell="{cell}"]').click()
            choose(page, "Tan")
    for page in (one, other):
        page.locator(".cell.waits").first.wait_for(state="detached")
    assert stored(served, one) == dict.fromkeys(cells, ("through", 1))
    other.locator("#progress-words", has_text="6 of 6 read").wait_for()


def test_two_phones_in_conflict_offline_make_no_third_reading(served: Served) -> None:
    one, other = served.device(PHONE), served.device(PHONE)
    for page in (one, other):
        open_board(page)
    cell = one.locator(".cell.now").get_attribute("data-cell")
    one.context.set_offline(True)
    choose(one, "Tan")
    wait_for(one, "1 tap waits on this device")
    choose(other, "Not cut")
    wait_for(other, f"{cell} stored: not cut")
    one.context.set_offline(False)
    wait_for(one, "Both are kept: which is right?")
    assert stored(served, one)[cell] == (None, None)
    assert served.book.readings(served.code) == ()
    one.locator("#progress-words", has_text="0 of 6 read").wait_for()
    for page, mine, theirs in ((one, "Falls free", "Not cut"), (other, "Not cut", "Falls free")):
        page.locator(f'.cell.apart[data-cell="{cell}"]').click()
        which = page.locator("#which .choice")
        which.filter(has_text=f"{mine}").filter(has_text="read on this device").wait_for()
        which.filter(has_text=f"{theirs}").filter(has_text="read by somebody else").wait_for()
    served.look(one, "record-which")
    other.locator("#which .choice", has_text="Falls free, char 1").click()
    wait_for(other, f"{cell} stored: falls free, char 1")
    assert stored(served, other)[cell] == ("through", 1)
    one.locator(f'.cell:not(.apart)[data-cell="{cell}"][data-through=through]').wait_for()


def test_the_second_tap_of_a_double_tap_answers_nothing(served: Served) -> None:
    page = served.device(PHONE, has_touch=True)
    open_board(page)
    twice = """(word) => {
      const button = [...document.querySelectorAll(".answers .choice")]
        .find((one) => one.textContent.includes(word));
      button.click();
      button.click();
    }"""
    first = page.locator(".cell.now").get_attribute("data-cell")
    page.evaluate(twice, "Not cut")
    wait_for(page, f"{first} stored: not cut")
    second = page.locator(".cell.now").get_attribute("data-cell")
    page.locator(ASKED).first.wait_for()
    page.evaluate(twice, "Black")
    wait_for(page, f"{second} stored: falls free, char 3")
    assert stored(served, page) == {first: ("no", None), second: ("through", 3)}


def test_six_cells_in_six_taps_without_scrolling(served: Served) -> None:
    """At every size and at twice the size of everything, which is half of the screen."""
    for number, (width, height) in enumerate([(390, 664), (844, 390), (195, 332)]):
        page = served.device({"width": width, "height": height}, has_touch=True)
        open_board(page)
        for _ in range(2):
            page.locator(ASKED).first.wait_for()
            cell = page.locator(".cell.now")
            code = cell.get_attribute("data-cell")
            buttons = page.locator(".answers .choice")
            for place in (cell.locator(".place"), *buttons.all()):
                box = place.bounding_box()
                assert 0 < box["x"] + box["width"] / 2 < width, (width, place)
                assert 0 < box["y"] + box["height"] / 2 < height, (width, place)
            for button in buttons.all():
                box = button.bounding_box()
                assert box["height"] >= 44
            buttons.nth(2 + number).tap()
            wait_for(page, f"{code} stored: falls free, char {number}")
        served.look(page, f"record-{width}")
    assert len(stored(served, page)) == 6


def test_all_that_is_left_is_said_at_once_when_pressed_twice(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    choose(page, "Tan")
    page.locator("summary").click()
    rest = page.get_by_role("button", name="All that is left: not cut")
    rest.click()
    page.get_by_role("button", name="not cut?").click()
    page.locator("#progress-words", has_text="6 of 6 read").wait_for()
    page.locator(".cell.waits").first.wait_for(state="detached")
    assert grades(served, page) == [*[("no", None)] * 5, ("through", 1)]


def test_taps_outlast_the_end_of_the_session(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    served.later_s = 12 * 3600 + 1
    choose(page, "Tan", "Not cut", "Not cut", "Clean")
    wait_for(page, "not let in any more. 4 taps wait here and nothing is lost")
    served.look(page, "record-ended")
    assert served.book.readings(served.code) == ()
    page.goto(served.site.address + "/burnt")
    waiting = page.locator("#waiting-taps")
    waiting.filter(has_text="4 taps wait here").wait_for()
    served.look(page, "refused-ended")
    served.let_in(page)
    waiting.filter(has_text="4 taps that waited on this device: stored").wait_for()
    served.look(page, "desk-sent")
    assert grades(served, page) == [("no", None), ("no", None), ("through", 0), ("through", 1)]
    page.reload()
    assert not waiting.is_visible()


def test_taps_outlast_a_restart_of_the_server(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    page.context.set_offline(True)
    choose(page, "Tan", "Not cut")
    wait_for(page, "2 taps wait on this device")
    served.restart()
    page.context.set_offline(False)
    wait_for(page, "not let in any more. 2 taps wait here")
    # The page stays as it is; another tab comes in.
    served.let_in(page.context.new_page())
    wait_for(page, "stored")
    assert grades(served, page) == [("no", None), ("through", 1)]
    assert looks(served) == 2


def test_a_tab_that_was_closed_goes_on_where_it_was(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    address, context = page.url, page.context
    context.set_offline(True)
    choose(page, "Tan")
    wait_for(page, "1 tap waits on this device")
    second = page.locator(".cell.now").get_attribute("data-cell")
    choose(page, "Hangs")
    page.close()
    context.set_offline(False)
    again = context.new_page()
    again.set_default_timeout(30_000)
    again.goto(address)
    again.locator("#progress-words", has_text="2 of 6 read").wait_for()
    again.locator(".cell.waits").first.wait_for(state="detached")
    assert grades(served, again) == [("hanging", None), ("through", 1)]
    assert stored(served, again)[second] == ("hanging", None)


def test_what_waits_is_dropped_only_when_asked_twice(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    page.context.set_offline(True)
    choose(page, "Not cut")
    wait_for(page, "1 tap waits on this device")
    drop = page.locator("#drop")
    drop.click()
    assert drop.inner_text() == "Drop it for good?"
    drop.click()
    page.locator("#progress-words", has_text="0 of 6 read").wait_for()
    assert not drop.is_visible()
    page.context.set_offline(False)
    page.reload()
    assert stored(served, page) == {}


def test_keyboard_alone_does_it(served: Served) -> None:
    page = served.device(DESK)
    open_board(page)
    first = page.locator(".cell.now").get_attribute("data-cell")
    page.keyboard.press("ArrowRight")
    cell = page.locator(".cell.now").get_attribute("data-cell")
    assert cell != first
    assert page.evaluate("document.activeElement.dataset.cell") == cell
    page.keyboard.press("2")
    wait_for(page, f"{cell} stored: falls free, char 2")
    page.locator(ASKED).first.wait_for()
    following = page.locator(".cell.now").get_attribute("data-cell")
    page.keyboard.press("n")
    wait_for(page, f"{following} stored: not cut")
    page.keyboard.press("Control+z")
    wait_for(page, f"{following} taken back, now: not read yet")
    assert stored(served, page) == {cell: ("through", 2)}
    served.look(page, "record-desk")


def test_notes_and_photographs_are_kept(served: Served, tmp_path: Path) -> None:
    photograph = tmp_path / "cell.png"
    photograph.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    page = served.device(PHONE)
    open_board(page)
    cell = page.locator(".cell.now").get_attribute("data-cell")
    page.locator("summary").click()
    page.get_by_label("Your own words").fill("<b>knot</b> at the edge")
    page.get_by_role("button", name="Keep the note").click()
    wait_for(page, f"{cell} stored")
    page.get_by_label("A photograph of this cell").set_input_files(photograph)
    wait_for(page, f"Photograph of {cell} stored")
    code = served.code
    assert served.book.readings(code)[0].note == "<b>knot</b> at the edge"
    assert [one.cell for one in served.book.photographs(code)] == [cell]
    page.reload()
    assert page.locator(".cell.now").get_attribute("data-note") == "<b>knot</b> at the edge"
