"""Results in and out: what spreadsheets do is forgiven, an outcome is never guessed."""

from __future__ import annotations

import csv
import io
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import BadFile
from calib.records import (
    COUPON_CUT_MM,
    Burn,
    Cell,
    Grid,
    Machine,
    Operation,
    Reading,
    Setting,
    Sheet,
)
from calib.results import blank_results_csv, burns_of, coupon_cut_mm, plan_csv, read_results
from calib.spreadsheet import MAX_BYTES, plain_text, safe_cell_text

HEADER = "cell,through,char,mark,note"
MACHINE = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
SHEET = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


def grid(operation: Operation = "cut", width_mm: float = 16.0, board_id: str = "K7QF") -> Grid:
    cells = tuple(
        Cell(
            label=label,
            power_pct=40.0 + 2.5 * place,
            speed_mm_s=10.0 + place / 3.0,
            passes=1 + place % 2,
            line_pitch_mm=0.1 if operation == "area_mark" else None,
            x_mm=5.0 + 20.0 * place,
            y_mm=7.5,
            width_mm=width_mm,
            height_mm=16.0,
            burn_order=4 - place,
        )
        for place, label in enumerate(("A1", "A2", "B1", "B2"))
    )
    return Grid(
        board_id=board_id,
        machine=MACHINE,
        sheet=SHEET,
        operation=operation,
        board_mm=(90.0, 40.0),
        cells=cells,
        label_setting=Setting(power_pct=12.0, speed_mm_s=100.0),
    )


CUT, MARK = grid(), grid("line_mark")
GOOD = f"{HEADER}\r\nA1,through,1,,\r\nA2,hanging,2,,edge lifts\r\nB1,no,,,\r\nB2,,,,\r\n"
READ = (
    Reading(cell="A1", through="through", char=1),
    Reading(cell="A2", through="hanging", char=2, note="edge lifts"),
    Reading(cell="B1", through="no"),
    Reading(cell="B2"),
)


# --- what is forgiven --------------------------------------------------------------------------


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


# --- what is refused ---------------------------------------------------------------------------


BAD_FILES = [
    ("Z9,no,,,", "Row 3: cell is 'Z9': this board's cells are A1, A2, B1, B2."),
    ("A1,no,,,", "Row 3: cell is 'A1': it stands in row 2 already; give each cell once."),
    (",no,,,", "Row 3: cell is '': this board's cells are A1, A2, B1, B2."),
    *[
        (
            f"B1,{word},,,",
            f"Row 3: through is '{word}': give no, hanging, through, or leave it empty",
        )
        for word in ("yes", "x", "ok", "1", "0", "true", "n", "t", "-", "?", "partly", "none")
    ],
    *[
        (f"B1,through,{value},,", f"Row 3: char is '{value}': give 0 to 4 (0 clean · 1 tan")
        for value in ("7", "5", "-1", "1.5", "dark", "clear", "٣", "1e0", "0x1", "x")
    ],
    ("B1,through,,2,", "Row 3: mark is '2': leave it empty; a cut board is read in through and"),
    ("B1,no", "Row 3 ('B1,no') has 2 of 5 fields: the file seems to be cut off"),
    ("B", "Row 3 ('B') has 1 of 5 fields"),
    ('B1,no,,,"it was', "Row 3 can't be read (unexpected end of data): the file may be cut off"),
    ('B1,no,,,"a" b', "Row 3 can't be read"),
    ("B1,no,,,nice, clean", "Row 3 has a field too many ('clean')"),
    ("B1,no,,," + "n" * 1001, "Row 3: note is 'nnnn"),
    ("B1,no,,," + "n" * 200_000, "Row 3 can't be read (field larger than field limit"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "said"), BAD_FILES, ids=lambda v: v[:30])
def test_a_bad_row_is_named_with_its_value_and_what_is_allowed(line: str, said: str) -> None:
    with pytest.raises(BadFile, match="^" + re.escape(said)) as caught:
        read_results(f"{HEADER}\nA1,through,1,,\n{line}", CUT)
    message = str(caught.value)
    assert message.endswith(".")
    assert "\n" not in message
    assert len(message) < 300


