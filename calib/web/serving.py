"""Addresses, sockets and the server; only what is named here listens."""

from __future__ import annotations

import asyncio
import io
import socket
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import h11
import segno
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from calib.errors import CalibError
from calib.logbook import Book
from calib.texts.say import say
from calib.web.app import make_app
from calib.web.desk import Desk
from calib.web.gate import Gate

LOOPBACK = "127.0.0.1"
PORT = 8137
# From the first byte of a request to the end of its head [s].
HEAD_S = 10.0
_CONNECTIONS = 200
# From this many on, who comes takes the place of who is idle longest.
CROWDED = 150
# Asking the system which of its addresses would be used for this one sends nothing (RFC 5737).
_ELSEWHERE = ("192.0.2.1", 9)


class ImpatientProtocol(H11Protocol):
    """Hangs up on whoever doesn't finish the head of a request in time, or only sits there."""

    _waiting: asyncio.TimerHandle | None = None
    _heard = 0.0

    def connection_made(self, transport: Any) -> None:
        """Start the clock with the connection; when it is crowded, the idlest one goes."""
        super().connection_made(transport)
        self._heard = self.loop.time()
        self._wait()
        if len(self.connections) > CROWDED:
            self._make_room()

    def _make_room(self) -> None:
        idle = [c for c in self.connections if isinstance(c, ImpatientProtocol) and c.is_idle]
        if idle:
            idlest = min(idle, key=lambda one: one._heard)
            self.connections.discard(idlest)
            idlest.transport.abort()

    @property
    def is_idle(self) -> bool:
        """True while no request is being answered."""
        return self.cycle is None or self.cycle.response_complete

    def data_received(self, data: bytes) -> None:
        """Stop it when a head is complete, and start it with the next one."""
        self._heard = self.loop.time()
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._stop()
        elif self._waiting is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop it."""
        self._stop()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(HEAD_S, self.transport.close)

    def _stop(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None


@dataclass(kw_only=True)
class Site:
    """The page, bound to its addresses but not yet answering."""

    address: str  # Where this machine's browser finds it
    phone_address: str  # Where phones find it; empty when they may not
    gate: Gate  # Makes the tokens
    _server: uvicorn.Server
    _sockets: list[socket.socket]

    def way_in(self) -> str:
        """Make an address for this machine's browser, good once and for ten minutes."""
        return f"{self.address}/enter/{self.gate.new_token()}"

    def way_in_for_a_phone(self) -> str:
        """Make an address for one phone, good once and for ten minutes; empty without --lan."""
        return f"{self.phone_address}/enter/{self.gate.new_token()}" if self.phone_address else ""

    def words(self) -> str:
        """Say how to come in, with new tokens."""
        lines = [say("web.on_this_computer", way_in=self.way_in())]
        if self.phone_address:
            way = self.way_in_for_a_phone()
            lines += ["", say("web.on_phone_in_same_network", way=way)]
            lines += [code_for_terminal(way).rstrip("\n")]
            lines += [say("web.what_goes_to_and_fro_isnt")]
        lines += ["", say("web.each_address_works_once")]
        return "\n".join(lines)

    def run(self) -> None:
        """Answer until the program is stopped."""
        # Answers come from threads: one that waits is let in after 1 ms in place of 5.
        sys.setswitchinterval(0.001)
        try:
            self._server.run(sockets=self._sockets)
        finally:
            self.close()

    def close(self) -> None:
        """Give the addresses back."""
        for one in self._sockets:
            one.close()

    def stop(self) -> None:
        """Ask the server to end; from another thread."""
        self._server.should_exit = True


def open_site(
    book: Book,
    *,
    port: int = PORT,
    lan: str | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Site:
    """Bind the page's addresses.

    Raises CalibError when an address can't be had.
    """
    first = _listen(LOOPBACK, port)
    port = first.getsockname()[1]
    sockets = [first] if lan is None else [first, _listen(lan, port)]
    phone_address = "" if lan is None else f"http://{lan}:{port}"
    gate = Gate(clock=clock)
    hosts = frozenset({f"{LOOPBACK}:{port}", f"localhost:{port}"} | ({f"{lan}:{port}"} - {"None"}))
    app = make_app(Desk(book=book, gate=gate, phone_address=phone_address), hosts)
    config = uvicorn.Config(
        app,
        http=ImpatientProtocol,
        ws="none",
        lifespan="off",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=_CONNECTIONS,
        # Longer than the pauses in which phones ask what others read.
        timeout_keep_alive=30,
        timeout_graceful_shutdown=3,
    )
    return Site(
        address=f"http://{LOOPBACK}:{port}",
        phone_address=phone_address,
        gate=gate,
        _server=uvicorn.Server(config),
        _sockets=sockets,
    )


def ways_in(site: Site) -> dict[str, str]:
    """Say how to come in, as data, with new tokens."""
    ways = {"address": site.way_in()}
    if site.phone_address:
        ways["phone_address"] = site.way_in_for_a_phone()
    return ways


def own_address() -> str:
    """Find this machine's address in the workshop's network.

    Raises CalibError when it has none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(_ELSEWHERE)
            return str(asking.getsockname()[0])
        except OSError:
            raise CalibError(say("web.this_machine_has_no_address")) from None


def code_for_terminal(address: str) -> str:
    """Draw an address as a QR code of block characters."""
    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out, border=2, compact=True)
    return out.getvalue()


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port), backlog=128)
    except OSError as error:
        raise CalibError(
            say("web.page_cant_have", host=host, port=port, strerror=error.strerror or error)
        ) from None
