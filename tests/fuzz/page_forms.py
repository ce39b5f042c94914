"""Send the pages' forms and addresses whatever a browser might, and more; look what is stored."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from random import Random
from typing import Any
from urllib.parse import parse_qsl, quote

import grammars
from book_readers import rows
from hostile import bend, encoded, grow
from visitor import House, Visitor

from calib.web.app import PARTS

# Pages that fit, plan or draw; one in so many inputs is sent to them.
_SLOW = re.compile(
    r"/(look|setting|plan|check|elsewhere|card|track|lot/plan|lot/verdict|board)\b.*"
)
_ONE_IN = 10


def routes() -> list[tuple[str, str]]:
    """Method and path of every route of the pages."""
    found = [route for part in PARTS for route in part.router.routes]
    pages = [route for route in found if not route.path.startswith("/api/")]
    return sorted((method, route.path) for route in pages for method in route.methods)


def fuzz_pages(house: House, examples: int, seed: int) -> Iterator[tuple[str, Counter[int]]]:
    """Fuzz every route of the pages; give the answers by status."""
    random = Random(seed)
    known = {"board_id": house.book.boards(limit=1).entries[0].id, "what": "job"}
    for method, path in routes():
        guest, count = house.guest(), Counter[int]()
        for _ in range(max(1, examples // (_ONE_IN if _SLOW.fullmatch(path) else 1))):
            count[_answer(house, guest, (method, _filled(path, known, random)), random)] += 1
        yield f"{method} {path}", count


def _filled(path: str, known: dict[str, str], random: Random) -> str:
    """A path with something in the place of each name."""

    def part(match: re.Match[str]) -> str:
        text = grow(grammars.FORM, random, "text").encode("utf-8", "surrogatepass")
        return quote(known.get(match[1], "a") if random.random() < 0.5 else text, safe="") or "a"

    return re.sub(r"\{(\w+)[^}]*\}", part, path)


def _answer(house: House, guest: Visitor, address: tuple[str, str], random: Random) -> int:
    """Send a request; a refused one may not leave anything in the logbook."""
    method, path = address
    text = bend(encoded(grow(grammars.FORM, random), random), random, ("&", "=", "%00"))
    fields = dict(parse_qsl(text.decode("utf-8", "replace"), keep_blank_values=True))
    sent: dict[str, Any] = {"params" if method == "GET" else "data": fields}
    if path.endswith("/results"):
        content = encoded(grow(grammars.RESULTS, random), random)
        sent["files"] = {"results": (fields.get("name", "r.csv"), content, "text/csv")}
    before = rows(house.book)
    response = guest.request(method, path, **sent)
    assert response.status_code < 500, (method, path, sent, response.text[:500])
    refused = response.status_code >= 400 or "again=" in response.headers.get("location", "")
    assert not refused or rows(house.book) == before, (method, path, sent)
    return int(response.status_code)