def test_a_tab_in_a_message_is_named() -> None:
    with pytest.raises(BadFile, match="^Row 1 can't be read \\('tab' expected after") as caught:
        read_results('"cell"s\tthrough', CUT)
    assert str(caught.value).isprintable()


def test_everything_that_is_wrong_is_told_at_once() -> None:
    rows = "A1,yes,7,2,\nZ9,no,,,\nB1,no,,,\nB2,no"
    with pytest.raises(BadFile, match="^5 things are wrong:") as caught:
        read_results(f"{HEADER}\n{rows}", CUT)
    _, *lines = str(caught.value).split("\n")
    assert [line.split(":")[0] for line in lines] == [
        "Row 2", "Row 2", "Row 2", "Row 3", "Row 5 ('B2,no') has 2 of 5 fields",
    ]  # fmt: skip
    assert "mark is '2': leave it empty" in lines[2]
    with pytest.raises(BadFile, match="^25 things are wrong:") as caught:
        read_results(f"{HEADER}\n" + "Z9,no,,,\n" * 25, CUT)
    assert str(caught.value).count("Row ") == 10
    assert str(caught.value).endswith("\nAnd 15 more.")


@pytest.mark.parametrize("value", ["5", "yes", "none", "cut", "dark"])
def test_a_mark_grade_out_of_range_is_named(value: str) -> None:
    with pytest.raises(BadFile, match=rf"^Row 2: mark is '{value}': give 0 to 4 \(0 nothing"):
        read_results(f"{HEADER}\nA1,,,{value},\n", MARK)


@pytest.mark.parametrize(("fields", "column"), [("no,,", "through"), (",1,", "char")])
def test_a_mark_board_has_no_cut_to_read(fields: str, column: str) -> None:
    with pytest.raises(BadFile, match=f"Row 2: {column} is '.*a line_mark board is read in mark"):
        read_results(f"{HEADER}\nA1,{fields},\n", MARK)


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("cell,through,char,note", "column 'mark' is missing"),
        ("cell,through,char,mark,note,colour", "there is a column 'colour'"),
        ("cell,through,char,mark,note,note", "column 'note' stands there twice"),
        ("cell,through,char,,mark,note", "there is a column ''"),
        ("A1,through,1,,", "there is a column 'A1'"),
        ('"cell,through,char,mark,note"', "there is a column 'cell,through,char,mark,note'"),
        (",,,,", "there is a column 'A1'"),
        ("power;speed", "there is a column 'power'"),
        ("cell,operation,power_pct", "there is a column 'operation'"),
    ],
)
def test_wrong_columns_are_named_with_the_right_ones(header: str, said: str) -> None:
    with pytest.raises(BadFile, match=re.escape(said) + f".*it must be {HEADER}"):
        read_results(f"{header}\nA1,no,,,\n", CUT)


def test_another_boards_results_are_refused() -> None:
    text = f"{HEADER},board\nA1,no,,,,k7qf\nA2,no,,,,\nB1,no,,,,XXXX\n"
    with pytest.raises(BadFile, match="Row 4: board is 'XXXX': .*of board 'K7QF'"):
        read_results(text, CUT)
    assert len(read_results(text.replace("XXXX", " K7QF "), CUT)) == 3


@pytest.mark.parametrize("value", ["0", "-1", "abc", "1001", "15 cm", "1.2.3", "nan", "9" * 400])
def test_a_width_that_is_none_is_named(value: str) -> None:
    with pytest.raises(
        BadFile, match=f"Row 2: width_mm is '{value[:60]}': give millimetres above 0"
    ):
        read_results(f"{HEADER},width_mm\nA1,no,,,,{value}\n", CUT)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (b" \r\n ", "is empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x01", "isn't plain text"),
        (b"PK\x03\x04" + b"\x00\x01\x02" * 50, "isn't plain text"),
        (b"\xff\xfe\x00", "isn't text"),
        (b"\x81\x8d\x9d" * 3, "isn't text"),
        (GOOD.encode() + b"\x00", "isn't plain text"),
        (b"," * (MAX_BYTES + 1), "too large.*1000001 bytes"),
    ],
)
def test_what_is_no_table_is_said_to_be_none(data: bytes, said: str) -> None:
    with pytest.raises(BadFile, match=f"The result file.*{said}"):
        read_results(data, CUT)


