"""What is to be done next, in words."""

from __future__ import annotations

import dataclasses
import re
import shlex
from pathlib import Path

import pytest
from shell import MACHINE, Shell, cut_cleanly

from calib.logbook import open_book
from calib.tasks.pairs import find_board
from calib.tasks.results import LOT_NOTE, STRIP_NOTE, NextStep, next_step
from calib.texts.boards import next_step_text
from calib.texts.words import counted


@pytest.mark.parametrize(
    ("step", "operation", "burns", "said"),
    [
        ("recommend", "line_mark", 18, "recommend 'MDF 3' --machine bench --operation line_mark"),
        ("plan", "cut", 1, "plan 'MDF 3' --machine bench"),
        ("plan", "cut", 12, "plan 'MDF 3' --machine bench"),
        ("check_machine", "cut", 20, "machine check --reference 'MDF 3' --machine bench"),
    ],
)
def test_the_next_step_is_said_as_it_is_typed(
    step: str, operation: str, burns: int, said: str
) -> None:
    known = {"machine": "bench", "sheet": "MDF 3"}
    known |= {"operation": operation, "burnt": counted(burns, "burn")}
    text = next_step_text(NextStep(step=step, burns=burns, has_stair=False, **known))  # type: ignore[arg-type]
    # Nothing stands behind it: what did would be pasted too.
    assert text.endswith(f"Next: calib {said}")


def test_after_burns_of_a_new_lot_or_a_strip_comes_the_verdict(stocked: Path) -> None:
    with open_book(stocked) as book:
        grid = find_board(book, "last")
        for note, step in (
            (LOT_NOTE, "recommend"), (STRIP_NOTE, "check_machine"), ("", "recommend"),
        ):  # fmt: skip
            found = next_step(book, dataclasses.replace(grid, notes=(note,)))
            assert (found.step, found.burns) == (step, 24)


def printed(text: str) -> list[str]:
    """The words of the last command that a text prints, without ``calib``."""
    (*_, last) = re.findall(r"calib (.+)", text)
    return shlex.split(last)


def test_what_is_printed_next_is_done_as_it_is_printed(shell: Shell) -> None:
    """Two machines, and names with spaces and both kinds of quotes."""
    machine, sheet = 'Ida\'s "long" one', "birch 3 'A'"
    assert printed(shell.text())[:3] == ["machine", "add", "bench"]
    for name in (machine, "small"):
        shell.run("machine", "add", name, *MACHINE[3:])
    assumed = re.search(r"\((calib .*)\)", shell.text("machine", "show", machine))
    assert assumed is not None
    assert printed(assumed[1]) == ["machine", "change", machine]
    assert printed(shell.text())[:2] == ["sheet", "add"]
    shell.run("sheet", "add", sheet, "--material", "birch plywood", "--thickness", "3")
    said = shell.text()
    for burns in ("6", "12"):
        assert printed(said)[0] == "plan"
        grid = shell.json(*printed(said), "--burns", burns)["grid"]
        assert printed(shell.text()) == ["record", grid["board_id"]]
        shell.run(*printed(shell.text()), typed="q\n")
        said = shell.run("record", shell.results(grid, cut_cleanly)).stderr
        assert printed(said) == printed(shell.text())
    assert printed(said)[0] == "recommend"
    keeping = printed(shell.run(*printed(said)).stderr)
    assert keeping[0] == "keep"
    shell.run(*keeping)
    assert printed(shell.text())[:2] == ["sheet", "card"]
    shell.run(*printed(shell.text()))
    said = shell.run("sheet", "new-lot", sheet, "May").stderr
    assert printed(said) == printed(shell.text()) == [*printed(said)[:-1], "lot"]
    shell.run(*printed(said))


def test_a_sheet_of_which_nothing_was_burnt_needs_no_trial_of_a_lot(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3")
    assert shell.run("sheet", "new-lot", "MDF 3", "May").stderr == ""


def test_a_verdict_on_a_lot_is_kept_by_what_is_printed_after_it(evening: Shell) -> None:
    evening.run("sheet", "new-lot", "birch 3", "May")
    evening.burn(evening.json("plan", "--for", "lot")["grid"], cut_cleanly)
    words = ("recommend", "--reliability", "0.8")
    verdict = evening.json(*words)["lot"]
    said = printed(evening.run(*words).stderr)
    assert said == ["keep", "birch 3", "--machine", "bench", "--reliability", "0.8"]
    kept = evening.json(*said)["kept"]
    assert kept["setting"] == verdict["setting"]
    assert kept["not_current"] == []


def test_a_board_left_open_is_named_beside_the_next_step(evening: Shell) -> None:
    left = evening.json("plan", "--burns", "6")["grid"]["board_id"]
    assert printed(evening.text()) == ["record", left]
    evening.burn(evening.json("plan", "--burns", "7")["grid"], cut_cleanly)
    said = evening.text()
    assert f"board {left} is open too" in said
    assert printed(said) == ["record", left]
    assert f"calib board void {left} --why 'not burnt')" in said
    evening.run("board", "void", left, "--why", "never burnt", "--yes")
    assert left not in evening.text()
