"""Who may come in: tokens, sessions, hosts, origins, and how much is taken how slowly."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from visitor import BASE, HOST, House, error_of

from calib.web import door
from calib.web.door import COOKIE, Body, Refused
from calib.web.gate import SESSION_LASTS_S, TOKEN_LASTS_S


def test_without_a_session_nothing_is_shown(house: House) -> None:
    stranger = house.stranger()
    for path in ("/", "/logbook", "/board/last", "/api/machines", "/api/openapi.json", "/nothing"):
        response = stranger.get(path)
        assert response.status_code == 401, path
    assert error_of(stranger.get("/api/sheets"))["kind"] == "not_let_in"
    assert "isn&#39;t let in" in stranger.get("/").text


def test_a_token_opens_one_session_once(house: House) -> None:
    token = house.gate.new_token()
    first, second = house.stranger(), house.stranger()
    assert first.get(f"/enter/{token}").status_code == 200, "looking doesn't use it up"
    assert first.post(f"/enter/{token}").status_code == 303
    assert first.get("/").status_code == 200
    assert second.post(f"/enter/{token}").status_code == 410
    assert second.get("/").status_code == 401
    assert second.get(f"/enter/{token}").status_code == 410


def test_the_cookie_is_kept_from_scripts_and_other_sites(house: House) -> None:
    response = house.stranger().post(f"/enter/{house.gate.new_token()}")
    cookie = response.headers["set-cookie"].lower()
    assert cookie.startswith(f"{COOKIE}=")
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_tokens_and_sessions_end(house: House) -> None:
    late = house.gate.new_token()
    house.clock.seconds += TOKEN_LASTS_S + 1
    assert house.stranger().post(f"/enter/{late}").status_code == 410
    guest = house.guest()
    house.clock.seconds += SESSION_LASTS_S + 1
    assert guest.get("/").status_code == 401


def test_made_up_cookies_open_nothing_and_those_of_other_programs_keep_nobody_out(
    house: House,
) -> None:
    stranger = house.stranger()
    for cookie in ("", "x", "é", "a" * 5000, '"', "\\"):
        header = f"{COOKIE}={cookie}".encode()
        assert stranger.get("/", headers={"Cookie": header}).status_code == 401, cookie
    ours = house.stranger().post(f"/enter/{house.gate.new_token()}").headers["set-cookie"]
    for other in ('known={"a": 1}', "a[b]=1", "é=ü", "a b=1", "alone", "=", f"x{COOKIE}=1"):
        sent = f"{other}; {ours.split(';')[0]}; {other}".encode()
        assert stranger.get("/", headers={"Cookie": sent}).status_code == 200, other


def test_other_names_for_this_address_are_refused(house: House) -> None:
    guest = house.guest()
    for host in ("evil.example", "evil.example:8137", "127.0.0.1", HOST + "0", ""):
        response = guest.get("/api/machines", headers={"Host": host})
        assert (response.status_code, error_of(response)["kind"]) == (421, "wrong_host"), host


def test_what_another_page_sends_is_refused(planned_house: House) -> None:
    guest = planned_house.guest()
    body = {"key": "key-00001", "cell": "A1", "through": "no"}
    others = ("http://evil.example", "null", f"https://{HOST}", "http://localhost:8137")
    for headers in ({"Origin": other} for other in others):
        response = guest.post("/api/boards/last/taps", json=body, headers=headers)
        assert (response.status_code, error_of(response)["kind"]) == (403, "wrong_origin")
        assert guest.post("/logbook", data={"note": "x"}, headers=headers).status_code == 403


def test_two_origins_are_none(house: House) -> None:
    guest = house.guest()
    base = guest.headers.pop("Origin")
    headers = [("Origin", base), ("Origin", "http://evil.example")]
    sent = asyncio.run(
        guest.client.request("POST", "/logbook", headers=headers, data={"note": "x"})
    )
    assert sent.status_code == 403


def test_a_change_needs_our_own_origin(house: House) -> None:
    guest = house.guest()
    del guest.headers["Origin"]
    assert guest.get("/").status_code == 200
    assert guest.post("/logbook", data={"note": "x"}).status_code == 403
    site = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    assert guest.get("/api/machines", headers=site).status_code == 403


def test_every_answer_forbids_what_isnt_shipped(house: House) -> None:
    guest = house.guest()
    for path in ("/", "/nothing", "/api/machines", "/static/calib.css", "/api/nothing"):
        headers = guest.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy, path
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert ("immutable" in headers["cache-control"]) == path.startswith("/static/")


def test_what_is_too_large_is_refused_before_it_is_read(planned_house: House) -> None:
    guest = planned_house.guest()
    response = guest.post("/api/boards/last/taps", content=b"x" * (door.MAX_BODY_BYTES + 1))
    assert (response.status_code, error_of(response)["kind"]) == (413, "too_large")
    large = {"photograph": ("a.png", b"\x89PNG\r\n\x1a\n" + bytes(11 * 2**20), "image/png")}
    response = guest.post("/api/boards/last/photographs", files=large)
    assert response.status_code == 413


def parts(*sizes: int) -> Any:
    """A body that comes in parts of these sizes."""
    messages = [
        {"type": "http.request", "body": b"x" * size, "more_body": n + 1 < len(sizes)}
        for n, size in enumerate(sizes)
    ]

    async def receive() -> Any:
        return messages.pop(0)

    return receive


def test_a_body_without_a_length_is_counted() -> None:
    async def read() -> int:
        body, total = Body(parts(60, 40, 1), 100), 0
        while (message := await body.receive())["more_body"]:
            total += len(message["body"])
        return total

    with pytest.raises(Refused, match="at most 0 KiB"):
        asyncio.run(read())


def test_a_body_that_stops_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door, "PAUSE_S", 0.05)

    async def never() -> Any:
        await asyncio.sleep(60)

    with pytest.raises(Refused, match="didn't come in time"):
        asyncio.run(Body(never, 100).receive())


def test_other_protocols_are_not_spoken(house: House) -> None:
    async def connect() -> list[Any]:
        sent: list[Any] = []

        async def send(message: Any) -> None:
            sent.append(message)

        await house.app({"type": "websocket", "path": "/"}, parts(0), send)
        return sent

    assert asyncio.run(connect()) == []


def test_phones_are_let_in_from_the_desk_each_with_its_own_code(house: House) -> None:
    guest = house.guest()
    first, second = (guest.submit("/phones", {"how": "code"}).text for _ in range(2))
    assert "http://192.0.2.7:8137/enter/" in first
    assert first.split("/enter/")[1] != second.split("/enter/")[1]
    assert "<svg" in first
    address = first.split("http://192.0.2.7:8137")[1].split("<")[0]
    phone = house.stranger("http://192.0.2.7:8137")
    assert phone.post(address).status_code == 303
    assert phone.get("/").status_code == 200


def test_without_lan_no_phone_is_asked_in(planned_house: House) -> None:
    guest = planned_house.guest()
    assert "calib serve --lan" in guest.submit("/phones", {"how": "code"}).text
    assert BASE in guest.headers["Origin"]
