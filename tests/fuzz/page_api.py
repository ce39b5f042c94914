"""Send the JSON interface whatever its description allows, and what it doesn't; the pages too.

    .venv/bin/python tests/fuzz/page_api.py [examples for each route; 250] [seed; 1]

prints each route with the number of answers by status, and how many requests it were in all. It
ends with 1 when any answer was a defect (500), an error in another shape than the one that is
described, or left something in the logbook although a page's form was refused. Routes that fit or
plan are asked less often.
"""

from __future__ import annotations

import contextlib
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as seeded
from hypothesis.errors import Unsatisfiable
from page_forms import fuzz_pages
from shell import BIRCH, MACHINE, Shell, cut_cleanly
from visitor import House, Visitor, error_of, house_of

# Some recommendations take seconds; one in so many examples is asked for.
_SLOW = {"/api/recommendations": 40, "/api/read-out": 4}


def main() -> int:
    """Fuzz a logbook with one burnt board; 0 when nothing is found."""
    examples, seed = (int(word) for word in (*sys.argv[1:], *("250", "1")[len(sys.argv) - 1 :]))
    with tempfile.TemporaryDirectory() as folder:
        shell = Shell(Path(folder))
        for words in (MACHINE, BIRCH):
            shell.run(*words)
        shell.burn(shell.json("plan", "--burns", "6")["grid"], cut_cleanly)
        with house_of(shell.book) as house:
            found = {}
            for name, count in chain(
                fuzz(house, examples, seed), fuzz_pages(house, examples, seed)
            ):
                found[name] = count
                print(f"{name:<58} {dict(sorted(count.items()))}", flush=True)
    print(f"{sum(count.total() for count in found.values())} requests to {len(found)} routes")
    return 1 if any(500 in count for count in found.values()) else 0


def fuzz(house: House, examples: int, seed: int) -> Iterator[tuple[str, Counter[int]]]:
    """Fuzz every operation of the description; give the answers by status."""
    import schemathesis
    from schemathesis import GenerationMode

    guest = house.guest()
    description = guest.get("/api/openapi.json").json()
    schema = schemathesis.openapi.from_dict(description)
    code = house.book.boards(limit=1).entries[0].id
    for result in schema.get_all_operations():
        operation = result.ok()
        count: Counter[int] = Counter()
        many = max(1, examples // _SLOW.get(operation.path, 1))
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            _run(guest, operation.as_strategy(generation_mode=mode), (code, many, seed), count)
        yield f"{operation.method.upper()} {operation.path}", count


def _run(guest: Visitor, cases: Any, how: tuple[str, int, int], count: Counter[int]) -> None:
    code, many, seed = how

    @seeded(seed)
    @settings(
        max_examples=many,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=cases)
    def one(case: Any) -> None:
        count[answer(guest, case, code)] += 1

    # Nothing can be wrong with a request that has nothing to be given.
    with contextlib.suppress(Unsatisfiable):
        one()


def answer(guest: Visitor, case: Any, code: str) -> int:
    """Send a case; every other one to a board that is there. Give the status."""
    if "board_id" in (case.path_parameters or {}) and len(str(case.path_parameters)) % 2:
        case.path_parameters["board_id"] = code
    sent = case.as_transport_kwargs(base_url="http://127.0.0.1:8137")
    headers = {k: v for k, v in dict(sent.pop("headers", None) or {}).items() if _fits(k, v)}
    for name in ("cookies", "timeout", "verify"):
        sent.pop(name, None)
    method, url = sent.pop("method"), sent.pop("url")
    if isinstance(sent.get("data"), (bytes, str)):
        sent["content"] = sent.pop("data")
    response = guest.request(method, url, headers={**headers, **guest.headers}, **sent)
    if response.status_code >= 400:
        error = error_of(response)
        assert response.status_code < 500, (method, url, sent, error)
    elif response.headers.get("content-type") == "application/json":
        json.loads(response.text, parse_constant=_no_number)
    return int(response.status_code)


def _fits(name: str, value: Any) -> bool:
    return name.lower() not in {"host", "cookie", "origin", "user-agent"} and str(value).isascii()


def _no_number(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")


if __name__ == "__main__":
    raise SystemExit(main())
