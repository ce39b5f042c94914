"""Boards at the command line: planned, written into files, resumed, counted, refused."""

from __future__ import annotations

import pytest
from shell import BIRCH, Shell

from calib.logbook import open_book


def test_nothing_is_planned_on_a_sheet_that_is_refused_on_this_machine(shell: Shell) -> None:
    shell.run("machine", "add", "d", "--watts", "10", "--bed", "400x400", "--top-speed", "100",
              "--source", "diode")  # fmt: skip
    shell.run("sheet", "add", "clear", "--material", "clear acrylic", "--thickness", "3")
    assert "diode" in shell.refusal("plan", "clear")
    assert shell.json("book", "list")["total"] == 0


def test_a_planned_board_is_shown_stored_and_forecast(planned: Shell) -> None:
    shown = planned.json("board", "show", "last")
    cells = {cell["label"] for cell in shown["grid"]["cells"]}
    assert len(cells) == 6
    with open_book(planned.book) as book:
        forecast = book.forecasts(unread=True)
    assert {f.cell for f in forecast} == cells
    assert {f.event for f in forecast} >= {"through", "char_at_most_2"}


def test_files_of_a_board_carry_its_code(planned: Shell) -> None:
    code = planned.json("board", "show", "last")["grid"]["board_id"]
    done = planned.run(
        "board", "files", "last", "--into", "out", "--one-file-per-setting", "--piece-edge"
    )
    names = {path.name for path in (planned.folder / "out").iterdir()}
    assert {f"{code}.svg", f"{code}.nc", f"{code}-outline.nc", f"{code}-record.pdf",
            f"{code}-plan.csv", f"{code}-results.csv"} <= names  # fmt: skip
    assert f"{code}-00-codes.svg" in names
    assert all(name.startswith(code) for name in names)
    assert f"{code}-record.pdf" in done.stdout


def test_a_filled_in_result_file_is_left_alone(planned: Shell) -> None:
    planned.run("board", "files", "last", "--into", "out")
    path = next((planned.folder / "out").glob("*-results.csv"))
    filled = path.read_text().replace("A1,,", "A1,no,")
    path.write_text(filled)
    assert "left as it is" in planned.text("board", "files", "last", "--into", "out")
    assert path.read_text() == filled


