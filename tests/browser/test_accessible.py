"""Every page by an automatic checker, light and dark, and with a ruler for what is tapped."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import DESK, PHONE, ROOT, Served, serving
from shell import BIRCH, MACHINE, Shell, cut_cleanly

from calib.web.app import PARTS

PAGES = (
    "/", "/machine/new", "/sheet/new", "/material", "/plan", "/burnt", "/board/last",
    "/board/last/record", "/look", "/setting", "/job", "/hang", "/lot", "/change", "/logbook",
    "/sheet?name=birch+3", "/history", "/phones", "/nothing", "/done/kept", "/check", "/track",
    "/elsewhere", "/machine?name=bench", "/machine/moves?name=bench", "/lot/taken?sheet=birch+3",
    "/drawing", "/start",
    "/plan/look?burns=4", "/setting/look?power_pct=80&speed_mm_s=12", "/machines", "/undo",
    "/undo?machine=bench", "/withdraw", "/withdraw?sheet=birch+3", "/withdrawn", "/sessions",
    "/costs", "/questions", "/keeping", "/restore?file=none", "/import", "/joints", "/joint/last",
    "/kerf", "/focus", "/stair", "/proof", "/results", "/wattages", "/wattages?sheet=birch+3",
    "/cause",
    "/sheet/change?name=birch+3", "/enter/none",
    "/lot/verdict?sheet=birch+3",
)  # fmt: skip
# What one comes to by a form, and the button that sends it.
LED_TO = {
    "/drawing": ("Look at it", "&class-0=cut&power_pct=80&speed_mm_s=12"),
    "/elsewhere": ("Where do I begin?", ""),
}
# What these give is no page.
FILES = ("/files", "/picture.svg", "/chart.png", "/card", "/export/", "/resume", "/{name}")
PANEL = ROOT / "tests" / "reference" / "drawings" / "panel.svg"
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
# The dark page differs in its colours, the wide one in where things stand.
RULES = ("color-contrast", "target-size", "scrollable-region-focusable", "link-in-text-block")
ALL, LOOKS = (
    {"runOnly": {"type": kind, "values": list(values)}, "resultTypes": ["violations"]}
    for kind, values in (("tag", TAGS), ("rule", RULES))
)
# WCAG 2.2, 1.4.10 Reflow: 320 px; 1.4.4 Resize text: a desk at 200 % has half of its pixels.
NARROW, ZOOMED = {"width": 320, "height": 568}, {"width": 640, "height": 450}
SETTINGS = {
    "phone": (PHONE, {}, ALL),
    "dark": (DESK, {"color_scheme": "dark"}, LOOKS),
    "320": (NARROW, {}, LOOKS),
    "zoomed": (ZOOMED, {"color_scheme": "dark"}, LOOKS),
    "forced": (DESK, {"forced_colors": "active"}, LOOKS),
}
# What a finger has to hit stands alone; links inside a sentence may be as high as the line.
SMALL = """() => [...document.querySelectorAll(
  "button, select, input:not([type=radio]):not([type=hidden]), textarea, summary, .pick, .way,"
  + " .hit, .main-button, .plain-button, nav a, .home, .files a, .lines a, .kept a")]
  .filter((one) => one.checkVisibility())
  .map((one) => [one.getBoundingClientRect(), one.outerHTML.slice(0, 80)])
  .filter(([box]) => box.width > 0 && (box.width < 43.9 || box.height < 43.9))
  .map(([box, html]) => `${box.width.toFixed(1)} x ${box.height.toFixed(1)}: ${html}`)"""
LOOK = f"""async rules => [
  (await axe.run(document, rules)).violations,
  ({SMALL})(),
  document.documentElement.scrollWidth > innerWidth]"""


@pytest.fixture(scope="module")
def served(
    tmp_path_factory: pytest.TempPathFactory, chromium: Any, pictures: Path | None
) -> Iterator[Served]:
    """A page over a logbook with a burnt board and one that waits."""
    maker = Shell(tmp_path_factory.mktemp("accessible"))
    for words in (MACHINE, BIRCH):
        maker.run(*words)
    maker.burn(maker.json("plan", "--burns", "6")["grid"], cut_cleanly)
    maker.run("keep", "--power", "80", "--speed", "12", "--yes")
    maker.run("plan", "--for", "joint")
    maker.run("record", "last", "--tight", "S1-S3", "--snug", "S4", "--loose", "S5-S9")
    maker.run("plan", "--burns", "6", "--offcut", "150x60")
    with serving(maker.book, chromium, pictures) as made:
        yield made


def led_to(page: Any, base: str) -> list[str]:
    """Fill forms in, and give the addresses of what they lead to."""
    found = []
    for path, (button, more) in LED_TO.items():
        page.goto(base + path)
        if path == "/drawing":
            page.locator("#drawing").set_input_files(PANEL)
        else:
            page.locator("[name=rated_w]").fill("80 W")
        page.get_by_role("button", name=button).click()
        page.wait_for_url(f"**{path}/*")
        found.append(page.url.removeprefix(base) + more)
    return found


def test_no_page_is_left_out() -> None:
    seen = [*PAGES, "/drawing/word", "/elsewhere/start"]
    for part in PARTS:
        for route in part.router.routes:
            is_page = "GET" in route.methods and not route.path.startswith("/api/")
            if is_page and not route.path.endswith(FILES) and "/export/" not in route.path:
                address = re.sub(r"{\w+}", "[^/?]+", route.path)
                assert any(re.fullmatch(address + r"(\?.*)?", one) for one in seen), route.path


def wrong_with(page: Any, rules: dict[str, Any]) -> list[str]:
    """What the checker, which is in the page, and the ruler find."""
    found, small, too_wide = page.evaluate(LOOK, rules)
    said = [f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:200]}" for one in found]
    return said + small + ["wider than the screen"] * too_wide


def test_no_page_has_a_violation(served: Served) -> None:
    from axe_playwright_python.base import AXE_SCRIPT

    page = served.device(PHONE)
    base, wrong = page.url.rstrip("/"), {}
    for path in (*PAGES, *led_to(page, base)):
        page.set_viewport_size(PHONE)
        page.goto(base + path)
        page.evaluate(AXE_SCRIPT)
        for name, (size, colours, rules) in SETTINGS.items():
            page.set_viewport_size(size)
            page.emulate_media(**{"color_scheme": "light", "forced_colors": "none", **colours})
            place = path.strip("/").split("?")[0].replace("/", "-") or "desk"
            served.look(page, f"{place}-{name}")
            if found := wrong_with(page, rules):
                wrong[f"{path}, {name}"] = found
    assert wrong == {}


def test_the_record_of_a_board_can_be_printed(served: Served) -> None:
    page = served.device(DESK)
    page.goto(page.url.rstrip("/") + "/board/last")
    page.emulate_media(media="print")
    assert not page.get_by_role("button", name="Record it").is_visible()
    assert page.locator(".cautions").is_visible()
    box = page.locator("svg.board").bounding_box()
    # 150 mm and the rim of 2 mm on both sides, at 96 px to the inch.
    assert box["width"] == pytest.approx(154 / 25.4 * 96, abs=1)
    assert page.pdf(format="A4").startswith(b"%PDF")
