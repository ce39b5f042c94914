"""What every request has to pass before a route sees it, and the headers every answer carries."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from calib.texts.say import say
from calib.web.gate import Gate

COOKIE = "calib_session"
# What a page sends is small; a photograph has the logbook's limit and a little for its wrapping.
MAX_BODY_BYTES = 256 * 1024
MAX_PHOTOGRAPH_BODY_BYTES = 10 * 2**20 + 64 * 1024
# A drawing, and another logbook with its photographs.
MAX_FILE_BODY_BYTES = 64 * 2**20
# A phone at the edge of its reception sends on within this time, or sends again later [s].
PAUSE_S, BODY_S = 10.0, 60.0

_READING = {"GET", "HEAD"}
# Nothing is loaded but what this server ships; no script and no style stands inside a page.
_POLICY = "; ".join((
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self' blob:",
    "connect-src 'self'",
    "form-action 'self'",
    "base-uri 'none'",
    "frame-ancestors 'none'",
))  # fmt: skip
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    # No-referrer would make browsers send "Origin: null" with our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}


class Refused(HTTPException):
    """Raised when a request may not pass: with which status, what kind, in which words."""

    def __init__(self, *, status: int, kind: str, message: str) -> None:
        super().__init__(status, message)
        self.kind = kind


Answer = Callable[[Request, Refused], Response]


class Door:
    """Checks host, origin and session, and how much is sent how slowly.

    Parameters
    ----------
    app
        What lies behind.
    gate
        Knows the sessions.
    hosts
        Values of the Host header that mean this server.
    answer
        Makes the answer to a refused request.
    """

    def __init__(self, app: ASGIApp, *, gate: Gate, hosts: frozenset[str], answer: Answer) -> None:
        self._app, self._gate, self._hosts, self._answer = app, gate, hosts, answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request pass, or answer it here."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing here speaks anything else
        send = _with_headers(send)
        try:
            self._check(scope)
            body = Body(receive, _most_bytes(scope))
            await self._app(scope, body.receive, send)
        except Refused as refused:
            await self._answer(Request(scope), refused)(scope, receive, send)

    def _check(self, scope: Scope) -> None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if host not in self._hosts or len(headers.getlist("host")) != 1:
            raise Refused(
                status=421,
                kind="wrong_host",
                message=say("web.this_address_isnt_one_that_calib"),
            )
        _check_origin(scope["method"], headers, host)
        if not _is_open(scope["path"]) and not self._gate.knows(session_of(headers)):
            raise Refused(
                status=401,
                kind="not_let_in",
                message=say("web.this_device_isnt_let"),
            )


def _is_open(path: str) -> bool:
    return path.startswith(("/enter/", "/static/"))


def _check_origin(method: str, headers: Headers, host: str) -> None:
    """Refuse what another site's page sends or embeds, whatever cookies it carries."""
    origins, site = headers.getlist("origin"), headers.get("sec-fetch-site", "none")
    ours = origins == [f"http://{host}"]
    embedded = site == "cross-site" and headers.get("sec-fetch-mode") != "navigate"
    if (origins and not ours) or (method not in _READING and not ours) or embedded:
        raise Refused(
            status=403,
            kind="wrong_origin",
            message=say("web.this_was_sent_by_page"),
        )


def session_of(headers: Headers) -> str:
    """Read the session's secret out of the cookies; empty when there is none.

    Browsers send the cookies of all programs of this computer, whatever their ports, and what
    those write isn't always what the standard allows: it is passed over.
    """
    cookies = "; ".join(headers.getlist("cookie")).split(";")
    named = [cookie.strip().partition("=") for cookie in cookies]
    return next((value for name, _, value in named if name == COOKIE), "")


def _most_bytes(scope: Scope) -> int:
    most = MAX_BODY_BYTES
    if scope["path"].endswith("/photographs"):
        most = MAX_PHOTOGRAPH_BODY_BYTES
    elif scope["path"] in ("/drawing", "/import"):
        most = MAX_FILE_BODY_BYTES
    length = Headers(scope=scope).get("content-length", "0")
    if not length.isdecimal() or len(length) > 15 or int(length) > most:
        raise _too_large(most)
    return most


def _too_large(most: int) -> Refused:
    return Refused(
        status=413,
        kind="too_large",
        message=say("web.what_was_sent_is_too_large", most=most // 1024),
    )


class Body:
    """Receives a body of at most so many bytes, and doesn't wait for a slow one forever."""

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive, self._left, self._most = receive, most, most
        self._ends: float | None = None
        self._complete = False

    async def receive(self) -> Message:
        """Receive the next part."""
        if self._complete:  # what comes now is that the other side went away
            return await self._receive()
        now = asyncio.get_running_loop().time()
        if self._ends is None:
            self._ends = now + BODY_S
        message = await _in_time(self._receive(), min(PAUSE_S, self._ends - now))
        self._left -= len(message.get("body", b""))
        if self._left < 0:
            raise _too_large(self._most)
        self._complete = not message.get("more_body", False)
        return message


async def _in_time(message: Awaitable[Message], seconds: float) -> Message:
    try:
        return await asyncio.wait_for(message, max(seconds, 0.0))
    except TimeoutError:
        raise Refused(
            status=408,
            kind="too_slow",
            message=say("web.rest_of_what_was_being_sent"),
        ) from None


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers: Any = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sent
