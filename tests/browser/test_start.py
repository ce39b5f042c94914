"""From nothing to a board that can be burnt, counted in a real browser."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

from browsing import PHONE, serving


def test_four_screens_and_seven_taps_from_nothing_to_a_board(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    with serving(tmp_path / "book.sqlite3", chromium, pictures) as served:
        page, taps = served.device(PHONE, has_touch=True), 0
        screens = [page.url]
        page.on("framenavigated", lambda frame: screens.append(frame.url))

        def tap(place: Any) -> None:
            nonlocal taps
            place.tap()
            taps += 1

        served.look(page, "start")
        # The first field waits for the keys.
        assert page.evaluate("document.activeElement.name") == "rated_w"
        page.keyboard.type("60")
        tap(page.get_by_role("button", name="600x400 mm"))
        tap(page.get_by_role("button", name="400 mm/s"))
        tap(page.locator("[name=material]"))
        page.keyboard.type("birch plywood")
        tap(page.get_by_role("button", name="3 mm", exact=True))
        tap(page.get_by_role("button", name="Show me the first board"))
        page.wait_for_url("**/plan/look?*")
        served.look(page, "preview")
        keep = page.get_by_role("button", name="Keep this board")
        keep.wait_for()
        assert served.book.boards().total == 0
        tap(keep)
        page.wait_for_url("**/board/*")
        served.look(page, "board-new")
        with page.expect_download() as downloading:
            tap(page.get_by_role("link", name="All its files"))
        content = Path(downloading.value.path()).read_bytes()
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            assert f"{served.code}.svg" in archive.namelist()
    assert taps <= 7
    assert len(set(screens)) <= 4


def test_the_preview_is_drawn_anew_as_something_is_chosen(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    with serving(tmp_path / "book.sqlite3", chromium, pictures) as served:
        page = served.device(PHONE)
        for name, value in {"rated_w": "60", "bed_mm": "600x400", "max_speed_mm_s": "400",
                            "material": "mdf", "thickness_mm": "3"}.items():  # fmt: skip
            page.locator(f"[name={name}]").fill(value)
        page.get_by_role("button", name="Show me the first board").click()
        page.wait_for_url("**/plan/look?*")
        assert page.locator("svg.board .cell").count() == 6
        page.locator("[name=burns]:not([type=hidden])").select_option("4")
        page.wait_for_url("**burns=4*")
        assert page.locator("svg.board .cell").count() == 4
        page.locator("[name=offcut_mm]:not([type=hidden])").fill("100x50")
        page.keyboard.press("Tab")
        page.wait_for_url("**offcut_mm=100x50*")
        page.get_by_role("button", name="Keep this board").click()
        page.wait_for_url("**/board/*")
        assert served.book.board(served.code).board_mm == (100.0, 50.0)
        page.go_back()
        page.locator("[name=offcut_mm]:not([type=hidden])").fill("5x5")
        page.keyboard.press("Tab")
        # Too small: said at its field.
        page.locator("h1", has_text="I want to find").wait_for()
        page.get_by_role("alert").wait_for()
