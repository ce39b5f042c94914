"""Exchange: a round trip loses nothing, twice adds nothing; a table of the burns for people."""

from __future__ import annotations

import csv
import io
import json

import pytest
from filled_books import JPEG
from workshop_records import JOB, later

from calib.logbook import Book, Session, export_csv, export_text, import_text
from calib.logbook.backup import check_book
from calib.logbook.bodies import KINDS
from calib.logbook.ledger import WITHDRAW
from calib.records import Sheet

# --- round trip ----------------------------------------------------------------------------------


def test_a_round_trip_loses_nothing_and_twice_adds_nothing(full: Book, other: Book) -> None:
    document = export_text(full)
    report = import_text(other, document, when=later(20))
    assert report.questions == ()
    assert report.added["look"] == 2
    for book in (other, full):
        again = import_text(book, document, when=later(21))
        assert (again.added, again.questions) == ({}, ())
        assert export_text(book) == document
    assert other.history("bench", "birch 3") == full.history("bench", "birch 3")
    assert other.photograph(other.photographs("AB12")[0].id) == JPEG


def test_every_entry_is_one_line_of_json_of_a_known_kind(full: Book) -> None:
    head, *lines = (json.loads(line) for line in export_text(full).splitlines())
    assert head == {"format": "calib logbook", "version": 2}
    kinds = {line["kind"] for line in lines if "kind" in line}
    assert kinds <= {*KINDS, WITHDRAW}
    assert len(kinds) >= 12


@pytest.mark.parametrize("space", ["\u00a0", "\u0085", "\u2028"])
def test_words_with_any_kind_of_space_travel_and_are_sound(
    pair: Book, other: Book, space: str
) -> None:
    session = Session(label=f"mon{space}day", note=f"2{space}mm")
    pair.add_session("bench", session, when=later(1), why=f"5{space}mm")
    import_text(other, export_text(pair), when=later(2))
    assert other.sessions("bench") == (session,)
    assert check_book(other).rows["session"] == 1


def test_a_dry_run_stores_nothing(full: Book, other: Book) -> None:
    report = import_text(other, export_text(full), when=later(20), dry_run=True)
    assert report.added["board"] == 1
    assert other.machines() == ()


def test_undo_still_works_after_a_move_to_another_book(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    undone = [other.undo(when=later(21 + n), board_id="AB12") for n in range(2)]
    assert undone[0].startswith("photograph a1.jpg")
    assert undone[1].startswith("readings of board AB12")
    assert other.readings("AB12") == ()


# --- CSV -----------------------------------------------------------------------------------------


def test_the_table_for_people_holds_the_burns_that_count(full: Book) -> None:
    full.add_job("bench", "birch 3", JOB, when=later(30))
    rows = list(csv.DictReader(io.StringIO(export_csv(full), newline="")))
    assert [(r["source"], r["board"], r["cell"], r["through"], r["count"]) for r in rows] == [
        ("board", "AB12", "A1", "no", "1"),
        ("job", "", "", "through", "38"), ("job", "", "", "hanging", "2"),
        ("job", "", "", "through", "38"), ("job", "", "", "hanging", "2"),
    ]  # fmt: skip
    assert (rows[0]["power_pct"], rows[0]["speed_mm_s"], rows[0]["char"]) == ("40", "12.5", "")


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", " =1+1", "＝1+1", '=HYPERLINK("http://x")']
)
def test_no_field_of_the_table_is_a_formula(full: Book, text: str) -> None:
    full.add_sheet(Sheet(name=text, material="@mdf", thickness_mm=3.0, lot="-L"), when=later(30))
    full.add_job("bench", text, JOB, when=later(31), note=text)
    rows = list(csv.DictReader(io.StringIO(export_csv(full), newline="")))
    assert (rows[-1]["sheet"], rows[-1]["note"], rows[-1]["lot"]) == (f"'{text}", f"'{text}", "'-L")
    assert rows[-1]["material"] == "'@mdf"
