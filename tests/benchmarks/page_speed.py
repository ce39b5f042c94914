"""How large and how quick the page is, and how long a tap takes with twenty phones at once.

    .venv/bin/python tests/benchmarks/page_speed.py [taps of each phone; 30]

starts the page as a program of its own on a logbook with one board of 60 cells, and prints

- the size and the time of some pages with all that they load, the median of 20 visits;
- the round trip of a tap (to the disk and back) for twenty phones that each tap once a second,
  each at moments of its own, and for the same phones tapping all at the same moment.

Nothing is random. Figures depend on the machine, and on what else it is doing: the load is printed.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from shell import BIRCH, MACHINE, Shell

PHONES, PAUSE_S, VISITS = 20, 1.0, 20
_PAGES = ("/", "/board/last/record", "/look")
# The child opens the book, gives each phone its way in, and serves.
_SERVE = """
import json, sys
from calib.logbook import open_book
from calib.web.serving import open_site
with open_book(sys.argv[1]) as book:
    site = open_site(book, port=0)
    print(json.dumps([site.way_in() for _ in range(int(sys.argv[2]))]), flush=True)
    site.run()
"""


def main() -> int:
    """Measure; print the tables."""
    taps = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    with tempfile.TemporaryDirectory() as folder:
        shell = Shell(Path(folder))
        for words in (MACHINE, BIRCH):
            shell.run(*words)
        speeds = ",".join(str(speed) for speed in range(4, 34, 2))
        wide = ("--powers", "30,45,60,75", "--speeds", speeds, "--slowest", "4")
        grid = shell.json("plan", *wide)["grid"]
        command = [sys.executable, "-c", _SERVE, str(shell.book), str(PHONES + 1)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
            assert program.stdout is not None
            ways = json.loads(program.stdout.readline())
            try:
                asyncio.run(measure(ways, grid, taps))
            finally:
                program.terminate()
    return 0


async def measure(ways: list[str], grid: dict[str, Any], taps: int) -> None:
    """Let the phones in, then measure pages and taps."""
    print(f"load of the machine at the start: {os.getloadavg()[0]:.1f}, cores: {os.cpu_count()}")
    guests = [await enter(way) for way in ways]
    print(f"\n{'page':<26}{'kB with assets':>16}{'ms, median':>12}")
    for path in _PAGES:
        size, times = await visit(guests[0], path)
        print(f"{path:<26}{size / 1000:>16.1f}{1000 * at(times, 0.5):>12.1f}")
    print(f"\n{'taps of ' + str(PHONES) + ' phones':<26}{'count':>8}{'median':>10}{'95 %':>8} ms")
    spread = await crowd(guests[1:], grid, taps, "a", together=False)
    say("each at its own moment", spread)
    say("all at the same moment", await crowd(guests[1:], grid, taps, "b", together=True))
    for guest in guests:
        await guest.aclose()


async def enter(way: str) -> httpx.AsyncClient:
    """Let a phone in."""
    base = way.split("/enter/")[0]
    guest = httpx.AsyncClient(base_url=base, headers={"Origin": base}, timeout=60)
    assert (await guest.post(way)).status_code == 303
    return guest


async def visit(guest: httpx.AsyncClient, path: str) -> tuple[int, list[float]]:
    """Open a page again and again; its size includes every asset, its time is the page's own."""
    times, page = [], await guest.get(path)
    names = [word.split('"')[0] for word in page.text.split('"/static/')[1:]]
    sizes = [len((await guest.get(f"/static/{name}")).content) for name in names]
    for _ in range(VISITS):
        start = time.perf_counter()
        assert (await guest.get(path)).status_code == 200
        times.append(time.perf_counter() - start)
    return len(page.content) + sum(sizes), times


async def crowd(
    guests: list[httpx.AsyncClient], grid: dict[str, Any], taps: int, name: str, *, together: bool
) -> list[float]:
    """Round trips [s] of many phones that each go through the board's cells."""
    cells = [cell["label"] for cell in grid["cells"]]
    saw: dict[str, str] = {}
    start = time.perf_counter() + 0.1

    async def phone(number: int) -> list[float]:
        times = []
        shift = 0.0 if together else PAUSE_S * number / PHONES
        for turn in range(taps):
            await asyncio.sleep(max(0.0, start + shift + PAUSE_S * turn - time.perf_counter()))
            cell = cells[(3 * number + turn) % len(cells)]
            key = f"{name}-{number:03d}-{turn:04d}"
            body = {"key": key, "cell": cell, "note": key, "saw": saw.get(cell, "")}
            begun = time.perf_counter()
            answer = await post(guests[number], f"/api/boards/{grid['board_id']}/taps", body)
            times.append(time.perf_counter() - begun)
            assert answer.status_code == 200, answer.text
            saw[cell] = answer.json()["look"]
        return times

    found = await asyncio.gather(*(phone(number) for number in range(PHONES)))
    return [one for times in found for one in times]


async def post(guest: httpx.AsyncClient, path: str, body: dict[str, Any]) -> httpx.Response:
    """Send a tap; once more, as the page does, when the connection was closed meanwhile."""
    try:
        return await guest.post(path, json=body)
    except httpx.TransportError:
        return await guest.post(path, json=body)


def at(times: list[float], share: float) -> float:
    """The time that this share of them doesn't exceed [s]."""
    return sorted(times)[min(len(times) - 1, int(share * len(times)))]


def say(name: str, times: list[float]) -> None:
    """Print one line."""
    print(f"{name:<26}{len(times):>8}{1000 * at(times, 0.5):>10.1f}{1000 * at(times, 0.95):>8.1f}")


if __name__ == "__main__":
    raise SystemExit(main())
