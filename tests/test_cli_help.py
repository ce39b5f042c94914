"""What every command says of itself: a sentence, its options and units, an example that runs."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from shell import Shell, cut_cleanly

from calib.cli import options
from calib.records import USUAL_RELIABILITY
from calib.tasks.wishes import BoardWish, ElsewhereWish, RegionWish

COMMANDS: dict[str, Any] = {name: each.whole for name, each in options.COMMANDS.items()}
# What is typed into commands that ask.
TYPED = dict.fromkeys(("book undo", "book withdraw", "board void"), "y\n")
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


def test_the_chance_that_is_asked_for_is_the_same_everywhere() -> None:
    wishes = {BoardWish().reliability, ElsewhereWish(rated_w=40.0).reliability}
    assert wishes == {USUAL_RELIABILITY, RegionWish().asked_of("cut")}
    shown = {
        name: [p.show_default for p in parameters(name) if p.name == "reliability"]
        for name in COMMANDS
    }
    said = [words for found in shown.values() for words in found]
    assert said
    assert all(f"{USUAL_RELIABILITY:g}" in words for words in said)


# What must have been typed before an example makes sense.
BEFORE = {
    "book import": ("book", "export", "logbook.jsonl"),
    "book undo": ("sheet", "new-lot", "birch 3", "March"),
    "book redo": ("book", "undo", "--board", "last", "--yes"),
    "book restore": ("book", "backup"),
    "sheet card": ("keep", "--reliability", "0.9"),
}
# A drawing that is cut, in one colour.
BOX = """<svg xmlns="http://www.w3.org/2000/svg" width="90mm" height="60mm" viewBox="0 0 90 60">
<g fill="none" stroke="#146c43"><path d="M5 5h80v50h-80z"/><circle cx="45" cy="30" r="9"/></g></svg>
"""


def _a_new_lot(evening: Shell) -> None:
    evening.run("sheet", "new-lot", "birch 3", "May")
    evening.burn(evening.json("plan", "--for", "lot", "birch 3")["grid"], cut_cleanly)


def _a_strip(evening: Shell, sheet: str = "birch 3") -> None:
    evening.burn(evening.json("plan", "--for", "check", sheet)["grid"], cut_cleanly)


def _a_reference(evening: Shell) -> None:
    """Another sheet, known and once tried with a check strip; and a new lot of the first."""
    evening.run("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3")
    for _ in range(2):
        evening.burn(evening.json("plan", "MDF 3", "--burns", "6")["grid"], cut_cleanly)
    _a_strip(evening, "MDF 3")
    _a_new_lot(evening)


# What an example needs besides a typed command.
PREPARED = {
    "transfer": lambda evening: evening.run(
        "machine", "add", "large", "--watts", "100", "--bed", "600x400", "--top-speed", "400"
    ),
    "machine check": lambda evening: _a_reference(evening),
}


def _a_coupon(evening: Shell) -> tuple[str, str]:
    """Code of the last board, and of a cell of it that dropped."""
    board = evening.json("board", "show", "last")
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
    if name == "record":
        grid = evening.json("plan", "--burns", "3", "--into", "board-1")["grid"]
        filled = Path(evening.results(grid, cut_cleanly)).read_bytes()
        evening.write(f"board-1/{grid['board_id']}-results.csv", filled)
    if name == "board photo":
        evening.write("photo.jpg", b"\xff\xd8\xff" + bytes(9))
    if name == "job":
        evening.write("box.svg", BOX)
    if name == "joint show":
        evening.run("plan", "--for", "joint", "--power", "60", "--speed", "9")
        evening.run("record", "last", "--snug", "S4,S5", "--tight", "S1-S3", "--loose", "S6-S9")
    if name == "joint kerf":
        code, cell = _a_coupon(evening)
        sizes = f"cell,through,char,mark,note,width_mm\n{cell},through,,,,15.8\n"
        evening.run("record", code, evening.write("sizes.csv", sizes))
    if name == "machine add":
        evening.book.unlink()
    evening.run(*words, typed=TYPED.get(name))


def test_help_lists_at_most_ten_commands_and_seven_groups(shell: Shell) -> None:
    shown = [each for each in options.COMMANDS.values() if not each.hidden]
    assert len(shown) < 50
    assert len([each for each in shown if " " not in each.words]) <= 10
    assert len(options.GROUPS) <= 7
    listed = re.findall(r"^│ ([a-z]+) ", shell.text("--help"), flags=re.MULTILINE)
    assert sorted(listed) == sorted({each.words.split()[0] for each in shown})


def test_what_does_not_belong_to_a_board_is_refused_in_a_sentence(planned: Shell) -> None:
    said = planned.refusal("plan", "--for", "focus", "--tongues", "3")
    assert said == (
        "--tongues is 3: it belongs to a board for joint, not to one for focus; don't give it here."
    )
    said = planned.refusal("plan", "--for", "party")
    assert said.startswith(
        "A board can't be planned for 'party': give one of edge, stair, lot, check"
    )
    assert "add --job" in planned.refusal("record", "last", "--through", "3")


def test_the_sheet_of_the_newest_strip_needs_not_be_named(evening: Shell) -> None:
    _a_reference(evening)
    named = evening.json("machine", "check", "birch 3", "--reference", "MDF 3")
    assert evening.json("machine", "check", "birch 3") == named
    assert evening.json("machine", "check")["sheet"] == "MDF 3"
