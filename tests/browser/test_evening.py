"""The demo's evening through the page: a desk plans and looks, a phone takes the boards down."""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path
from typing import Any

from browsing import DESK, PHONE, ROOT, serving
from shell import BIRCH, MACHINE, Shell, load

from calib.records import Grid

WORDS = {"hanging": "Hangs", "no": "Not cut"}
CHAR = ("Clean", "Tan", "Brown", "Black", "Flaking")


def results(grid: Grid, number: int) -> dict[str, dict[str, str]]:
    """What comes out of a board in the demo's invented workshop, by cell.

    As long as the planner chooses what it chose when the demo was recorded, these are the recorded
    burns.
    """
    invention = load(ROOT / "demo" / "invent_results.py")
    text = invention.results(dataclasses.asdict(grid), number)
    return {row["cell"]: row for row in csv.DictReader(text.splitlines())}


def fill(page: Any, **fields: str) -> None:
    """Fill a form's fields in by their names."""
    for name, value in fields.items():
        page.locator(f"[name={name}]").fill(value)


def go(page: Any, sentence: str) -> None:
    """Follow a sentence of the desk."""
    page.goto(page.url.split("/", 3)[0] + "//" + page.url.split("/", 3)[2] + "/")
    page.evaluate("document.querySelectorAll('details').forEach((one) => one.open = true)")
    page.get_by_role("link", name=sentence).first.click()


def add_workshop(page: Any) -> None:
    """The demo's machine and its birch; PVC is refused on the way."""
    page.goto(page.url.rstrip("/") + "/machine/new")
    page.locator("summary").click()
    fill(page, name="bench", rated_w="60", bed_mm="600x400", max_speed_mm_s="400 mm/s",
         acceleration_mm_s2="3000", power_word_full="1000", slat_gap_mm="8")  # fmt: skip
    page.get_by_role("button", name="Record it").click()
    page.get_by_role("link", name="I have a new sheet").click()
    fill(page, name="bad", material="PVC", thickness_mm="3")
    page.get_by_role("button", name="record it").click()
    page.get_by_role("alert").wait_for()
    fill(page, name="birch 3", material="birch plywood", thickness_mm="3", measured_mm="2.9",
         lot="March")  # fmt: skip
    page.get_by_role("button", name="record it").click()
    page.get_by_role("link", name="Find its settings").wait_for()


def plan(page: Any) -> str:
    """Plan the next board as the demo does; give its code."""
    go(page, "I want to find a sheet's settings")
    fill(page, offcut_mm="150x60")
    page.locator("summary").first.click()
    page.locator("[name=char_at_most]").select_option("2")
    page.get_by_role("button", name="Let me look").click()
    page.get_by_role("button", name="Keep this board").click()
    page.wait_for_url("**/board/*")
    return str(page.url.rsplit("/", 1)[-1])


def record(phone: Any, came_out: dict[str, dict[str, str]]) -> None:
    """Tap what came out, cell by cell, in the order in which the page asks."""
    go(phone, "I have burnt a board")
    phone.wait_for_url("**/record")
    for _ in came_out:
        cell = came_out[phone.locator(".cell.now").get_attribute("data-cell")]
        fell = cell["through"] == "through"
        word = CHAR[int(cell["char"])] if fell else WORDS[cell["through"]]
        phone.locator(".pad:not([data-fresh]) .choice").filter(has_text=word).click()
    phone.get_by_role("link", name="tell me what to set").wait_for()
    phone.locator(".cell.waits").first.wait_for(state="detached")


def test_the_evening_from_an_empty_logbook_to_a_kept_setting(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    with serving(tmp_path / "book.sqlite3", chromium, pictures) as served:
        desk, phone = served.device(DESK), served.device(PHONE)
        served.look(desk, "desk-empty")
        add_workshop(desk)
        for number in range(3):
            code = plan(desk)
            came_out = results(served.book.board(code), number)
            record(phone, came_out)
            kept = {one.cell: one for one in served.book.readings(code)}
            assert {c: kept[c].through for c in kept} == {
                c: row["through"] for c, row in came_out.items()
            }
        with desk.expect_download() as downloading:
            desk.get_by_role("link", name=f"{code}.nc").click()
        assert b"M5" in Path(downloading.value.path()).read_bytes()
        served.look(desk, "board-desk")
        phone.get_by_role("link", name="Tell me what to set").click()
        phone.locator("[name=char_at_most]").select_option("2")
        phone.locator("[name=reliability]").select_option("0.95")
        served.look(phone, "setting-phone")
        phone.get_by_role("button", name="Work it out").click()
        phone.wait_for_url("**/setting/look?*")
        served.look(phone, "advice-phone")
        assert served.book.kept() == ()
        shown = phone.locator(".advice").inner_text()
        phone.get_by_role("button", name="Keep it").click()
        phone.wait_for_url("**/done/kept")
        (kept,) = served.book.kept()
        assert kept.advice.char_at_most == 2
        assert f"{kept.setting.power_pct:g} %" in shown
        look_at_region(served, desk)


def look_at_region(served: Any, desk: Any) -> None:
    """The slider reads out what holds, also when moved early and when an answer is lost."""
    held: list[Any] = []
    lost: list[Any] = []
    desk.route("**/static/look.js*", lambda route: held.append(route), times=1)
    desk.route("**/api/read-out*", lambda route: lost.append(route.abort()), times=1)
    go(desk, "Show me where it works")
    chance = desk.locator("[data-out=chance]")
    before = chance.inner_text()
    desk.locator("#slide-speed").fill("900")
    held[0].continue_()
    desk.locator("[data-out=chance]", has_text="under 0.1 %").wait_for()
    assert lost
    assert desk.locator("#look-says").inner_text() == ""
    assert before != chance.inner_text()
    served.look(desk, "look-desk")
    settings = {burn.setting for burn in served.book.burns("bench", "birch 3", "cut")}
    assert desk.locator("svg.region:not(.key) title").count() == len(settings)
    go(desk, "Logbook")
    served.look(desk, "logbook-desk")


def test_eighteen_cells_and_the_setting_in_at_most_thirty_taps(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    maker = Shell(tmp_path)
    for words in (MACHINE, BIRCH):
        maker.run(*words)
    powers, speeds = "40,60,80", "4,8,10,12,18,30"
    maker.run("plan", "--powers", powers, "--speeds", speeds, "--slowest", "4")
    with serving(maker.book, chromium, pictures) as served:
        page, taps = served.device(PHONE, has_touch=True), 0

        def tap(place: Any) -> None:
            nonlocal taps
            place.tap()
            taps += 1

        board = {cell.label: cell for cell in served.book.board(served.code).cells}
        page.goto(page.url)
        tap(page.locator("summary", has_text="Something else"))
        tap(page.get_by_role("link", name="I have burnt a board"))
        page.wait_for_url("**/record")
        for _ in board:
            cell = board[page.locator(".cell.now").get_attribute("data-cell")]
            choices = page.locator(".pad:not([data-fresh]) .choice")
            falls = cell.power_pct / cell.speed_mm_s >= 4.2
            tap(choices.filter(has_text="Tan" if falls else "Not cut"))
        served.look(page, "record-done")
        tap(page.get_by_role("link", name="tell me what to set"))
        page.locator("[name=reliability]").select_option("0.9")
        tap(page.get_by_role("button", name="Work it out"))
        page.wait_for_url("**/setting/look?*")
    # Choosing "9 of 10" is two taps on a phone.
    assert taps + 2 <= 30
