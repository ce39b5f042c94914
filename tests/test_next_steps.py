"""What is to be done next, in words."""

from __future__ import annotations

import dataclasses
import re
import shlex
from pathlib import Path

import pytest
from shell import MACHINE, Shell, cut_cleanly

from calib.logbook import open_book
from calib.report.boards import next_step_text
from calib.tasks.finding import find_board
from calib.tasks.results import LOT_NOTE, STRIP_NOTE, NextStep, next_step


@pytest.mark.parametrize(
    ("step", "operation", "burns", "said"),
    [
        ("recommend", "line_mark", 18, "recommend 'MDF 3' --machine bench --operation line_mark"),
        (
            "plan",
            "cut",
            1,
            "plan 'MDF 3' --machine bench, for another board (1 burn so far; recommend",
        ),
        (
            "plan",
            "cut",
            12,
            "plan 'MDF 3' --machine bench, for another board (all burns came out alike",
        ),
        ("check_machine", "cut", 20, "machine check --reference 'MDF 3' --machine bench"),
    ],
)
def test_the_next_step_is_said_as_it_is_typed(
    step: str, operation: str, burns: int, said: str
) -> None:
    known = {"machine": "bench", "sheet": "MDF 3"}
    text = next_step_text(NextStep(step=step, operation=operation, burns=burns, **known))  # type: ignore[arg-type]
    assert text.startswith(f"Next: calib {said}")


def test_after_burns_of_a_new_lot_or_a_strip_comes_the_verdict(stocked: Path) -> None:
    with open_book(stocked) as book:
        grid = find_board(book, "last")
        for note, step in (
            (LOT_NOTE, "recommend"), (STRIP_NOTE, "check_machine"), ("", "recommend"),
        ):  # fmt: skip
            found = next_step(book, dataclasses.replace(grid, notes=(note,)))
            assert (found.step, found.burns) == (step, 24)


def test_what_is_printed_next_is_done_as_it_is_printed(shell: Shell) -> None:
    """Two machines, and names with spaces and both kinds of quotes."""
    machine, sheet = 'Ida\'s "long" one', "birch 3 'A'"
    for name in (machine, "small"):
        shell.run("machine", "add", name, *MACHINE[3:])
    assumed = re.search(r"\((calib .*)\)", shell.text("machine", "show", machine))
    assert assumed is not None
    assert shlex.split(assumed[1]) == ["calib", "machine", "change", machine]
    shell.run("sheet", "add", sheet, "--material", "birch plywood", "--thickness", "3")
    for burns in ("6", "12"):
        shell.run("plan", sheet, "--machine", machine, "--burns", burns)
        grid = shell.json("board", "show", "last")["grid"]
        file = shell.results(grid, cut_cleanly)
        printed = shell.run("record", "last", file).stderr.strip()
        typed = shlex.split(printed.removeprefix("Next: calib ").split(", for another board")[0])
        shell.run(*typed)
    assert typed[0] == "recommend"
    printed = shell.run("sheet", "new-lot", sheet, "May").stderr.strip()
    shell.run(*shlex.split(printed.removeprefix("Next: calib ").split(", a few burns")[0]))


def test_a_sheet_of_which_nothing_was_burnt_needs_no_trial_of_a_lot(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3")
    assert shell.run("sheet", "new-lot", "MDF 3", "May").stderr == ""


def test_a_verdict_on_a_lot_is_kept_by_what_is_printed_after_it(evening: Shell) -> None:
    evening.run("sheet", "new-lot", "birch 3", "May")
    evening.burn(evening.json("plan", "--for", "lot")["grid"], cut_cleanly)
    words = ("recommend", "--reliability", "0.8")
    verdict = evening.json(*words)["lot"]
    printed = evening.run(*words).stderr.strip().removeprefix("Try it first. To keep it then: ")
    assert printed == "calib keep 'birch 3' --machine bench --reliability 0.8"
    kept = evening.json(*shlex.split(printed)[1:])["kept"]
    assert kept["setting"] == verdict["setting"]
    assert kept["not_current"] == []
