"""A real browser for tests of the page, headless, offline but for the page itself.

Chromium is Debian's; tests/run.py installs it where it may. Where it is missing these tests are
skipped and say so; on CI they fail.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
IS_CI = os.environ.get("CI", "").lower() not in {"", "0", "false"}
# Everything waits for the machine, which may be busy with other tests.
_PATIENCE_MS = 240_000


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """Debian's Chromium, started for each module: its event loop must end before others begin."""
    program = shutil.which("chromium")
    if program is None:
        words = "chromium isn't installed: apt-get install chromium"
        if IS_CI:
            pytest.fail(words)
        pytest.skip(words)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()


class Served:
    """A page that answers on a free port of this computer."""

    def __init__(self, book: Any, browser: Any, pictures: Path | None) -> None:
        self.book, self._browser, self._pictures = book, browser, pictures
        # So much later than it is, for whoever lets people in [s].
        self.later_s = 0.0
        self.faults: list[str] = []
        self._start(0)

    def _start(self, port: int) -> None:
        from calib.web.serving import open_site

        clock = lambda: time.monotonic() + self.later_s  # noqa: E731
        self.site = open_site(self.book, port=port, clock=clock)
        self._running = threading.Thread(target=self.site.run)
        self._running.start()

    def end(self) -> None:
        """Stop answering."""
        self.site.stop()
        self._running.join(20)

    def restart(self) -> None:
        """Stop answering, and begin anew at the same address; who was let in is forgotten."""
        self.end()
        self._start(int(self.site.address.rpartition(":")[2]))

    @property
    def code(self) -> str:
        """Code of the newest board."""
        return str(self.book.boards(limit=1).entries[0].id)

    def device(self, size: dict[str, int], **kind: Any) -> Any:
        """A device of its own that was let in; gives its page."""
        context = self._browser.new_context(viewport=size, reduced_motion="reduce", **kind)
        context.set_default_timeout(_PATIENCE_MS)
        page = context.new_page()
        page.on("pageerror", lambda error: self.faults.append(f"{page.url}: {error}"))
        page.on("console", self._listen)
        page.on("request", self._outside)
        return self.let_in(page)

    def let_in(self, page: Any) -> Any:
        """Open the address that the terminal shows."""
        page.goto(self.site.way_in())
        page.get_by_role("button", name="Open calib here").click()
        page.wait_for_url("**/")
        return page

    def look(self, page: Any, name: str) -> None:
        """Keep a picture of the whole page, where people asked for pictures to look at."""
        if self._pictures:
            page.screenshot(path=self._pictures / f"{name}.png", full_page=True)

    def _listen(self, message: Any) -> None:
        # A lost connection or a refusal is what some tests are about; their pages say it.
        if message.type == "error" and "Failed to load resource" not in message.text:
            self.faults.append(message.text)

    def _outside(self, request: Any) -> None:
        if not request.url.startswith((self.site.address, "data:", "blob:")):
            self.faults.append(f"asked for {request.url}")


@contextmanager
def serving(book_place: Path, browser: Any, pictures: Path | None) -> Iterator[Served]:
    """Serve a logbook while the body runs; scripts that fail and requests outside fail the test."""
    from calib.logbook import open_book

    with open_book(book_place) as book:
        served = Served(book, browser, pictures)
        try:
            yield served
        finally:
            for context in browser.contexts:
                context.close()
            served.end()
    assert served.faults == []


@pytest.fixture(scope="session")
def pictures() -> Path | None:
    """Where pictures go: CALIB_PICTURES; None when nobody wants to look at them."""
    wish = os.environ.get("CALIB_PICTURES")
    if not wish:
        return None
    Path(wish).mkdir(parents=True, exist_ok=True)
    return Path(wish)