def test_a_file_full_of_delimiters_is_refused_at_once() -> None:
    with pytest.raises(BadFile, match="there is a column ''"):
        read_results("," * (MAX_BYTES - 1) + "x", CUT)


def test_every_cut_of_an_empty_result_file_is_noticed_or_harmless() -> None:
    whole = blank_results_csv(CUT).replace("A1,,", "A1,through,1").replace("B2,,", "B2,hanging,")
    whole = whole.rstrip("\r\n")
    full = read_results(whole, CUT)
    for end in range(len(whole)):
        try:
            readings = read_results(whole[:end], CUT)
        except BadFile:
            continue
        # What passes may lack whole cells, which then count as not burnt; it alters none.
        assert readings == full[: len(readings)]


CELL_TEXT = st.sampled_from(
    ["A1", "A2", "B1", "a1", "Z9", "through", "no", "hanging", "yes", "1", "2", "4", "5", "", " ",
     "note", '"', '""', "K7QF", "1,5", "\n", "=1+1", "x" * 50, "sep=;", "\x00", "é"]
)  # fmt: skip
LIKELY_ROWS = st.lists(st.lists(CELL_TEXT, max_size=7), max_size=6)


@given(rows=LIKELY_ROWS, delimiter=st.sampled_from(",;\t"), header=st.booleans())
@settings(max_examples=400, deadline=None)
def test_likely_tables_are_refused_or_read_whole(
    rows: list[list[str]], delimiter: str, header: bool
) -> None:
    lines = [HEADER.replace(",", delimiter)] * header + [delimiter.join(row) for row in rows]
    try:
        readings = read_results("\n".join(lines), CUT)
    except BadFile as error:
        said = str(error)
    else:
        said = ""
        labels = [reading.cell for reading in readings]
        assert set(labels) <= {"A1", "A2", "B1", "B2"}
        assert len(set(labels)) == len(labels)
        assert all(reading.mark is None for reading in readings)
    assert all(re.match("Row |The |And |[0-9]+ things|$", line) for line in said.split("\n"))


@given(data=st.binary(max_size=400))
@settings(max_examples=300, deadline=None)
def test_random_bytes_are_never_more_than_a_bad_file(data: bytes) -> None:
    with pytest.raises(BadFile, match="row|file"):
        read_results(data, CUT)


@given(data=st.binary(max_size=60), place=st.integers(0, len(GOOD)))
@settings(max_examples=300, deadline=None)
def test_a_damaged_file_is_refused_or_holds_known_cells(data: bytes, place: int) -> None:
    damaged = GOOD.encode()[:place] + data + GOOD.encode()[place + len(data) :]
    try:
        readings = read_results(damaged, CUT)
    except BadFile:
        return
    assert {reading.cell for reading in readings} <= {"A1", "A2", "B1", "B2"}


@given(text=st.text(max_size=300))
@settings(max_examples=200, deadline=None)
def test_any_text_behind_the_header_is_refused_or_read(text: str) -> None:
    try:
        readings = read_results(f"{HEADER}\n{text}", CUT)
    except BadFile:
        return
    assert {reading.cell for reading in readings} <= {"A1", "A2", "B1", "B2"}


# --- what is written ---------------------------------------------------------------------------


@pytest.mark.parametrize("operation", ["cut", "line_mark", "area_mark"])
def test_an_empty_result_file_has_every_cell_and_reads_back_as_not_burnt(
    operation: Operation,
) -> None:
    board = grid(operation)
    text = blank_results_csv(board)
    assert text.splitlines()[:2] == [f"{HEADER},board", "A1,,,,,K7QF"]
    assert text.count("\r\n") == text.count("\n") == 5
    readings = read_results(text, board)
    assert [reading.cell for reading in readings] == ["A1", "A2", "B1", "B2"]
    assert all(reading.is_empty for reading in readings)
    assert burns_of(board, readings) == ()


def test_another_boards_empty_file_is_refused() -> None:
    filled = blank_results_csv(grid(board_id="M3XA")).replace("A1,", "A1,no")
    with pytest.raises(BadFile, match="Row 2: board is 'M3XA'"):
        read_results(filled, CUT)


