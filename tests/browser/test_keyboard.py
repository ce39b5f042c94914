"""The keyboard alone, from nothing to a kept setting, and over the region."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from browsing import DESK, serving
from shell import cut_cleanly

FOCUSED = "document.activeElement"


def tab_to(page: Any, words: str) -> None:
    """Press Tab until what has these words, or this name, has the focus."""
    operated = f"{FOCUSED}.matches('a, button, input, select, summary')"
    said = f"{operated} ? ({FOCUSED}.name || '') + ' ' + {FOCUSED}.textContent : ''"
    for _ in range(120):
        if words in page.evaluate(said):
            # What has the focus is seen.
            assert page.evaluate(f"{FOCUSED}.matches(':focus-visible')")
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{words} can't be reached")


def test_from_nothing_to_a_kept_setting(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    with serving(tmp_path / "book.sqlite3", chromium, pictures) as served:
        page = served.device(DESK)
        for name, value in {"rated_w": "60", "bed_mm": "600x400", "max_speed_mm_s": "400",
                            "material": "birch plywood"}.items():  # fmt: skip
            tab_to(page, name)
            page.keyboard.type(value)
        tab_to(page, "3 mm")
        page.keyboard.press("Enter")
        tab_to(page, "Show me the first board")
        page.keyboard.press("Enter")
        page.wait_for_url("**/plan/look?*")
        tab_to(page, "burns")
        page.keyboard.press("End")
        page.wait_for_url("**burns=18*")
        tab_to(page, "Keep this board")
        page.keyboard.press("Enter")
        page.wait_for_url("**/board/*")
        tab_to(page, "I have burnt it")
        page.keyboard.press("Enter")
        page.wait_for_url("**/record")
        cells = {cell.label: cell for cell in served.book.board(served.code).cells}
        for _ in cells:
            page.locator(".pad:not([data-fresh]) .choice").first.wait_for()
            cell = cells[page.locator(".cell.now").get_attribute("data-cell")]
            through, char, _ = cut_cleanly(cell.power_pct, cell.speed_mm_s)
            page.keyboard.press(char if through == "through" else through[0])
        tab_to(page, "tell me what to set")
        page.keyboard.press("Enter")
        page.wait_for_url("**/setting?*")
        tab_to(page, "reliability")
        page.keyboard.press("Home")  # 9 of 10
        tab_to(page, "Work it out")
        page.keyboard.press("Enter")
        page.wait_for_url("**/setting/look?*")
        tab_to(page, "Keep it")
        page.keyboard.press("Enter")
        page.wait_for_url("**/done/kept")
        (kept,) = served.book.kept()
        assert kept.advice.reliability == 0.9
        region_by_keys_and_thumb(served, page)


def region_by_keys_and_thumb(served: Any, page: Any) -> None:
    """One step of the machine by a key or a tap; the cross is dragged, its read-out rides on it."""
    page.goto(served.site.address + "/look")
    served.look(page, "look-cross")
    ride = page.locator(".ride")
    assert " a metre" in ride.text_content()
    power, speed = (page.locator(f"#{name}-out") for name in ("power", "speed"))
    before = float(speed.inner_text().split()[0])
    tab_to(page, "Slower")
    page.keyboard.press("Enter")
    assert float(speed.inner_text().split()[0]) == pytest.approx(before - 0.1)
    watts = int(power.inner_text().split()[0])
    tab_to(page, "Less power")
    page.keyboard.press("Enter")
    assert int(power.inner_text().split()[0]) == watts - 1
    # Both are drawn: what is kept and what is advised.
    assert page.locator("svg.region:not(.key) .kept").count() == 1
    assert page.locator("svg.region:not(.key) .advised").count() == 2
    said, at = ride.text_content(), page.locator(".here .grip").bounding_box()
    x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 60, y - 40, steps=4)
    page.mouse.up()
    page.wait_for_function("before => document.querySelector('.ride').textContent !== before",
                           arg=said)  # fmt: skip
    moved = page.locator(".here .grip").bounding_box()
    assert abs(moved["x"] - at["x"] + 60) < 12
    assert abs(moved["y"] - at["y"] + 40) < 12
