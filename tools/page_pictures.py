"""Draw README's pictures of the page from the book of the demo, which was played before.

    .venv/bin/python tools/page_pictures.py

needs the tests' packages and Debian's chromium; `tools/rewrite.py` starts it. The phone records
the next board of the demo's birch, of which three cells are read.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

from calib.logbook import open_book
from calib.web.serving import open_site

DEMO = Path(__file__).resolve().parent.parent / "demo"
PHONE = {"width": 390, "height": 664}
# What comes out of the first cells of that board; invented.
TAPS = ("Tan", "Not cut", "Hangs")
COLOURS = 48


def main() -> int:
    """Draw both; 0 when all went well."""
    program = shutil.which("chromium")
    if program is None:
        sys.stderr.write("chromium isn't installed: the pictures of the page stay as they are.\n")
        return 0
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "logbook.sqlite3"
        shutil.copyfile(DEMO / "out" / "logbook.sqlite3", place)
        with open_book(place) as book:
            site = open_site(book, port=0)
            answering = threading.Thread(target=site.run)
            answering.start()
            try:
                with sync_playwright() as playwright:
                    browser = playwright.chromium.launch(executable_path=program)
                    draw(site, browser)
                    browser.close()
            finally:
                site.stop()
                answering.join()
    return 0


def draw(site: Any, browser: Any) -> None:
    """Home, then the board that is planned next, with three cells recorded."""
    page = browser.new_page(viewport=PHONE, has_touch=True, reduced_motion="reduce")
    page.goto(site.way_in())
    page.get_by_role("button", name="Open calib here").click()
    page.wait_for_url("**/")
    keep(page, "page-home.png")
    page.goto(f"{site.address}/plan/look?sheet=birch+3&machine=bench&burns=6&offcut_mm=150x60")
    page.get_by_role("button", name="Keep this board").click()
    page.wait_for_url("**/board/*")
    page.goto(page.url + "/record")
    for word in TAPS:
        page.locator(".pad:not([data-fresh]) .choice").filter(has_text=word).first.tap()
        page.locator("#status", has_text="stored").wait_for()
    page.locator(".cell.waits").first.wait_for(state="detached")
    page.locator(".pad:not([data-fresh])").wait_for()
    keep(page, "page-record.png")


def keep(page: Any, name: str) -> None:
    """Keep what the screen shows, in few colours: small, and the same again."""
    image = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(DEMO / name, optimize=True)


if __name__ == "__main__":
    sys.exit(main())