def test_without_the_s_word_there_is_everything_but_programs(shell: Shell) -> None:
    shell.run("machine", "add", "m", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    shell.run(*BIRCH)
    done = shell.run("plan", "--burns", "3", "--into", "out")
    assert "There is no program" in done.stderr
    assert not list((shell.folder / "out").glob("*.nc"))
    assert "calib machine change --power-word" in shell.refusal("board", "resume", "last", "A1")


def test_a_stopped_board_goes_on_from_a_cell(planned: Shell) -> None:
    cells = planned.json("board", "show", "last")["grid"]["cells"]
    last = max(cells, key=lambda cell: cell["burn_order"])["label"]
    planned.run("board", "resume", "last", last.lower())
    (program,) = planned.folder.glob("*-from-*.nc")
    assert f"from cell {last}" in program.read_text().replace("\n", " ")
    assert "Z9" in planned.refusal("board", "resume", "last", "Z9")


def test_a_focus_board(planned: Shell) -> None:
    shown = planned.json("plan", "--for", "focus", "--heights", "-2,0,+2", "--into", "f")
    assert shown["heights_mm"] == [-2.0, 0.0, 2.0]
    assert {path.suffix for path in (planned.folder / "f").iterdir()} == {".svg", ".dxf", ".nc"}
    assert "5 x 5 mm" in planned.refusal("plan", "--for", "focus", "--offcut", "5x5")


def test_a_focus_and_a_joint_board_show_the_edge_of_the_piece(planned: Shell) -> None:
    joint = ("joint", "--power", "60", "--speed", "12")
    for number, (purpose, *more) in enumerate((("focus",), joint)):
        for into, edge in ((f"with-{number}", ["--piece-edge"]), (f"without-{number}", [])):
            planned.run("plan", "--for", purpose, *more, *edge, "--into", into)
            drawn = next((planned.folder / into).glob("*.svg")).read_text()
            assert ('id="edge"' in drawn) == bool(edge)


def test_a_board_that_no_record_sheet_holds_is_not_stored(planned: Shell) -> None:
    powers, speeds = (",".join(map(str, range(*ends))) for ends in ((30, 81, 5), (12, 47, 2)))
    into = str(planned.folder / "f")
    refused = planned.refusal("plan", "--powers", powers, "--speeds", speeds, "--into", into)
    assert "198 cells don't fit one record sheet" in refused
    assert planned.json("book", "list")["total"] == 1


def test_offcuts_that_are_too_small_and_limits_that_are_crossed(planned: Shell) -> None:
    assert "10 x 10 mm" in planned.refusal("plan", "--offcut", "10x10")
    said = planned.refusal("plan", "--powers", "40,90", "--speeds", "10")
    assert "90 %" in said
    assert "or change the machine" in said
    assert "5 %" in planned.refusal("plan", "--powers", "5", "--speeds", "10")
    said = planned.refusal("plan", "--powers", "40", "--speeds", "10,500")
    assert "500 mm/s (30000 mm/min)" in said
    assert "400 mm/s" in said
    assert "--powers is 40: a full grid needs powers and speeds" in planned.refusal(
        "plan", "--powers", "40"
    )
    assert "--burns is 0" in planned.refusal("plan", "--burns", "0")
    assert "carve" in planned.run("plan", "--operation", "carve", code=2).stderr
    assert planned.json("book", "list")["total"] == 1, "nothing of all this was stored"


def test_a_small_offcut_gives_fewer_burns_and_says_so(planned: Shell) -> None:
    grid = planned.json("plan", "--offcut", "70x60")["grid"]
    assert 0 < len(grid["cells"]) < 8
    assert any("8 burns were asked for" in note for note in grid["notes"])


def test_rounds_are_counted_and_unread_boards_named(planned: Shell) -> None:
    first = planned.json("board", "show", "last")["grid"]["board_id"]
    done = planned.run("plan", "--burns", "3")
    assert "round 1" in done.stdout, "a board that wasn't burnt is no round"
    assert f"earlier board {first}" in done.stderr
    again = planned.run("plan", "--burns", "6")
    assert f"Board {first}, round 1" in again.stdout
    assert f"Board {first} was planned before" in again.stderr
    assert planned.json("book", "list")["total"] == 2
    path = planned.write("r.csv", "cell,through,char,mark,note\nA1,no,,,\n")
    planned.run("record", first, path)
    assert "round 2" in planned.text("plan", "--burns", "3")


def test_a_folder_that_cannot_be_written_is_said(planned: Shell) -> None:
    planned.write("file", "x")
    assert "file" in planned.refusal("board", "files", "last", "--into", "file/under")


def test_a_folder_that_is_a_file_is_said_before_anything_is_stored(evening: Shell) -> None:
    evening.write("file", "x")
    before = evening.json("book", "list")["total"]
    for words in (
        ("plan",),
        ("plan", "--for", "check"),
        ("plan", "--for", "joint", "--power", "60", "--speed", "9"),
    ):
        for place in ("file", "file/under"):
            assert "'file' is a file" in evening.refusal(*words, "--into", place)
    assert evening.json("book", "list")["total"] == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--char-at-most", "-1"), "--char-at-most is -1: give a whole number from 0 to 4"),
        (("--mark", "9"), "--mark is 9: give 1, 2 or 3, or two with a dash"),
        (("--reliability", "1"), "--reliability is 1: give a chance between 0 and 1"),
        (("--operation", "area_mark", "--line-pitch", "0.0001"),
         "--line-pitch is 0.0001: give a number from 0.01 to 20"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_of_a_board_is_refused(
    planned: Shell, words: tuple[str, ...], said: str
) -> None:
    assert said in planned.refusal("plan", *words)
