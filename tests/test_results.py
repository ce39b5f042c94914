"""Results in: what spreadsheets do is forgiven."""

from __future__ import annotations

import re

import pytest
from result_boards import CUT, GOOD, HEADER, MARK, READ

from calib.records import Reading
from calib.results import read_results


def test_a_filled_in_file_is_read_in_its_order() -> None:
    assert read_results(GOOD, CUT) == READ


def with_tabs(text: str) -> str:
    return text.replace(",", "\t")


@pytest.mark.parametrize(
    "saved",
    [
        GOOD.encode(),
        GOOD.encode("utf-8-sig"),
        GOOD.encode("utf-16"),
        b"\xfe\xff" + GOOD.encode("utf-16-be"),
        GOOD.encode("utf-16-le"),
        GOOD.encode("utf-16-be"),
        with_tabs(GOOD).encode("utf-16"),
        "\ufeff" + GOOD,
        GOOD.replace(",", ";"),
        with_tabs(GOOD),
        "sep=;\r\n" + GOOD.replace(",", ";"),
        "SEP=,\n" + GOOD,
        GOOD.replace("\r\n", "\n"),
        GOOD.replace("\r\n", "\r"),
        GOOD.rstrip(),
        GOOD.upper().replace("EDGE LIFTS", "edge lifts"),
        GOOD.replace(",", " , "),
        GOOD.replace("\r\n", ",,,\r\n"),
        GOOD + ",,,,\r\n,,,,\r\n\r\n",
        "\r\n\r\n" + GOOD,
        re.sub(r"([^,\r\n]+)", r'"\1"', GOOD),
        GOOD.replace(",1,", ",1.0,").replace(",2,", ',"2,00",'),
        GOOD.replace("hanging", "Hangs").replace("B1,no", "B1,Not Through"),
        GOOD.replace("through,1", "Cut  through,1"),
        GOOD.replace(",1,", ",tan,").replace(",2,", ",Brown,"),
        GOOD.replace("A1", "a 1"),
    ],
)  # fmt: skip
def test_what_a_spreadsheet_does_is_forgiven(saved: str | bytes) -> None:
    assert read_results(saved, CUT) == READ


def test_columns_may_stand_in_any_order_and_be_written_with_blanks() -> None:
    text = "Note;Height (mm);Cell;Char;Through;Mark;Width mm\n; 15,85 ;A1;0;through;;15.9 mm\n"
    (reading,) = read_results(text, CUT)
    assert reading == Reading(cell="A1", through="through", char=0, width_mm=15.9, height_mm=15.85)


def test_old_western_text_keeps_its_letters() -> None:
    text = f"{HEADER}\nA1,no,,,Rückseite weiß – 5 €\n".encode("cp1252")
    assert read_results(text, CUT)[0].note == "Rückseite weiß – 5 €"


def test_a_note_may_hold_delimiters_quotation_marks_and_lines() -> None:
    text = f'{HEADER}\nA1,no,,,"first, ""second""\nthird"\nA2,through,,,\n'
    first, second = read_results(text, CUT)
    assert first.note == 'first, "second" third'
    assert second.cell == "A2"


@pytest.mark.parametrize(
    ("typed", "grade"),
    [
        ("nothing", 0), ("Faint", 1), ("CLEAR", 2), ("heavy", 3), ("scorched", 4), ("2", 2),
        ("heavy (deep, or a dark halo)", 3), ("", None),
    ],
)  # fmt: skip
def test_mark_grades_by_number_and_word(typed: str, grade: int | None) -> None:
    assert read_results(f'{HEADER}\nA1,,,"{typed}",\n', MARK)[0].mark == grade


@pytest.mark.parametrize(
    ("typed", "grade"),
    [
        ("clean", 0), ("tan", 1), ("brown", 2), ("black", 3), ("flaking", 4), ("flared", 4),
        ("Burnt back", 4), ("black, wipes off on a finger", 3), ("4", 4), ("", None),
    ],
)  # fmt: skip
def test_char_grades_by_number_and_word(typed: str, grade: int | None) -> None:
    assert read_results(f'{HEADER}\nA1,through,"{typed}",,\n', CUT)[0].char == grade


def test_missing_cells_and_a_bare_header_are_no_error() -> None:
    assert read_results(f"{HEADER}\nB2,no,,,\n", CUT) == (Reading(cell="B2", through="no"),)
    assert read_results(f"{HEADER}\n", CUT) == ()
