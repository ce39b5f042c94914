"""Taking a board down in a real browser: taps, undo, lost connections, two phones, keyboard."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import DESK, PHONE, Served, serving
from shell import BIRCH, MACHINE, Shell


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
    page.wait_for_url("**/take-down")


def choose(page: Any, *words: str) -> None:
    """Tap choices one after the other."""
    for word in words:
        page.locator(".question:not([hidden]) .choice", has_text=word).first.click()


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


def test_taps_are_stored_at_once_undone_and_corrected(served: Served) -> None:
    page = served.device(PHONE, has_touch=True)
    open_board(page)
    first = page.locator(".cell.now").get_attribute("data-cell")
    choose(page, "Hangs", "Brown")
    wait_for(page, f"{first} stored: hangs, char 2")
    assert stored(served, page)[first] == ("hanging", 2)
    served.look(page, "take-down-phone")
    page.get_by_role("button", name="Undo").click()
    wait_for(page, f"{first} taken back, now: hangs")
    assert stored(served, page)[first] == ("hanging", None)
    assert page.locator(".cell.now").get_attribute("data-cell") == first
    choose(page, "Clean")
    wait_for(page, f"{first} stored: hangs, char 0")
    page.locator(f'.cell[data-cell="{first}"]').tap()
    choose(page, "Not cut")
    wait_for(page, f"{first} stored: not cut")
    assert stored(served, page)[first] == ("no", 0)


def test_a_lost_connection_loses_nothing_and_stores_nothing_twice(served: Served) -> None:
    page = served.device(PHONE)
    open_board(page)
    choose(page, "Falls free", "Tan")
    wait_for(page, "stored")
    page.context.set_offline(True)
    choose(page, "Hangs", "Black", "Not cut", "Falls free")
    wait_for(page, "4 taps are waiting to be sent")
    served.look(page, "take-down-offline")
    page.get_by_role("button", name="Undo").click()
    wait_for(page, "waiting to be sent")
    choose(page, "Hangs")
    before = stored_before(served)
    page.context.set_offline(False)
    page.locator("#status", has_text="stored").wait_for()
    page.locator(".cell.waits").first.wait_for(state="detached")
    assert before == 1
    assert sorted(stored(served, page).values(), key=str) == sorted(
        [("through", 1), ("hanging", 3), ("no", None), ("hanging", None)], key=str
    )
    history = served.book.history("bench", "birch 3", "cut")
    assert sum(line.reading is not None for line in history) == 6


def stored_before(served: Served) -> int:
    """How many cells the logbook has while the phone can't reach it."""
    return len(served.book.readings(served.book.boards(limit=1).entries[0].id))


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
    choose(page, "Falls free")
    wait_for(page, "stored")
    assert lost == [200]
    history = served.book.history("bench", "birch 3", "cut")
    assert sum(line.reading is not None for line in history) == 1


def test_two_phones_at_one_board_lose_nothing(served: Served) -> None:
    one, other = served.device(PHONE), served.device(PHONE)
    for page in (one, other):
        open_board(page)
    cells = one.locator(".cell").evaluate_all("(all) => all.map((cell) => cell.dataset.cell)")
    for mine, theirs in zip(cells[:3], reversed(cells[3:]), strict=True):
        for page, cell in ((one, mine), (other, theirs)):
            page.locator(f'.cell[data-cell="{cell}"]').click()
            choose(page, "Falls free", "Tan")
    for page in (one, other):
        page.locator(".cell.waits").first.wait_for(state="detached")
    assert stored(served, one) == dict.fromkeys(cells, ("through", 1))
    other.locator("#progress-words", has_text="6 of 6 read").wait_for()


def test_the_same_cell_read_differently_is_asked_about(served: Served) -> None:
    one, other = served.device(PHONE), served.device(PHONE)
    for page in (one, other):
        open_board(page)
    cell = one.locator(".cell.now").get_attribute("data-cell")
    other.route(re.compile("/api/boards/[A-Z0-9]+$"), lambda route: route.abort())
    choose(one, "Falls free")
    wait_for(one, "stored")
    choose(other, "Not cut")
    wait_for(other, "read by somebody else meanwhile")
    assert other.locator(f'.cell[data-cell="{cell}"]').get_attribute("data-through") == "through"
    served.look(other, "take-down-refused")


def test_keyboard_alone_does_it(served: Served) -> None:
    page = served.device(DESK)
    open_board(page)
    page.locator(".cell.now").focus()
    page.keyboard.press("ArrowRight")
    cell = page.locator(".cell.now").get_attribute("data-cell")
    assert page.evaluate("document.activeElement.dataset.cell") == cell
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    wait_for(page, f"{cell} stored: falls free")
    assert stored(served, page) == {cell: ("through", None)}
    served.look(page, "take-down-desk")


def test_notes_and_photographs_are_kept(served: Served, tmp_path: Path) -> None:
    photograph = tmp_path / "cell.png"
    photograph.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    page = served.device(PHONE)
    open_board(page)
    cell = page.locator(".cell.now").get_attribute("data-cell")
    page.get_by_role("button", name="Note or photograph").click()
    page.get_by_label("Your own words").fill("<b>knot</b> at the edge")
    page.get_by_role("button", name="Keep the note").click()
    wait_for(page, f"{cell} stored")
    page.get_by_label("A photograph of this cell").set_input_files(photograph)
    wait_for(page, f"Photograph of {cell} stored")
    code = served.book.boards(limit=1).entries[0].id
    assert served.book.readings(code)[0].note == "<b>knot</b> at the edge"
    assert [one.cell for one in served.book.photographs(code)] == [cell]
    page.reload()
    assert page.locator(".cell.now").get_attribute("data-note") == "<b>knot</b> at the edge"
