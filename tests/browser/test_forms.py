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


def test_a_form_asks_only_what_the_choice_needs(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    maker = Shell(tmp_path)
    for words in (MACHINE, BIRCH, ("plan", "--burns", "4")):
        maker.run(*words)
    with serving(maker.book, chromium, pictures) as served:
        page = served.device(PHONE)
        page.goto(served.site.address + "/setting")
        sure, strong = page.get_by_label("How sure must"), page.get_by_label("Mark: how strong")
        path = page.get_by_label("The job's cut path")
        assert (sure.is_visible(), strong.is_visible(), path.is_visible()) == (True, False, False)
        page.get_by_label("a whole job").check()
        assert path.is_visible()
        page.get_by_label("mark lines").check()
        assert (sure.is_visible(), strong.is_visible(), path.is_visible()) == (False, True, False)
        served.look(page, "setting-mark")
        # A wide table: on a phone nothing of it lies beyond the edge.
        page.goto(served.site.address + "/machines")
        frame = "document.querySelector('.table-frame')"
        assert page.evaluate(f"{frame}.scrollWidth <= {frame}.clientWidth")
        assert page.get_by_role("cell", name="CO2 laser").is_visible()
        # On a desk a board that is recorded lies there whole.
        desk = served.device(DESK)
        desk.goto(f"{served.site.address}/board/{served.code}/record")
        frame = "document.querySelector('.board-frame')"
        assert desk.evaluate(f"{frame}.scrollWidth <= {frame}.clientWidth")


def test_what_is_needed_is_never_asked_where_it_is_folded_away(
    tmp_path: Path, chromium: Any, pictures: Path | None
) -> None:
    """A browser doesn't send a form whose needed field can't be seen, and doesn't say why."""
    maker = Shell(tmp_path)
    for words in (MACHINE, BIRCH, ("plan", "--burns", "4")):
        maker.run(*words)
    with serving(maker.book, chromium, pictures) as served:
        page = served.device(PHONE)
        for path in ("start", "change", "machine?name=bench", "machine/new", "plan", "setting",
                     "sheet/new", "joints", "sessions", "board/last", "job"):  # fmt: skip
            page.goto(f"{served.site.address}/{path}")
            hidden = "details:not([open]) form :invalid, form details:not([open]) :invalid"
            inside = f"[...document.querySelectorAll('{hidden}')]"
            # A form that is folded away as a whole is opened before it is sent.
            asked = f"{inside}.filter((e) => !e.closest('details').querySelector('form'))"
            assert page.evaluate(f"{asked}.map((e) => e.name)") == [], path
        page.goto(served.site.address + "/change")
        page.get_by_label("A mirror").check()
        page.get_by_role("button", name="Record it").click()
        page.wait_for_url("**/done/change**")
        assert served.book.setups("bench")[-1].what == "mirror"
