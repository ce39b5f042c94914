"""The JSON interface: boards, taps, photographs; errors in one shape; its own description."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from visitor import House, Visitor, error_of

FUZZ = Path(__file__).parent / "fuzz"
PNG = b"\x89PNG\r\n\x1a\n" + bytes(40)


def tap(guest: Visitor, code: str, key: str, cell: str, **read: Any) -> Any:
    """Tap, with what a phone sends."""
    body = {"key": f"{key}-00000000", "cell": cell, **read}
    return guest.post(f"/api/boards/{code}/taps", json=body)


@pytest.fixture
def code(planned_house: House) -> str:
    """The planned board's code."""
    return planned_house.book.boards(limit=1).entries[0].id


def test_a_board_is_given_as_it_lies(planned_house: House, code: str) -> None:
    board = planned_house.guest().get("/api/boards/last").json()
    grid = planned_house.book.board(code)
    assert (board["board_id"], board["board_mm"]) == (code, list(grid.board_mm))
    assert {(c["label"], c["x_mm"], c["y_mm"]) for c in board["cells"]} == {
        (c.label, c.x_mm, c.y_mm) for c in grid.cells
    }
    assert board["readings"] == []


def test_a_tap_is_stored_once_and_taken_back(planned_house: House, code: str) -> None:
    guest = planned_house.guest()
    first = tap(guest, code, "a", "A1", through="through").json()
    assert (first["stored"], first["read"], first["cells"]) == (True, 1, 6)
    again = tap(guest, code, "a", "A1", through="through").json()
    assert (again["stored"], again["again"], again["look"]) == (False, True, first["look"])
    whole = tap(guest, code, "b", "A1", through="through", char=2, saw=first["reading"]["id"])
    assert whole.json()["reading"]["char"] == 2
    body = {"key": "c-00000000", "target": "b-00000000"}
    for stored in (True, False):
        (done,) = guest.post(f"/api/boards/{code}/take-backs", json=body).json()["done"]
        assert (done["stored"], done["reading"]["char"]) == (stored, None)
    (reading,) = guest.get(f"/api/boards/{code}").json()["readings"]
    assert (reading["through"], reading["char"]) == ("through", None)


def test_two_looks_that_differ_are_both_given_until_one_is_chosen(
    planned_house: House, code: str
) -> None:
    one, other = planned_house.guest(), planned_house.guest()
    tap(one, code, "a", "A1", through="through", char=1)
    answer = tap(other, code, "b", "A1", through="no").json()
    assert (answer["stored"], answer["read"], answer["reading"]["through"]) == (True, 0, None)
    (cell,) = one.get(f"/api/boards/{code}").json()["readings"]
    said = {(look["through"], look["char"]): look["id"] for look in cell["apart"]}
    assert said.keys() == {("through", 1), ("no", None)}
    assert said["no", None] == answer["look"]
    for page in (f"/board/{code}", f"/board/{code}/record"):
        assert (
            "read twice, and differently: falls free, char 1, tan / not cut" in one.get(page).text
        )
    assert tap(one, code, "c", "A1", through="no", saw=cell["id"]).status_code == 200
    (reading,) = planned_house.book.readings(code)
    assert (reading.through, reading.char) == ("no", None)


def test_a_tap_that_waited_belongs_to_its_evening(planned_house: House, code: str) -> None:
    guest = planned_house.guest()
    one, other = (cell.label for cell in planned_house.book.board(code).cells[:2])
    tap(guest, code, "a", one, through="no", age_s=3 * 86400)
    tap(guest, code, "b", other, through="no")
    lines = planned_house.book.history("bench", "birch 3", "cut")
    old, new = sorted(date.fromisoformat(line.session) for line in lines if line.reading)
    assert (new - old).days == 3


