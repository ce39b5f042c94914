"""The command line: what it promises of itself, an evening at it, and what it refuses."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
from shell import BIRCH, MACHINE, Shell, cut_cleanly, mark_clearly

from calib.cli import advice, app, jobs, joints
from calib.logbook import open_book

COMMANDS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
# What is typed into commands that ask.
TYPED = {"read": "q\n"}
UNITS = re.compile(r"\((mm|mm/s|mm/s²|%|W|%:W|mm, mm)\)")


def parameters(name: str) -> list[Any]:
    return [p for p in COMMANDS[name].params if p.name != "ctx"]


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_help_is_one_imperative_sentence_with_an_example(name: str) -> None:
    command = COMMANDS[name]
    assert re.fullmatch(r"[A-Z][a-z]+ [^.]+\.", command.help.strip()), command.help
    assert command.epilog.startswith(f"Example: calib {name}")


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_says_what_it_is_and_in_which_unit(name: str) -> None:
    for parameter in parameters(name):
        assert parameter.help, f"{name}: {parameter.name} has no help"
        measured = re.search(r"_(mm_s2?|mm|pct|w)$", parameter.name)
        if measured:
            assert UNITS.search(parameter.help) or "mm" in parameter.help, parameter.name


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_takes_json(name: str) -> None:
    assert any("--json" in p.opts for p in parameters(name))


# What must have been typed before an example makes sense.
BEFORE = {
    "import": ("export", "logbook.json"),
    "undo": ("change-sheet", "birch 3", "--lot", "March"),
    "restore": ("backup",),
    "settled": ("settle", "last"),
    "sheet-card": ("settle", "last"),
    "comb": ("settle", "last"),
    "read-comb": ("comb", "--power", "60", "--speed", "9"),
}
# A drawing that is cut, in one colour.
BOX = """<svg xmlns="http://www.w3.org/2000/svg" width="90mm" height="60mm" viewBox="0 0 90 60">
<g fill="none" stroke="#ff0000"><path d="M5 5h80v50h-80z"/><circle cx="45" cy="30" r="9"/></g></svg>
"""


def _a_new_lot(evening: Shell) -> None:
    evening.run("change-sheet", "birch 3", "--lot", "May")
    evening.burn(evening.json("plan-lot", "birch 3")["grid"], cut_cleanly)


def _a_strip(evening: Shell, sheet: str = "birch 3") -> None:
    evening.burn(evening.json("plan-strip", sheet)["grid"], cut_cleanly)


def _a_reference(evening: Shell) -> None:
    """Another sheet, known and once tried with a check strip; and a new lot of the first."""
    evening.run("add-sheet", "MDF 3", "--material", "MDF", "--thickness", "3")
    for _ in range(2):
        evening.burn(evening.json("plan", "MDF 3", "--burns", "6")["grid"], cut_cleanly)
    _a_strip(evening, "MDF 3")
    _a_new_lot(evening)


# What an example needs besides a typed command.
PREPARED = {
    "carry-over": lambda evening: evening.run(
        "add-machine", "large", "--watts", "100", "--bed", "600x400", "--top-speed", "400"
    ),
    "plan-lot": lambda evening: evening.run("change-sheet", "birch 3", "--lot", "May"),
    "judge-lot": _a_new_lot,
    "check-machine": _a_strip,
    "sheet-or-machine": _a_reference,
}


def _a_coupon(evening: Shell) -> tuple[str, str]:
    """Code of the last board, and of a cell of it that dropped."""
    board = evening.json("show-board", "last")
    cells = [r["cell"] for r in board["readings"] if r["through"] == "through"]
    return board["grid"]["board_id"], cells[0]


# The page is served until it is stopped: tests/test_web_serving.py starts it as a program.
@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"serve"}))
def test_every_example_runs(evening: Shell, name: str) -> None:
    words = shlex.split(COMMANDS[name].epilog.removeprefix("Example: calib "))
    if name in BEFORE:
        evening.run(*BEFORE[name])
    if name in PREPARED:
        PREPARED[name](evening)
    if name == "take-down":
        grid = evening.json("plan", "--burns", "3")["grid"]
        evening.write("results.csv", Path(evening.results(grid, cut_cleanly)).read_bytes())
    if name == "attach":
        evening.write("photo.jpg", b"\xff\xd8\xff" + bytes(9))
    if name == "job":
        evening.write("box.svg", BOX)
    if name == "joint":
        evening.run("comb", "--power", "60", "--speed", "9")
        evening.run("read-comb", "last", "--snug", "S4,S5", "--tight", "S1-S3", "--loose", "S6-S9")
    if name == "kerf":
        code, cell = _a_coupon(evening)
        sizes = f"cell,through,char,mark,note,width_mm\n{cell},through,,,,15.8\n"
        evening.run("take-down", code, evening.write("sizes.csv", sizes))
    if name == "add-machine":
        evening.book.unlink()
    evening.run(*words, typed=TYPED.get(name))


def test_a_first_machine_needs_four_things_and_is_told_what_is_assumed(shell: Shell) -> None:
    text = shell.text("add-machine", "a", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    assert "Assumed until you say otherwise" in text
    assert "at most 80 % power" in text
    assert "acceleration isn't known" in text
    wrong = shell.run("add-machine", "b", "--watts", "60", "--bed", "600x400", code=2)
    assert "--top-speed" in wrong.stderr


def test_quantities_are_typed_in_other_units(shell: Shell) -> None:
    shell.run("add-machine", "a", "--watts", "60 W", "--bed", "24 in x 16 in",
              "--top-speed", "24000 mm/min")  # fmt: skip
    machine = shell.json("show-machine", "a")["machine"]
    assert (machine["rated_w"], machine["max_speed_mm_s"]) == (60.0, pytest.approx(400.0))
    assert machine["bed_mm"] == pytest.approx([609.6, 406.4])
    shell.run("add-sheet", "quarter", "--material", "MDF", "--thickness", "1/4 in")
    assert shell.json("show-sheet", "quarter")["sheet"]["thickness_mm"] == pytest.approx(6.35)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--top-speed", "fast"), "speed 'fast'"),
        (("--watts", "60 kW"), "power '60 kW' can't be read: write a number and one of W (a plain"),
        (("--bed", "600"), "size '600'"),
        (("--ceiling", "eighty"), "percentage 'eighty'"),
        (("--power-curve", "20,9"), "power curve '20,9'"),
        (("--offset", "3"), "offset '3'"),
        (("--colour", "red"), "--colour"),
    ],
)
def test_wrong_use_ends_with_2_and_names_what_was_typed(
    shell: Shell, words: tuple[str, str], said: str
) -> None:
    done = shell.run(*MACHINE, *words, code=2)
    assert done.stdout == ""
    assert said in " ".join(done.stderr.replace("│", " ").split())


def test_values_out_of_range_are_refused_with_1(shell: Shell) -> None:
    assert "--ceiling is 120.0" in shell.refusal(*MACHINE, "--ceiling", "120")
    assert "--watts is 0.0" in shell.refusal(
        "add-machine", "m", "--watts", "0", "--bed", "9x9", "--top-speed", "4"
    )


def test_a_machine_changes_and_its_past_stays(evening: Shell) -> None:
    evening.run("change-machine", "bench", "--what", "lens", "--lens", "50.8", "--note", "new")
    shown = evening.json("show-machine", "bench")
    assert shown["machine"]["lens_mm"] == 50.8
    assert [setup["what"] for setup in shown["setups"]] == ["first", "lens"]
    assert "no field" not in evening.text("show-machine", "bench")


def test_a_machine_or_sheet_that_is_there_already_is_said_to_be_unchanged(shell: Shell) -> None:
    for words in (MACHINE, BIRCH):
        assert shell.run(*words).stderr == ""
        done = shell.run(*words)
        assert f"{words[1]} is in the logbook already, and unchanged." in done.stderr
        assert words[1] in done.stdout
        assert "note was not kept" in shell.run(*words, "--note", "from the attic").stderr


def test_refused_materials_are_refused_before_anything_is_stored(shell: Shell) -> None:
    shell.run(*MACHINE)
    for material in ("PVC", "vinyl", "unknown"):
        said = shell.refusal("add-sheet", "bad", "--material", material, "--thickness", "3")
        assert material in said
    assert shell.json("list-sheets") == []


def test_a_declaration_opens_what_is_not_known_and_never_what_is_refused(shell: Shell) -> None:
    unknown = ("add-sheet", "odd", "--material", "zorbium", "--thickness", "3")
    said = shell.refusal(*unknown)
    assert "say so with --declaration, such as" in said
    statement = re.search(r'such as: "([^"]+)"', said)
    assert statement
    assert "own statement" in shell.text(*unknown, "--declaration", statement[1])
    pvc = ("add-sheet", "pvc", "--material", "PVC", "--thickness", "3")
    assert "refused" in shell.refusal(*pvc, "--declaration", statement[1])


def test_a_material_can_be_checked_before_it_is_bought(shell: Shell) -> None:
    assert "with care" in shell.text("check-material", "MDF")
    assert "diode" in shell.refusal("check-material", "clear acrylic", "--source", "diode")
    assert "Stay with the machine" in shell.text("check-material", "MDF")
    assert not shell.book.exists()


def test_nothing_is_planned_on_a_sheet_that_is_refused_on_this_machine(shell: Shell) -> None:
    shell.run("add-machine", "d", "--watts", "10", "--bed", "400x400", "--top-speed", "100",
              "--source", "diode")  # fmt: skip
    shell.run("add-sheet", "clear", "--material", "clear acrylic", "--thickness", "3")
    assert "diode" in shell.refusal("plan", "clear")
    assert shell.json("list")["total"] == 0


def test_a_planned_board_is_shown_stored_and_forecast(planned: Shell) -> None:
    shown = planned.json("show-board", "last")
    cells = {cell["label"] for cell in shown["grid"]["cells"]}
    assert len(cells) == 6
    with open_book(planned.book) as book:
        forecast = book.forecasts(unread=True)
    assert {f.cell for f in forecast} == cells
    assert {f.event for f in forecast} >= {"through", "char_at_most_2"}


def test_files_of_a_board_carry_its_code(planned: Shell) -> None:
    code = planned.json("show-board", "last")["grid"]["board_id"]
    done = planned.run("files", "last", "--into", "out", "--one-file-per-setting")
    names = {path.name for path in (planned.folder / "out").iterdir()}
    assert {f"{code}.svg", f"{code}.ngc", f"{code}-frame.ngc", f"{code}-record.pdf",
            f"{code}-plan.csv", f"{code}-results.csv"} <= names  # fmt: skip
    assert f"{code}-00-codes.svg" in names
    assert all(name.startswith(code) for name in names)
    assert f"{code}-record.pdf" in done.stdout


def test_a_filled_in_result_file_is_left_alone(planned: Shell) -> None:
    planned.run("files", "last", "--into", "out")
    path = next((planned.folder / "out").glob("*-results.csv"))
    filled = path.read_text().replace("A1,,", "A1,no,")
    path.write_text(filled)
    assert "left as it is" in planned.text("files", "last", "--into", "out")
    assert path.read_text() == filled


def test_without_the_s_word_there_is_everything_but_programs(shell: Shell) -> None:
    shell.run("add-machine", "m", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    shell.run(*BIRCH)
    done = shell.run("plan", "--burns", "3", "--into", "out")
    assert "There is no program" in done.stderr
    assert not list((shell.folder / "out").glob("*.ngc"))
    assert "change-machine --power-word" in shell.refusal("resume", "last", "A1")


def test_a_stopped_board_goes_on_from_a_cell(planned: Shell) -> None:
    cells = planned.json("show-board", "last")["grid"]["cells"]
    last = max(cells, key=lambda cell: cell["burn_order"])["label"]
    planned.run("resume", "last", last.lower())
    (program,) = planned.folder.glob("*-from-*.ngc")
    assert f"from cell {last}" in program.read_text().replace("\n", " ")
    assert "Z9" in planned.refusal("resume", "last", "Z9")


def test_a_focus_board(planned: Shell) -> None:
    shown = planned.json("focus", "--heights", "-2,0,+2", "--into", "f")
    assert shown["heights_mm"] == [-2.0, 0.0, 2.0]
    assert {path.name for path in (planned.folder / "f").iterdir()} == {"focus.svg", "focus.ngc"}
    assert "5 x 5 mm" in planned.refusal("focus", "--offcut", "5x5")


def test_offcuts_that_are_too_small_and_limits_that_are_crossed(planned: Shell) -> None:
    assert "10 x 10 mm" in planned.refusal("plan", "--offcut", "10x10")
    said = planned.refusal("plan", "--powers", "40,90", "--speeds", "10")
    assert "90 %" in said
    assert "with change-machine" in said
    assert "5 %" in planned.refusal("plan", "--powers", "5", "--speeds", "10")
    said = planned.refusal("plan", "--powers", "40", "--speeds", "10,500")
    assert "500 mm/s (30000 mm/min)" in said
    assert "400 mm/s" in said
    assert "only --powers is given (40)" in planned.refusal("plan", "--powers", "40")
    assert "--burns is 0" in planned.refusal("plan", "--burns", "0")
    assert "engrave" in planned.run("plan", "--operation", "engrave", code=2).stderr
    assert planned.json("list")["total"] == 1, "nothing of all this was stored"


def test_a_small_offcut_gives_fewer_burns_and_says_so(planned: Shell) -> None:
    grid = planned.json("plan", "--offcut", "70x60")["grid"]
    assert 0 < len(grid["cells"]) < 8
    assert any("8 burns were asked for" in note for note in grid["notes"])


def test_rounds_are_counted_and_unread_boards_named(planned: Shell) -> None:
    first = planned.json("show-board", "last")["grid"]["board_id"]
    done = planned.run("plan", "--burns", "3")
    assert "round 1" in done.stdout, "a board that wasn't burnt is no round"
    assert f"earlier board {first}" in done.stderr
    again = planned.run("plan", "--burns", "6")
    assert f"Board {first}, round 1" in again.stdout
    assert f"Board {first} was planned before" in again.stderr
    assert planned.json("list")["total"] == 2
    path = planned.write("r.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    planned.run("take-down", first, path)
    assert "round 2" in planned.text("plan", "--burns", "3")


def test_names_may_be_left_out_only_while_they_are_clear(shell: Shell) -> None:
    assert "no machine" in shell.refusal("plan")
    shell.run(*MACHINE)
    assert "no sheet" in shell.refusal("plan")
    for name in ("one", "two"):
        shell.run("add-sheet", name, "--material", "MDF", "--thickness", "3")
    assert "one, two: name one" in shell.refusal("region")
    assert "'three'" in shell.refusal("region", "three")
    assert "no board" in shell.refusal("show-board", "last")
    assert "'K7QX2M'" in shell.refusal("show-board", "k7qx2m")


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


def test_a_region_as_text_data_and_pictures(evening: Shell) -> None:
    text = evening.text("region", "--picture", "r.png", "--picture", "r.svg")
    assert "bracketed" not in text
    assert "both sides of the edge" in text
    assert "mm/min" in text
    assert (evening.folder / "r.svg").read_text().count("<svg") == 1
    shown = evening.json("region")
    fast = [row["speeds_mm_s"] for row in shown["rows"]]
    assert all(row[0] >= row[1] >= row[2] for row in fast)
    # The truth of the fixture: half the coupons fall free at 20 mm/s and 80 %.
    assert shown["rows"][0]["power_pct"] == 80.0
    assert 15.0 < shown["rows"][0]["speeds_mm_s"][0] < 24.0
    assert ".png" in evening.run("region", "--picture", "r.gif", code=2).stderr


def test_a_recommendation_states_its_chance_and_stores_the_promise(evening: Shell) -> None:
    given = evening.json("recommend", "--char-at-most", "2", "--reliability", "0.95")
    advice = given["recommendation"]
    assert advice["chance"] >= 0.95
    assert 40.0 <= advice["power_pct"] <= 80.0
    assert cut_cleanly(advice["power_pct"], advice["speed_mm_s"])[0] == "through"
    promise = evening.json("list-promises")[0]
    assert promise["id"] == given["promise_id"]
    assert promise["promise"]["setting"]["speed_mm_s"] == advice["speed_mm_s"]
    assert promise["at"]
    evening.run("settle", given["promise_id"][:8], "--note", "fine")
    (settled,) = evening.json("show-sheet", "birch 3")["settled"]
    assert settled["setting"]["power_pct"] == advice["power_pct"]
    assert "0 promises" in evening.refusal("settle", "zz")


def test_a_recommendation_in_words_for_the_workshop(evening: Shell) -> None:
    done = evening.run("recommend", "--cut-length", "2 m", "--reliability", "0.9")
    text = done.stdout
    assert done.stderr == "Next: try it, and settle on it with calib settle last.\n"
    for words in ("mm/min", "a whole job", "Margin:", "pushes in the job", "hour of cutting"):
        assert words in text


def test_a_job_is_kept_with_its_promise(evening: Shell) -> None:
    given = evening.json("list-promises")[0]["promise"]["setting"]
    setting = ("--power", str(given["power_pct"]), "--speed", str(given["speed_mm_s"]))
    evening.run("take-down-job", *setting, "--through", "38", "--hanging", "2")
    (promise,) = evening.json("list-promises")
    assert len(promise["jobs"]) == 1
    assert evening.json("list", "--kind", "job")["entries"][0]["outcomes"] == {
        "hanging": 2,
        "through": 38,
    }
    assert "No part" in evening.refusal("take-down-job", *setting)
    assert "-3" in evening.refusal("take-down-job", *setting, "--no=-3")


@pytest.mark.parametrize(
    ("outcome", "edge", "said"),
    [
        (lambda _p, _v: ("through", "1", ""), "all_through", "faster or with less power"),
        (lambda _p, _v: ("no", "", ""), "none_through", "slower or with more power"),
    ],
)
def test_an_edge_that_was_not_found_is_said_with_the_way_to_go(
    planned: Shell, outcome: Any, edge: str, said: str
) -> None:
    planned.burn(planned.json("show-board", "last")["grid"], outcome)
    shown = planned.json("region")
    assert shown["edge"] == edge
    assert any(said in note for note in shown["notes"])
    done = planned.run("recommend", code=0 if edge == "all_through" else 1)
    if edge == "none_through":
        assert "Burn next:" in done.stderr
    else:
        cells = planned.json("show-board", "last")["grid"]["cells"]
        advised = planned.json("list-promises")[0]["promise"]["setting"]
        assert advised["speed_mm_s"] <= max(cell["speed_mm_s"] for cell in cells)


def test_one_burn_and_contradictory_burns_get_an_honest_answer(planned: Shell) -> None:
    assert "was burnt yet" in planned.refusal("recommend")
    one = planned.write("r.csv", "cell,through,char,mark,note\nC1,through,1,,\n")
    planned.run("take-down", "last", one)
    done = planned.run("recommend", code=1)
    assert "Burn next:" in done.stderr
    grid = planned.json("show-board", "last")["grid"]
    energies = sorted(cell["power_pct"] / cell["speed_mm_s"] for cell in grid["cells"])
    planned.run("undo", "--board", "last")
    # Everything falls free, only not the coupon that got the most.
    planned.burn(grid, lambda p, v: ("no" if p / v == energies[-1] else "through", "", ""))
    assert any("contradicts" in note for note in planned.json("region")["notes"])
    assert planned.json("region")["edge"] == "bracketed"


def test_line_marks_have_a_board_a_region_and_a_recommendation(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("add-sheet", "MDF 3", "--material", "MDF", "--thickness", "3")
    mark = ("--operation", "line-mark")
    for speeds in ("60,90,120,150", "100,130,170,200"):
        planned = shell.json("plan", *mark, "--powers", "12,16,22", "--speeds", speeds)
        shell.burn(planned["grid"], mark_clearly)
    text = shell.text("region", *mark)
    assert "likeliest to be 2" in text
    advice = shell.json("recommend", *mark, "--reliability", "0.9")["recommendation"]
    assert mark_clearly(advice["power_pct"], advice["speed_mm_s"])[2] == "2"
    assert advice["chance_not_deeper"] >= 0.9
    assert "come out as wanted" in shell.text("recommend", *mark, "--reliability", "0.9")


def test_the_logbook_is_listed_searched_and_given_away(evening: Shell, tmp_path: Path) -> None:
    evening.run("note", "the lens was cleaned", "--machine", "bench")
    assert evening.json("list")["total"] == 2
    assert evening.json("list", "lens", "cleaned")["total"] == 1
    assert evening.json("list", "--outcome", "hanging", "--sheet", "birch 3")["total"] == 1
    assert evening.json("list", "--material", "oak")["total"] == 0
    assert "Nothing in the logbook fits" in evening.text("list", "oak")
    said = evening.run("list", "--material", "oak").stderr
    assert "no sheet is of material 'oak'; the logbook has birch plywood." in said
    assert evening.run("list", "oak", "--material", "Birch Plywood").stderr == ""
    assert "--outcome is 'burnt'" in evening.refusal("list", "--outcome", "burnt")
    assert "--limit is 0" in evening.refusal("list", "--limit", "0")
    evening.run("export", "all.json")
    evening.run("export", "burns.csv")
    assert "cell" in (evening.folder / "burns.csv").read_text().splitlines()[0]
    assert "all.txt" in evening.refusal("export", "all.txt")
    (tmp_path / "new").mkdir()
    other = Shell(tmp_path / "new")
    looked = other.json("import", "all.json", "--look")
    assert sum(looked["added"].values()) > 0
    assert other.json("list")["total"] == 0
    other.run("import", "all.json")
    assert other.json("region")["outcomes"] == evening.json("region")["outcomes"]
    broken = evening.write("broken.json", '{"format": "something"}')
    assert "something" in evening.refusal("import", broken)
    assert "=" in evening.run("import", "all.json", "--answer", "here", code=2).stderr


def test_lots_are_kept(evening: Shell) -> None:
    done = evening.run("change-sheet", "birch 3", "--lot", "March", "--measured", "2.9")
    assert done.stderr == "Next: calib plan-lot 'birch 3', a few burns that try the new lot.\n"
    assert evening.run("change-sheet", "birch 3", "--measured", "2.9").stderr == ""
    shown = evening.json("show-sheet", "birch 3")
    assert shown["sheet"]["measured_mm"] == 2.9
    assert [entry["sheet"]["lot"] for entry in shown["lots"]] == ["", "March"]
    assert "March" in evening.text("list-sheets")


def test_a_folder_that_cannot_be_written_is_said(planned: Shell) -> None:
    planned.write("file", "x")
    assert "file" in planned.refusal("files", "last", "--into", "file/under")


def calib(*words: str, book: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    settings = {**os.environ, "CALIB_BOOK": str(book), **environment}
    return subprocess.run(
        [sys.executable, "-m", "calib", *words],
        capture_output=True,
        text=True,
        env=settings,
        check=False,
    )


def test_as_a_program_results_go_to_stdout_and_the_rest_to_stderr(tmp_path: Path) -> None:
    book = tmp_path / "b.sqlite3"
    added = calib(*MACHINE, "--json", book=book)
    assert added.returncode == 0
    assert json.loads(added.stdout)["rated_w"] == 60.0
    refused = calib("show-board", "AB12", book=book)
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "'AB12'" in refused.stderr
    wrong = calib("plan", "--nonsense", book=book)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert str(book) in calib("where", book=book).stdout


def test_a_terminal_without_special_signs_is_no_reason_to_fail(tmp_path: Path) -> None:
    done = calib("list-machines", "--help", book=tmp_path / "b", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    shown = calib("add-machine", "Bänk", "--watts", "60", "--bed", "6x4", "--top-speed", "4",
                  "--acceleration", "9", book=tmp_path / "b", PYTHONIOENCODING="ascii")  # fmt: skip
    assert shown.returncode in (0, 1)
    assert "Traceback" not in shown.stderr


@pytest.mark.parametrize(
    ("option", "word", "said"),
    [
        (joints.Tight, "S1-S999999999", "codes 'S1-S999999999' can't be read"),
        (joints.Tight, "S²-S³", "codes 'S²-S³' can't be read"),
        (joints.Tight, "-", "codes '-' can't be read"),
        (jobs.At, "#f00=1.2.3@10", "setting '#f00=1.2.3@10' can't be read"),
        (jobs.At, "#f00=20@10x" + "9" * 5000, "setting '#f00=20@10x9{90,}… can't be read"),
        (jobs.Took, "nan", "time 'nan' can't be read"),
        (jobs.Took, "1:inf", "time '1:inf' can't be read"),
        (jobs.MachineHour, "x" * 5000, "'x{90,}… can't be read: write a number"),
        (advice.Pictures, "x" * 5000, "picture is 'x{90,}…: give a name"),
    ],
)
def test_words_that_cannot_be_read_are_refused_in_short(option: Any, word: str, said: str) -> None:
    with pytest.raises(typer.BadParameter, match=said):
        option.__metadata__[0].parser(word)
