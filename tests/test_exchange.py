"""Exchange: a round trip loses nothing, twice adds nothing; a table of the burns for people."""

from __future__ import annotations

import csv
import io
import json

import jsonschema
import pytest
from calib.logbook.layout import all_parts
from calib.logbook.schema import SCHEMA_FILE, build_schema, schema_text
from calib.logbook.tables import metadata
from filled_books import JPEG, all_rows
from workshop_records import BENCH, BIRCH, EVENING, JOB, later

from calib.logbook import (
    Book,
    ImportReport,
    document_text,
    export_csv,
    export_text,
    import_text,
    read_document,
)
from calib.records import Sheet

# --- round trip ----------------------------------------------------------------------------------


def test_a_round_trip_loses_nothing(full: Book, other: Book) -> None:
    document = export_text(full)
    for part in all_parts():
        if part.name != "aliases":
            assert all_rows(full)[part.name], f"{part.name} is empty: nothing is shown of it"
    report = import_text(other, read_document(document_text(document)), when=later(20))
    assert report.conflicts == ()
    assert report.added["readings"] == 3
    assert export_text(other) == document
    assert all_rows(other) == all_rows(full)
    assert other.history("bench", "birch 3") == full.history("bench", "birch 3")
    assert other.photograph(other.photographs("AB12")[0].id) == JPEG


def test_importing_twice_adds_nothing(full: Book, other: Book) -> None:
    document = export_text(full)
    import_text(other, document, when=later(20))
    report = import_text(other, document, when=later(21))
    assert report == ImportReport(added={}, already=report.already, held_back={})
    assert export_text(other) == document
    assert import_text(full, document, when=later(22)).added == {}


def test_the_document_of_an_earlier_version_without_what_was_kept_is_taken(
    book: Book, other: Book
) -> None:
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    document = export_text(book)
    assert document.pop("kept") == []
    assert import_text(other, document, when=later(1)).added["sheets"] == 1
    assert export_text(other) == export_text(book)


def test_the_document_fits_the_published_schema(full: Book) -> None:
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(export_text(full), schema, cls=jsonschema.Draft202012Validator)


def test_the_published_schema_is_made_from_the_tables_and_records() -> None:
    said = "write it anew: python -m calib.logbook.schema > calib/logbook/exchange_schema.json"
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), said
    items = build_schema()["properties"]
    assert {part.table.name for part in all_parts()} == set(metadata.tables)
    assert set(items) == {"format", "version"} | {
        part.name for part in all_parts() if not part.parent
    }


def test_a_dry_run_stores_nothing(full: Book, other: Book) -> None:
    report = import_text(other, export_text(full), when=later(20), dry_run=True)
    assert report.added["boards"] == 1
    assert other.machines() == ()


def test_undo_still_works_after_a_move_to_another_book(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    assert other.undo(when=later(21), board_id="AB12").startswith("photograph a1.jpg")
    assert other.undo(when=later(21), board_id="AB12").startswith("readings of board AB12")
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
