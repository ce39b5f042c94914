"""Forms in a real browser: what was typed stays, what is wrong is pointed at, going back works."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from browsing import DESK, PHONE, serving
from shell import BIRCH, MACHINE, Shell


def test_a_wrong_field_is_pointed_at_and_the_rest_stays(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    with serving(tmp_path / "book.sqlite3", chromium, pictures) as served:
        page = served.device(PHONE)
        page.goto(served.site.address + "/machine/new")
        typed = {
            "name": "bench",
            "rated_w": "60 kg",
            "bed_mm": "24x16 in",
            "max_speed_mm_s": "400 mm/s",
        }
        for name, value in typed.items():
            page.locator(f"[name={name}]").fill(value)
        page.get_by_label("diode laser").check()
        page.get_by_role("button", name="Record it").click()
        page.locator("#rated_w-wrong", has_text="60 kg").wait_for()
        served.look(page, "machine-new-wrong")
        assert page.evaluate("document.activeElement.name") == "rated_w"
        assert {name: page.locator(f"[name={name}]").input_value() for name in typed} == typed
        assert page.get_by_label("diode laser").is_checked()
        page.locator("[name=rated_w]").fill("60 W")
        page.get_by_role("button", name="Record it").click()
        page.wait_for_url("**/machine?name=bench")
        served.look(page, "machine")
        assert served.book.machine("bench").rated_w == 60.0
        # Back to the form as it was refused, not to an error of the browser.
        page.go_back()
        assert page.locator("[name=rated_w]").input_value() in ("60 kg", "60 W")
        page.go_back()
        page.locator("h1", has_text="Here is my machine").wait_for()


def test_going_back_after_keeping_a_board_shows_it_again(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    maker = Shell(tmp_path)
    maker.run(
        "machine", "add", "another", "--watts", "40", "--bed", "300x200", "--top-speed", "300"
    )
    for words in (MACHINE, BIRCH, ("plan", "--machine", "bench", "--burns", "4")):
        maker.run(*words)
    with serving(maker.book, chromium, pictures) as served:
        page = served.device(DESK)
        page.goto(served.site.address + "/plan")
        assert page.locator("[name=machine]").input_value() == "bench"
        page.locator("[name=offcut_mm]").fill("6 x 2 in")
        page.get_by_role("button", name="Let me look").click()
        page.get_by_role("button", name="Keep this board").click()
        page.wait_for_url("**/board/*")
        answer = page.go_back()
        assert answer.status == 200
        page.get_by_role("button", name="Keep this board").wait_for()
        page.go_back()
        assert page.locator("[name=offcut_mm]").input_value() == "6 x 2 in"


def test_slots_are_tapped_and_the_answer_follows(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    maker = Shell(tmp_path)
    for words in (MACHINE, BIRCH, ("keep", "--power", "80", "--speed", "12", "--yes")):
        maker.run(*words)
    maker.run("plan", "--for", "joint", "--slots", "5", "--tongues", "5")
    with serving(maker.book, chromium, pictures) as served:
        page = served.device(PHONE, has_touch=True)
        page.goto(served.site.address + "/joint/last")
        for slot, feel in (("S1", "tight"), ("S2", "snug"), ("S3", "loose")):
            page.get_by_label(re.compile(f"{slot}, .*: {feel}")).tap()
        page.locator("#told", has_text="Snug slot S2").wait_for()
        served.look(page, "joint-tapped")
        page.reload()
        assert page.get_by_label(re.compile("S2, .*: snug")).is_checked()
