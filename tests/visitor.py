"""A visitor for tests: the page in this process, entered through its door like anybody's phone."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from shell import Shell

from calib.logbook import Book, open_book

if TYPE_CHECKING:
    import httpx

HOST = "127.0.0.1:8137"
BASE = f"http://{HOST}"


class Clock:
    """Seconds that a test sets."""

    def __init__(self) -> None:
        self.seconds = 1000.0

    def __call__(self) -> float:
        return self.seconds


class Visitor:
    """A browser without a window: keeps cookies and sends the headers of our own pages."""

    def __init__(self, app: Any, base: str) -> None:
        import httpx

        # A defect is to be answered, as it is in earnest, not raised into the test.
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        self.headers = {"Origin": base}
        self.client = httpx.AsyncClient(transport=transport, base_url=base)

    def request(self, method: str, path: str, **sent: Any) -> httpx.Response:
        """Send a request and wait for its answer."""
        headers = {**self.headers, **sent.pop("headers", {})}
        return asyncio.run(self.client.request(method, path, headers=headers, **sent))

    def get(self, path: str, **sent: Any) -> httpx.Response:
        """Open an address."""
        return self.request("GET", path, **sent)

    def submit(self, path: str, data: dict[str, str]) -> httpx.Response:
        """Send a form as a browser does, and go where its answer leads."""
        response = self.post(path, data=data)
        for _ in range(3):
            if response.status_code != 303:
                return response
            response = self.get(response.headers["location"])
        raise AssertionError(f"{path} leads in circles")

    def post(self, path: str, **sent: Any) -> httpx.Response:
        """Send a form, JSON or a file."""
        return self.request("POST", path, **sent)


class House:
    """A page over a logbook, with its gate and clock at hand."""

    def __init__(self, book: Book, phone_address: str = "") -> None:
        from calib.web.app import make_app
        from calib.web.desk import Desk
        from calib.web.gate import Gate

        self.book, self.clock = book, Clock()
        self.gate = Gate(clock=self.clock)
        self.desk = Desk(book=book, gate=self.gate, phone_address=phone_address)
        self.app = make_app(self.desk, frozenset({HOST, "localhost:8137", "192.0.2.7:8137"}))

    def stranger(self, base: str = BASE) -> Visitor:
        """Somebody who wasn't let in."""
        return Visitor(self.app, base)

    def guest(self) -> Visitor:
        """Somebody who was let in."""
        visitor = self.stranger()
        assert visitor.post(f"/enter/{self.gate.new_token()}").status_code == 303
        return visitor


@contextmanager
def house_of(place: Path, phone_address: str = "") -> Iterator[House]:
    """Open a logbook and put a page over it."""
    with open_book(place) as book:
        yield House(book, phone_address)


@pytest.fixture(scope="session")
def empty_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty logbook, made once."""
    place = tmp_path_factory.mktemp("empty") / "book.sqlite3"
    with open_book(place):
        return place


@pytest.fixture
def house(shell: Shell, empty_book: Path) -> Iterator[House]:
    """A page over an empty logbook."""
    shell.book.write_bytes(empty_book.read_bytes())
    with house_of(shell.book, "http://192.0.2.7:8137") as made:
        yield made


@pytest.fixture
def planned_house(planned: Shell) -> Iterator[House]:
    """A page over a logbook with one planned board of six cells."""
    with house_of(planned.book) as made:
        yield made


@pytest.fixture
def evening_house(evening: Shell) -> Iterator[House]:
    """A page over a logbook with a full grid of cuts that was burnt."""
    with house_of(evening.book) as made:
        yield made


def error_of(response: Any) -> dict[str, Any]:
    """The error of an answer, which has one shape."""
    body = response.json()
    assert body.keys() == {"error"}
    error: dict[str, Any] = body["error"]
    assert error.keys() == {"kind", "message", "fields", "next_burns", "reading"}
    return error
