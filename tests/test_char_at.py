"""Where on the piece char was read: said once, kept with each look, never mixed silently."""

from __future__ import annotations

import re

from boards import BIRCH, CO2
from pypdf import PdfReader
from shell import Shell, cut_cleanly
from visitor import house_of

import calib
from calib.records import Burn


def burn(speed: float, place: str | None) -> Burn:
    return Burn(
        operation="cut", power_pct=80.0, speed_mm_s=speed, through="through", char=1, char_at=place
    )


def test_char_read_at_two_places_is_said() -> None:
    mixed = [burn(9.0, "edge"), burn(10.0, "underside"), burn(11.0, None)]
    (said,) = [n for n in calib.fit_region(CO2, BIRCH, evidence=mixed).notes if "places" in n]
    assert "(edge and underside)" in said
    for alike in (mixed[1:], mixed[::2]):
        assert not [n for n in calib.fit_region(CO2, BIRCH, evidence=alike).notes if "places" in n]


def test_a_board_is_recorded_with_where_its_char_was_read(planned: Shell) -> None:
    grid = planned.json("board", "show", "last")["grid"]
    results = planned.results(grid, cut_cleanly)
    read = planned.json("record", results, "--char-at", "edge")["readings"]
    assert {one["char_at"] for one in read if one["char"] is not None} == {"edge"}
    assert {one["char_at"] for one in read if one["char"] is None} <= {None}
    # Said again without a place, it stays; another place is a correction.
    assert "recorded" in planned.json("record", results)
    assert "'edge'" in planned.refusal("record", results, "--char-at", "underside")
    planned.run("record", results, "--char-at", "underside", "--why", "turned over")
    assert "read at the underside" in planned.text("book", "history")
    planned.run("book", "export", "burns.csv")
    header, *rows = (planned.folder / "burns.csv").read_text().splitlines()
    assert "char_at" in header.split(",")
    assert any(",underside," in row for row in rows)
    assert "ceiling" in planned.run("record", results, "--char-at", "ceiling", code=2).stderr


def test_cells_asked_one_by_one_are_read_there_too(planned: Shell) -> None:
    planned.run("record", "last", "--char-at", "top", typed="t\n2\nq\n")
    (read,) = planned.json("board", "show", "last")["readings"]
    assert (read["char"], read["char_at"]) == (2, "top")


def test_a_tap_says_where_and_another_place_is_another_look(planned: Shell) -> None:
    code = planned.json("board", "show", "last")["grid"]["board_id"]
    with house_of(planned.book) as house:
        guest = house.guest()
        page = guest.get(f"/board/{code}/record").text
        assert re.findall(r"<option>(\w+)</option>", page) == ["top", "edge", "underside"]
        cell = {"cell": "A1", "through": "through", "char": 2}
        for n, (place, stored) in enumerate(((None, True), ("edge", True), (None, False))):
            body = {**cell, "key": f"key-of-tap-{n}", "char_at": place}
            saw = house.book.looks(code)["A1"].id
            done = guest.post(f"/api/boards/{code}/taps", json={**body, "saw": saw}).json()
            assert done["stored"] is stored
        (reading,) = house.book.readings(code)
        assert reading.char_at == "edge"


def test_the_record_sheet_asks_for_it(planned: Shell) -> None:
    planned.run("board", "files", "last", "--into", "out")
    text = PdfReader(next((planned.folder / "out").glob("*-record.pdf"))).pages[0].extract_text()
    assert "underside" in text