def test_a_tap_for_another_logbooks_board_of_that_code_is_not_stored(
    planned_house: House, code: str
) -> None:
    guest, key = planned_house.guest(), planned_house.book.board_key(code)
    refused = tap(guest, code, "a", "A1", through="no", board="another")
    assert (refused.status_code, error_of(refused)["kind"]) == (409, "logbook")
    assert planned_house.book.readings(code) == ()
    assert tap(guest, code, "a", "A1", through="no", board=key).json()["stored"]


def test_two_phones_at_once_lose_nothing(planned_house: House, code: str) -> None:
    cells = [cell.label for cell in planned_house.book.board(code).cells]

    def record(phone: int) -> None:
        guest = planned_house.guest()
        for cell in cells if phone else reversed(cells):
            read: dict[str, Any] = {"through": "hanging", "char": 3} if phone else {"note": "knot"}
            assert tap(guest, code, f"{phone}{cell}", cell, **read).status_code == 200

    with ThreadPoolExecutor(2) as phones:
        list(phones.map(record, (0, 1)))
    readings = planned_house.book.readings(code)
    assert [(r.through, r.char, r.note) for r in readings] == [("hanging", 3, "knot")] * len(cells)


def test_wrong_taps_are_refused_in_the_one_shape(planned_house: House, code: str) -> None:
    guest, good = planned_house.guest(), {"key": "a-00000000", "cell": "A1"}
    for body, fields in (
        ({**good, "cell": "Z9", "through": "no"}, []),
        ({**good, "key": "short", "through": "no"}, ["key"]),
        ({**good, "through": "maybe"}, ["through"]),
        ({**good, "char": 5}, ["char"]),
        ({**good, "char": True}, ["char"]),
        ({**good, "depth": 1}, ["depth"]),
        ({**good, "note": "\x07"}, ["note"]),
        ([], [""]),
    ):
        response = guest.post(f"/api/boards/{code}/taps", json=body)
        assert response.status_code == 422
        assert [one["field"] for one in error_of(response)["fields"]] == fields, body
    assert planned_house.book.readings(code) == ()


def test_unknown_things_are_not_found_in_the_one_shape(planned_house: House) -> None:
    guest = planned_house.guest()
    for path in ("/api/boards/ZZZZZZ", "/api/nothing", "/api/boards/last/photographs/x"):
        response = guest.get(path)
        assert (response.status_code, error_of(response)["kind"]) == (404, "not_found"), path
    response = guest.request("DELETE", "/api/machines")
    assert (response.status_code, error_of(response)["kind"]) == (405, "not_allowed")
    assert "start from your sheets" in error_of(response)["message"]


def test_what_is_no_json_is_told_in_our_words(planned_house: House) -> None:
    guest, headers = planned_house.guest(), {"Content-Type": "application/json"}
    for body in ("[" * 90_000, '{"char": ' + "9" * 5000 + "}", b'{"note": "\xe9"}'):
        response = guest.post("/api/boards/last/taps", content=body, headers=headers)
        assert response.status_code == 400
        assert "can't be read: send it again" in error_of(response)["message"]


def test_photographs_are_kept_and_given_back_as_pictures_only(
    planned_house: House, code: str
) -> None:
    guest = planned_house.guest()
    sent = {"photograph": ("../../a\\b.html", PNG, "text/html")}
    response = guest.post(f"/api/boards/{code}/photographs", files=sent, data={"cell": "A1"})
    (kept,) = response.json()
    assert (response.status_code, kept["filename"], kept["cell"]) == (201, "b.html", "A1")
    given = guest.get(f"/api/boards/{code}/photographs/{kept['id']}")
    assert given.content == PNG
    assert given.headers["content-type"] == "image/png"
    assert "sandbox" in given.headers["content-security-policy"]
    wrong = {"photograph": ("a.png", b"<script>", "image/png")}
    response = guest.post(f"/api/boards/{code}/photographs", files=wrong)
    assert (response.status_code, error_of(response)["kind"]) == (422, "invalid")


