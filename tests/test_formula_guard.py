"""No text that a user typed becomes a formula in a spreadsheet, whichever file it stands in."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from workshop_records import BENCH, BIRCH, EVENING, JOB, later, some_grid

from calib.logbook import export_csv, open_book
from calib.records import Reading
from calib.results import blank_results_csv, plan_csv
from calib.spreadsheet import plain_text, safe_cell_text

# What OWASP's page on CSV injection lists as starts of a formula, and their full-width forms.
STARTS = tuple("=+-@＝＋－＠\t\r\n")
TYPED = st.text(max_size=30).map(lambda text: "".join(c for c in text if ord(c) >= 32))
NASTY = st.builds("{}{}{}".format, st.sampled_from(["", " ", "\u00a0 ", "'"]),
                  st.sampled_from("=+-@＝＋－＠"), TYPED)  # fmt: skip


def is_formula(field: str) -> bool:
    """Say whether a spreadsheet may run a field, blanks before it taken off or not."""
    return field.startswith(STARTS) or field.lstrip().startswith(STARTS)


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(), NASTY))
def test_no_text_stays_a_formula_and_none_is_lost(text: str) -> None:
    field = safe_cell_text(text)
    assert not is_formula(field)
    assert field in (text, f"'{text}")


@settings(max_examples=300, deadline=None)
@given(st.one_of(TYPED, NASTY))
def test_the_apostrophe_comes_off_again(text: str) -> None:
    assert plain_text(safe_cell_text(text)) == " ".join(text.split())


def test_every_field_of_every_table_is_guarded(tmp_path: object) -> None:
    texts = [f"{blank}{start}1+1" for start in "=+-@＝＋－＠" for blank in ("", " ", "\u00a0")]
    numbers = {"thickness_mm", "power_pct", "speed_mm_s", "passes", "count"}
    with open_book(f"{tmp_path}/book.sqlite3") as opened:
        for number, text in enumerate(texts):
            machine = replace(BENCH, name=f"{text} {number}")
            sheet = replace(BIRCH, name=f"{text} {number}", material=text, lot=text)
            opened.add_machine(machine, when=EVENING)
            opened.add_sheet(sheet, when=EVENING)
            grid = some_grid(f"B{number}", machine=machine, sheet=sheet)
            opened.add_board(grid, when=EVENING)
            read = [Reading(cell="A1", through="no", note=text)]
            opened.record(f"B{number}", read, when=later(number), session=text)
            opened.add_job(machine.name, sheet.name, JOB, when=later(number), note=text)
        rows = list(csv.DictReader(io.StringIO(export_csv(opened), newline="")))
    assert len(rows) == 3 * len(texts)
    fields = [field for row in rows for field in row.values()]
    assert [field for field in fields if is_formula(field)] == []
    assert all(float(row[name]) > 0 for row in rows for name in numbers)


@pytest.mark.parametrize("code", ["=A1", "+B", "-C", "@D"])
def test_files_of_a_board_are_guarded(code: str) -> None:
    grid = some_grid(code)
    grid = replace(grid, cells=tuple(replace(cell, label=f"={cell.label}") for cell in grid.cells))
    for text in (blank_results_csv(grid), plan_csv(grid)):
        fields = [field for row in csv.reader(io.StringIO(text, newline="")) for field in row]
        assert [field for field in fields if is_formula(field)] == []
