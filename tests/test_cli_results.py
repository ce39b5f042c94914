"""Results at the command line: recorded from a file or cell by cell, corrected, refused."""

from __future__ import annotations

import csv
import json
import re
import shlex
from pathlib import Path

import pytest
from shell import BIRCH, MACHINE, Shell, cut_cleanly

from calib.logbook import open_book

GOOD_ROW = "A1,no,,,,{code}\r\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cell,through,char,mark,note,board\r\nZ9,no,,,,{code}\r\n", "Row 2: cell is 'Z9'"),
        (f"cell,through,char,mark,note,board\r\n{GOOD_ROW}B1,no", "Row 3"),
        ("cell,through,char,mark,note,board\r\nA1,,,,,{code}\r\n", "no reading"),
    ],
    ids=["unknown cell", "cut off", "nothing filled in"],
)
def test_a_bad_result_file_is_refused_whole(planned: Shell, text: str, said: str) -> None:
    code = planned.json("board", "show", "last")["grid"]["board_id"]
    assert said in planned.refusal(
        "record", "last", planned.write("r.csv", text.replace("{code}", code))
    )
    assert planned.json("board", "show", "last")["readings"] == []


def test_each_step_says_the_next_one_but_not_to_a_program(planned: Shell) -> None:
    grid = planned.json("board", "show", "last")["grid"]
    file = planned.results(grid, cut_cleanly)
    said = "So far 6 burns; a setting takes about 12. Next: calib plan 'birch 3' --machine bench\n"
    assert said in planned.run("record", "last", file).stderr
    assert planned.run("record", "last", file, "--json").stderr == ""
    speeds = "3,6,8,9,12,15,18,24"
    more = planned.json("plan", "--powers", "80", "--speeds", speeds, "--slowest", "3")["grid"]
    done = planned.run("record", "last", planned.results(more, cut_cleanly))
    assert done.stderr == "Next: calib recommend 'birch 3' --machine bench\n"