def test_any_setting_is_read_out(evening_house: House) -> None:
    guest = evening_house.guest()
    slow = guest.get("/api/read-out?power_pct=80&speed_mm_s=12").json()
    fast = guest.get("/api/read-out?power_pct=80&speed_mm_s=24").json()
    far = guest.get("/api/read-out?power_pct=90&speed_mm_s=12").json()
    assert slow["chance"] > 0.9 > fast["chance"]
    assert slow["energy_margin_pct"] > 0 > fast["energy_margin_pct"]
    assert (slow["tested"], far["tested"]) == (True, False)
    assert (slow["allowed"], far["allowed"]) == (True, False)
    query = "power_pct=80&speed_mm_s=20&passes=2&scope=job&cut_length_mm=4.2m"
    assert guest.get(f"/api/read-out?{query}").json()["job_time_s"] == pytest.approx(420.0)


def test_a_recommendation_stores_nothing_until_it_is_kept(evening_house: House) -> None:
    guest, book, wish = evening_house.guest(), evening_house.book, {"reliability": 0.9}
    good = guest.post("/api/recommendations", json=wish).json()
    assert good["chance"] >= 0.9
    assert book.kept() == ()
    other = {**good["setting"], "speed_mm_s": 5.0}
    refused = guest.post("/api/kept", json={**wish, "seen": other})
    assert (refused.status_code, book.kept()) == (422, ())
    assert "5 mm/s (300 mm/min), 1 pass isn't what would be" in error_of(refused)["message"]
    assert guest.post("/api/kept", json={**wish, "seen": good["setting"]}).status_code == 201
    (kept,) = book.kept()
    assert kept.advice is not None
    assert (kept.advice.chance, kept.advice.reliability) == (good["chance"], 0.9)


def test_where_nothing_can_be_advised_the_burns_it_takes_are_named(planned_house: House) -> None:
    refused = planned_house.guest().post("/api/recommendations", json={})
    error = error_of(refused)
    assert (refused.status_code, error["kind"]) == (409, "not_enough_evidence")
    assert error["next_burns"]
    assert planned_house.book.kept() == ()


def test_a_refused_material_stays_refused(house: House) -> None:
    guest = house.guest()
    statement = "data sheet read: made of cellulose, no chlorine, fluorine or bromine"
    for material, kind in (("PVC", "refused_material"), ("moon rock", "declaration_needed")):
        error = error_of(guest.post("/api/materials", json={"material": material}))
        assert error["kind"] == kind
    body = {"material": "PVC", "declaration": statement}
    assert error_of(guest.post("/api/materials", json=body))["kind"] == "refused_material"


def test_the_logbook_is_searched(evening_house: House) -> None:
    guest = evening_house.guest()
    assert guest.get("/api/logbook?text=birch").json()["total"] == 1
    assert guest.get("/api/logbook?text=oak").json()["total"] == 0
    assert error_of(guest.get("/api/logbook?limit=0"))["fields"][0]["field"] == "limit"


def test_a_defect_is_answered_in_the_one_shape(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails() -> None:
        raise ZeroDivisionError("secret of the house")

    monkeypatch.setattr(house.book, "machines", fails)
    response = house.guest().get("/api/machines")
    assert (response.status_code, error_of(response)["kind"]) == (500, "defect")
    assert "secret" not in response.text


def test_the_description_is_open_to_guests_and_fetches_nothing(house: House) -> None:
    guest = house.guest()
    description = guest.get("/api/openapi.json").json()
    assert all(path.startswith("/api/") for path in description["paths"])
    for operations in description["paths"].values():
        for operation in operations.values():
            shape = operation["responses"]["422"]["content"]["application/json"]["schema"]
            assert shape == {"$ref": "#/components/schemas/ErrorBody"}


def test_a_slice_of_the_fuzzing_finds_no_defect(evening_house: House) -> None:
    sys.path.insert(0, str(FUZZ))
    try:
        from page_api import fuzz
    finally:
        sys.path.remove(str(FUZZ))
    found = dict(fuzz(evening_house, examples=1, seed=1))
    assert len(found) == 12
    assert all(500 not in count for count in found.values())
