"""Result files that are refused: an outcome is never guessed."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from result_boards import CUT, GOOD, HEADER, MARK

from calib.errors import BadFile
from calib.results import blank_results_csv, read_results
from calib.spreadsheet import MAX_BYTES

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
    ("B1,through,,2,", "Row 3: mark is '2': leave it empty; a cut board has readings of through"),
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
    with pytest.raises(
        BadFile, match=f"Row 2: {column} is '.*a line_mark board has readings of mark"
    ):
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