def test_empty_cells_count_as_not_burnt(planned: Shell) -> None:
    text = planned.text(
        "record", "last", planned.write("r.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    )
    assert "1 new" in text
    assert "Not read, so it counts as not burnt: B1" in text
    assert planned.json("region")["outcomes"] == {"no": 1}


def test_a_correction_needs_a_reason_and_the_past_stays(planned: Shell) -> None:
    first = planned.write("a.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    second = planned.write("b.csv", "cell,through,char,mark,note\nA1,hanging,2,,\n")
    planned.run("record", "last", first)
    assert "say why it is corrected" in planned.refusal("record", "last", second)
    assert "1 corrected" in planned.text("record", "last", second, "--why", "looked again")
    assert "no longer counts" in planned.text("book", "history")
    assert "Taken back" in planned.text("book", "undo", "--board", "last")
    assert planned.json("board", "show", "last")["readings"][0]["through"] == "no"
    assert "1 corrected" in planned.text("record", "last", "--not-burnt", "a1", "--why", "slipped")
    assert planned.json("board", "show", "last")["readings"] == []
    assert "Say why the cells are struck out" in planned.refusal(
        "record", "last", "--not-burnt", "a1"
    )
    assert "give its code, and no file" in planned.refusal("record", second, "--not-burnt", "a1")
    # Without a name: whatever was said last, in the whole logbook.
    assert "Taken back" in planned.text("book", "undo", "--yes")
    assert planned.json("board", "show", "last")["readings"][0]["through"] == "no"
    assert "Put back" in planned.text("book", "redo")
    assert planned.json("board", "show", "last")["readings"] == []


def test_cell_by_cell_each_answer_is_stored_and_undo_takes_it_back(planned: Shell) -> None:
    done = planned.run("record", "last", typed="n\nt\n9\n2\nu\n3\nh\n\nx\nq\n")
    read = {r["cell"]: r for r in planned.json("board", "show", "last")["readings"]}
    assert read["A1"]["through"] == "no"
    assert (read["B1"]["through"], read["B1"]["char"]) == ("through", 3)
    third = sorted(c["label"] for c in planned.json("board", "show", "last")["grid"]["cells"])[2]
    assert (read[third]["through"], read[third]["char"]) == ("hanging", None)
    assert "char of cell B1 is '9'" in done.stderr
    assert "is 'x'" in done.stderr
    again = planned.run("record", "last", typed="u\nq\n")
    assert "no answer to take back" in again.stderr
    assert len(planned.json("board", "show", "last")["readings"]) == 3


def test_cell_by_cell_stops_at_the_end_of_input(planned: Shell) -> None:
    done = planned.run("record", "last", typed="n\n")
    assert "what was answered is stored" in done.stderr
    assert len(planned.json("board", "show", "last")["readings"]) == 1


def test_burns_of_one_evening_are_one_session(planned: Shell) -> None:
    path = planned.write("r.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    planned.run("record", "last", path)
    planned.run("record", "last", typed="h\n2\nq\n")
    with open_book(planned.book) as book:
        sessions = {burn.session for burn in book.burns("bench", "birch 3")}
    (label,) = sessions
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", label)


def test_an_undo_of_more_than_one_reading_asks_first(planned: Shell) -> None:
    rows = "".join(f"{cell}1,no,,,\n" for cell in "ABCDE")
    planned.run("record", "last", planned.write("r.csv", "cell,through,char,mark,note\n" + rows))
    for typed in ("n\n", "", None):
        done = planned.run("book", "undo", "--board", "last", typed=typed, code=1)
        assert "takes back 5 results at once: readings of board" in done.stderr
        assert "cells A1, B1, C1, D1, E1" in done.stderr
        assert "Nothing was taken back" in done.stderr
    assert len(planned.json("board", "show", "last")["readings"]) == 5
    assert "Taken back" in planned.text("book", "undo", "--board", "last", typed="y\n")
    assert planned.json("board", "show", "last")["readings"] == []
    planned.run("record", "last", str(planned.folder / "r.csv"), "--why", "again")
    planned.run("book", "undo", "--board", "last", "--yes")
    assert planned.json("board", "show", "last")["readings"] == []


GRIDS = Path(__file__).resolve().parent.parent / "grids"


def test_a_ready_made_grid_is_recorded_for_the_sheet_it_was_burnt_on(planned: Shell) -> None:
    definition = GRIDS / "plywood-3-cut-co2-60.toml"
    (blank,) = definition.with_suffix("").glob("*-results.csv")
    code = blank.name.removesuffix("-results.csv")
    filled = blank.read_text().replace("\nC1,,,", "\nC1,through,1,").replace("\nA1,,", "\nA1,no,")
    results = planned.write("results.csv", filled)
    assert f"no board '{code}'" in planned.refusal("record", code, results)
    words = ("record", code, results, "--ready-made", str(definition))
    bad = planned.write("bad.csv", filled.replace("through", "maybe", 2))
    said = planned.run("record", code, bad, *words[3:], code=1).stderr
    assert "maybe" in said
    assert f"no board '{code}'" in planned.refusal("board", "show", code)
    assert "'no such'" in planned.refusal(*words, "--machine", "no such")
    assert f"is board {code}, not 'ZZZZ99'" in planned.refusal("record", "ZZZZ99", *words[2:])
    recorded = planned.json(*words, "--machine", "bench", "--sheet", "birch 3")["recorded"]
    assert recorded["added"] == 2
    grid = planned.json("board", "show", code)["grid"]
    assert (grid["machine"]["name"], grid["sheet"]["name"]) == ("bench", "birch 3")
    plan = csv.DictReader((blank.parent / f"{code}-plan.csv").read_text().splitlines())
    burnt = {row["cell"]: (float(row["power_pct"]), float(row["speed_mm_s"])) for row in plan}
    assert {c["label"]: (c["power_pct"], c["speed_mm_s"]) for c in grid["cells"]} == burnt
    # In place: its definition lies beside its folder. Later readings find the board by themselves.
    folder = planned.folder / "mine"
    folder.mkdir()
    (planned.folder / "mine.toml").write_text(definition.read_text())
    (folder / "r.csv").write_text(filled.replace("\nB1,,,", "\nB1,no,,"))
    assert planned.json("record", code, str(folder / "r.csv"))["recorded"]["added"] == 1
    planned.run("machine", "add", "slow", "--watts", "60", "--bed", "600x400", "--top-speed", "20")
    (other,) = (GRIDS / "hardboard-3-cut-co2-60").glob("*-results.csv")
    said = planned.refusal(
        "record", other.name[:6], str(other), "--machine", "slow", "--sheet", "birch 3"
    )
    assert re.search(r"slow goes up to 20 mm/s .*it can't have burnt this board", said)


def test_a_ready_made_grid_is_recorded_for_each_machine_that_burnt_it(planned: Shell) -> None:
    definition = GRIDS / "plywood-3-cut-co2-60.toml"
    (blank,) = definition.with_suffix("").glob("*-results.csv")
    code = blank.name.removesuffix("-results.csv")
    planned.run("machine", "add", "two", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    first = planned.write("1.csv", blank.read_text().replace("\nC1,,,", "\nC1,through,1,"))
    second = planned.write("2.csv", blank.read_text().replace("\nC1,,", "\nC1,no,"))
    ready = ("--ready-made", str(definition), "--sheet", "birch 3", "--machine")
    planned.json("record", code, first, *ready, "bench")
    # Without the definition nothing is stored, on either machine.
    said = planned.refusal("record", code, second, "--machine", "two")
    assert f"Board {code} was recorded for bench and birch 3, not for two and birch 3" in said
    done = planned.json("record", code, second, *ready, "two")
    assert done["recorded"]["added"] == 1
    assert done["board_id"] != code
    shown = [planned.json("board", "show", name) for name in (code, done["board_id"])]
    assert [board["grid"]["machine"]["name"] for board in shown] == ["bench", "two"]
    outcomes = [[r["through"] for r in board["readings"] if r["through"]] for board in shown]
    assert outcomes == [["through"], ["no"]]
    # Recorded once more it is the same board, and the same readings.
    twice = planned.json("record", code, second, *ready, "two")
    assert (twice["board_id"], twice["recorded"]["added"]) == (done["board_id"], 0)


def test_a_table_of_ones_own_becomes_a_board_of_its_own(shell: Shell) -> None:
    for words in (MACHINE, BIRCH):
        shell.run(*words)
    rows = "power;speed;passes;through;char;note\n60;12 mm/s;1;through;2;\n60,5;720 mm/min;1;no;;\n"
    done = shell.run("record", shell.write("own.csv", rows + "60;12;1;hanging;1;slipped\n"))
    assert "3 new" in done.stdout
    board = shell.json("board", "show", "last")
    burnt = {c["label"]: (c["power_pct"], c["speed_mm_s"]) for c in board["grid"]["cells"]}
    came = [(*burnt[r["cell"]], r["through"], r["note"]) for r in board["readings"]]
    assert sorted(came) == [
        (60.0, 12.0, "hanging", "slipped"), (60.0, 12.0, "through", ""), (60.5, 12.0, "no", ""),
    ]  # fmt: skip
    assert "own" in " ".join(board["grid"]["notes"])
    assert shell.json("region")["outcomes"] == {"no": 1, "hanging": 1, "through": 1}
    # The same table again says the same.
    assert "3 as before" in shell.text("record", "own.csv")
    wrong = shell.write("wrong.csv", "power,speed,through\n60,fast,no\n")
    assert "Row 2: speed 'fast' can't be read" in shell.refusal("record", wrong)


def test_many_files_are_recorded_at_once_by_their_pattern(planned: Shell) -> None:
    for name, burns in (("one", "3"), ("two", "4")):
        grid = planned.json("plan", "--burns", burns, "--into", name)["grid"]
        filled = Path(planned.results(grid, cut_cleanly)).read_bytes()
        (next((planned.folder / name).glob("*-results.csv"))).write_bytes(filled)
    done = planned.run("record", "*/*-results.csv", "--json")
    assert [b["recorded"]["added"] for b in json.loads(done.stdout)["boards"]] == [3, 4]
    said = planned.refusal("record", "nothing-*.csv", "one/nothing.csv")
    assert "There is no file 'nothing-" in said


def test_an_abandoned_board_and_a_sheet_tried_out_only_are_withdrawn(planned: Shell) -> None:
    code = planned.json("board", "show", "last")["grid"]["board_id"]
    assert "Say why" in planned.refusal("board", "void", code)
    asked = planned.run("board", "void", code, "--why", "lost", typed="n\n", code=1)
    assert "Nothing was withdrawn" in asked.stderr
    said = planned.text("board", "void", code, "--why", "the offcut was lost", "--yes")
    assert planned.json("board", "list")["total"] == 0
    planned.run(*shlex.split(said.partition("calib ")[2]), "--yes")
    assert planned.json("board", "list")["total"] == 1
    (planned_as,) = [one for one in planned.json("book", "history") if one["kind"] == "board"]
    short = planned_as["id"].partition("-")[2][:8]
    assert short in planned.text("book", "history")
    planned.run("book", "withdraw", short, "--why", "by its entry", "--yes")
    assert planned.json("board", "list")["total"] == 0
    planned.run("book", "withdraw", "--sheet", "Birch 3", "--why", "tried out only", typed="y\n")
    assert planned.json("sheet", "list") == []
    assert "What is to be withdrawn?" in planned.refusal("book", "withdraw")
