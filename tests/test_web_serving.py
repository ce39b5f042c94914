"""The page as a program: what it prints, that it answers, and who it doesn't wait for."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from shell import Shell

from calib.errors import CalibError
from calib.logbook import open_book
from calib.web import serving
from calib.web.serving import Site, open_site, ways_in


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """A page on a free port, answering."""
    with open_book(tmp_path / "book.sqlite3") as book:
        made = open_site(book, port=0)
        running = threading.Thread(target=made.run)
        running.start()
        yield made
        made.stop()
        running.join(10)
        assert not running.is_alive()


def test_the_command_prints_a_way_in_that_works_once(shell: Shell) -> None:
    command = [sys.executable, "-m", "calib", "serve", "--port", "0", "--json"]
    with subprocess.Popen(
        [*command, "--book", str(shell.book)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as program:
        assert program.stdout is not None
        text = "".join(iter(program.stdout.readline, "}\n")) + "}"
        address = json.loads(text)["address"]
        base = address.split("/enter/")[0]
        with httpx.Client(base_url=base, headers={"Origin": base}) as client:
            assert client.get(base + "/").status_code == 401
            assert client.get(address).status_code == 200
            assert client.post(address).headers["location"] == "/"
            assert client.get(base + "/").status_code == 200
            assert client.post(address).status_code == 410
        program.terminate()
        assert program.wait(20) is not None


def test_only_this_computer_is_listened_to(site: Site) -> None:
    assert site.address.startswith("http://127.0.0.1:")
    assert ways_in(site).keys() == {"address"}
    assert "phone" not in site.words()
    assert site.way_in_for_a_phone() == ""


def test_phones_get_an_address_and_a_code_of_their_own(tmp_path: Path) -> None:
    with open_book(tmp_path / "book.sqlite3") as book:
        site = open_site(book, port=0, lan="127.0.0.2")
        try:
            first, second = site.way_in_for_a_phone(), site.way_in_for_a_phone()
            assert first.startswith("http://127.0.0.2:")
            assert first != second
            assert "█" in site.words()
        finally:
            site.close()


def test_a_port_that_is_taken_is_said(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, open_book(tmp_path / "b.db") as book:
        port = taken.getsockname()[1]
        with pytest.raises(CalibError, match=f"port {port} .*--port"):
            open_site(book, port=port)


def test_whoever_does_not_finish_a_request_is_hung_up_on(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "HEAD_S", 0.2)
    host, port = site.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=10) as slow:
        slow.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert slow.recv(100) == b""


def test_whoever_sits_idle_makes_room_for_others(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "CROWDED", 5)
    base = site.address
    host, port = base.removeprefix("http://").split(":")
    asked = f"GET / HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode()
    session = [socket.create_connection((host, int(port)), timeout=5)]
    session[0].sendall(asked)
    answer = b""
    while not answer.endswith(b"</html>"):
        answer += session[0].recv(65536)
    session += [socket.create_connection((host, int(port)), timeout=5) for _ in range(11)]
    try:
        assert httpx.get(f"{base}/", timeout=10).status_code == 401
        assert [one.recv(100) for one in session[:6]] == [b""] * 6, "the idlest ones went"
    finally:
        for one in session:
            one.close()