def test_a_plan_lists_the_cells_with_their_settings() -> None:
    text = plan_csv(CUT)
    assert text.startswith(
        "cell,operation,power_pct,speed_mm_s,passes,line_pitch_mm,x_mm,y_mm,burn_order\r\n"
        "A1,cut,40,10,1,,5,7.5,4\r\n"
        "A2,cut,42.5,10.333333,2,,25,7.5,3\r\n"
    )
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    for row, cell in zip(rows, CUT.cells, strict=True):
        assert float(row["speed_mm_s"]) == pytest.approx(cell.speed_mm_s, abs=5e-7)
        assert float(row["power_pct"]) == cell.power_pct
    assert plan_csv(CUT) == text


def test_a_plan_of_a_surface_says_its_pitch() -> None:
    assert plan_csv(grid("area_mark")).splitlines()[1] == "A1,area_mark,40,10,1,0.1,5,7.5,4"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "  =x", "'=x", "\t=x", "=cmd|' /C calc'!A0"]
)
def test_text_that_a_spreadsheet_would_run_is_kept_from_it(text: str) -> None:
    guarded = safe_cell_text(text)
    assert guarded[0] == "'"
    assert plain_text(guarded) == " ".join(text.split())
    board = grid(board_id=text)
    written = list(csv.reader(io.StringIO(blank_results_csv(board), newline="")))
    assert {row[-1][0] for row in written[1:]} == {"'"}


@given(text=st.text(max_size=80))
@settings(max_examples=200, deadline=None)
def test_guarded_text_comes_back(text: str) -> None:
    guarded = safe_cell_text(text)
    assert not guarded.lstrip().startswith(("=", "+", "-", "@"))
    once = plain_text(guarded)
    assert once in {" ".join(text.split()), " ".join(text.split())[1:]}


# --- to burns ----------------------------------------------------------------------------------


def test_readings_join_the_settings_of_their_cells() -> None:
    burns = burns_of(CUT, READ, sitting="monday")
    assert burns[0] == Burn(
        operation="cut",
        power_pct=40.0,
        speed_mm_s=10.0,
        passes=1,
        through="through",
        char=1,
        source="board",
        sitting="monday",
        x_mm=13.0,
        y_mm=15.5,
        burn_order=4,
    )
    assert [burn.through for burn in burns] == ["through", "hanging", "no"]
    assert [burn.burn_order for burn in burns] == [4, 3, 2]


def test_char_on_a_coupon_that_stayed_in_is_kept_as_read() -> None:
    (burn,) = burns_of(CUT, [Reading(cell="A1", through="no", char=3)])
    assert (burn.through, burn.char) == ("no", 3)


def test_a_reading_of_char_alone_counts_as_burnt() -> None:
    (burn,) = burns_of(CUT, [Reading(cell="A1", char=0)])
    assert (burn.through, burn.char) == (None, 0)


def test_an_area_mark_keeps_its_pitch() -> None:
    (burn,) = burns_of(grid("area_mark"), [Reading(cell="B1", mark=2)])
    assert (burn.line_pitch_mm, burn.mark, burn.cut_length_mm) == (0.1, 2, None)


def test_coupons_of_another_size_carry_their_cut_path() -> None:
    (burn,) = burns_of(grid(width_mm=20.0), [Reading(cell="A1", through="no")])
    # Four millimetres more on two sides than the standard coupon.
    assert burn.cut_length_mm == pytest.approx(COUPON_CUT_MM + 8.0)
    assert coupon_cut_mm("cut", 16.0, 16.0) is None
    assert coupon_cut_mm("line_mark", 20.0, 5.0) is None
    # Corners can't be rounder than the coupon is narrow: here it is a circle.
    assert coupon_cut_mm("cut", 4.0, 4.0) == pytest.approx(4.0 * 3.141592653589793)


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (Reading(cell="Z9", through="no"), "Cell 'Z9' isn't on board 'K7QF'.*A1, A2, B1, B2"),
        (Reading(cell="A1", mark=2), "Cell 'A1': mark is 2: leave it empty; a cut board"),
    ],
)
def test_readings_that_do_not_belong_are_refused(reading: Reading, said: str) -> None:
    with pytest.raises(BadFile, match=said):
        burns_of(CUT, [reading])
