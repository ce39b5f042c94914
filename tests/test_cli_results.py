"""Results at the command line: taken down from a file or cell by cell, corrected, refused."""

from __future__ import annotations

import re

import pytest
from shell import Shell, cut_cleanly

from calib.logbook import open_book

GOOD_ROW = "A1,no,,,,{code}\r\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cell,through,char,mark,note,board\r\nZ9,no,,,,{code}\r\n", "Row 2: cell is 'Z9'"),
        (f"cell,through,char,mark,note,board\r\n{GOOD_ROW}{GOOD_ROW}", "Row 3: cell is 'A1'"),
        ("cell,through,char,mark,note,board\r\nA1,through,7,,,{code}\r\n", "Row 2: char is '7'"),
        ("cell,through,char,mark,note,board\r\nA1,yes,,,,{code}\r\n", "Row 2: through is 'yes'"),
        ("cell,through,scorch,mark,note\r\nA1,no,,,\r\n", "scorch"),
        ("cell,through,char,mark,note,board\r\nA1,no,,,,QQQQQQ\r\n", "Row 2: board is 'QQQQQQ'"),
        (f"cell,through,char,mark,note,board\r\n{GOOD_ROW}B1,no", "Row 3"),
        ("cell,through,char,mark,note,board\r\nA1,,,2,,{code}\r\n", "Row 2: mark is '2'"),
        ("cell,through,char,mark,note,board\r\nA1,,,,,{code}\r\n", "no reading"),
        ("", "empty"),
    ],
    ids=["unknown cell", "repeated", "grade", "guess", "columns", "other board", "cut off",
         "mark on a cut", "nothing filled in", "empty"],
)  # fmt: skip
def test_a_bad_result_file_is_refused_whole(planned: Shell, text: str, said: str) -> None:
    code = planned.json("show-board", "last")["grid"]["board_id"]
    assert said in planned.refusal(
        "take-down", "last", planned.write("r.csv", text.replace("{code}", code))
    )
    assert planned.json("show-board", "last")["readings"] == []


def test_each_step_says_the_next_one_but_not_to_a_program(planned: Shell) -> None:
    grid = planned.json("show-board", "last")["grid"]
    file = planned.results(grid, cut_cleanly)
    said = "Next: calib plan 'birch 3', for another board (6 burns so far; recommend wants"
    assert said in planned.run("take-down", "last", file).stderr
    assert planned.run("take-down", "last", file, "--json").stderr == ""
    speeds = "3,6,8,9,12,15,18,24"
    more = planned.json("plan", "--powers", "80", "--speeds", speeds)["grid"]
    done = planned.run("take-down", "last", planned.results(more, cut_cleanly))
    assert done.stderr == "Next: calib recommend 'birch 3'.\n"


def test_empty_cells_count_as_not_burnt(planned: Shell) -> None:
    text = planned.text(
        "take-down", "last", planned.write("r.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    )
    assert "1 new" in text
    assert "Left empty, so not burnt: B1" in text
    assert planned.json("region")["outcomes"] == {"no": 1}


def test_a_correction_needs_a_reason_and_the_past_stays(planned: Shell) -> None:
    first = planned.write("a.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    second = planned.write("b.csv", "cell,through,char,mark,note\nA1,hanging,2,,\n")
    planned.run("take-down", "last", first)
    assert "corrected with --why" in planned.refusal("take-down", "last", second)
    assert "1 corrected" in planned.text("take-down", "last", second, "--why", "looked again")
    assert "no longer counts" in planned.text("history")
    assert "Taken back" in planned.text("undo", "--board", "last")
    assert planned.json("show-board", "last")["readings"][0]["through"] == "no"
    assert "1 corrected" in planned.text("strike-out", "last", "a1", "--why", "slipped")
    assert planned.json("show-board", "last")["readings"] == []
    assert "with --why" in planned.refusal("strike-out", "last", "a1")
    assert "--board last, --machine NAME" in planned.refusal("undo")


def test_cell_by_cell_each_answer_is_stored_and_undo_takes_it_back(planned: Shell) -> None:
    done = planned.run("read", "last", typed="n\nt\n9\n2\nu\n3\nh\n\nx\nq\n")
    read = {r["cell"]: r for r in planned.json("show-board", "last")["readings"]}
    assert read["A1"]["through"] == "no"
    assert (read["B1"]["through"], read["B1"]["char"]) == ("through", 3)
    third = sorted(c["label"] for c in planned.json("show-board", "last")["grid"]["cells"])[2]
    assert (read[third]["through"], read[third]["char"]) == ("hanging", None)
    assert "char of cell B1 is '9'" in done.stderr
    assert "is 'x'" in done.stderr
    again = planned.run("read", "last", typed="u\nq\n")
    assert "no answer to take back" in again.stderr
    assert len(planned.json("show-board", "last")["readings"]) == 3


def test_cell_by_cell_stops_at_the_end_of_input(planned: Shell) -> None:
    done = planned.run("read", "last", typed="n\n")
    assert "what was answered is stored" in done.stderr
    assert len(planned.json("show-board", "last")["readings"]) == 1


def test_burns_of_one_evening_are_one_sitting(planned: Shell) -> None:
    path = planned.write("r.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    planned.run("take-down", "last", path)
    planned.run("read", "last", typed="h\n2\nq\n")
    with open_book(planned.book) as book:
        sittings = {burn.sitting for burn in book.burns("bench", "birch 3")}
    (label,) = sittings
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", label)
