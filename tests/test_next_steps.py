"""What is to be done next, in words."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from shell import MACHINE, Shell

from calib.logbook import open_book
from calib.report.boards import next_step_text
from calib.tasks.finding import find_board
from calib.tasks.next_steps import LOT_NOTE, STRIP_NOTE, NextStep, next_step


@pytest.mark.parametrize(
    ("step", "operation", "burns", "said"),
    [
        ("recommend", "line_mark", 18, "recommend 'MDF 3' --operation line_mark."),
        ("plan", "cut", 1, "plan 'MDF 3', for another board (1 burn so far; recommend wants about"),
        ("plan", "cut", 12, "plan 'MDF 3', for another board (all burns came out alike so far)."),
        ("judge_lot", "cut", 20, "judge-lot 'MDF 3'."),
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
            (LOT_NOTE, "judge_lot"), (STRIP_NOTE, "check_machine"), ("", "recommend"),
        ):  # fmt: skip
            found = next_step(book, dataclasses.replace(grid, notes=(note,)))
            assert (found.step, found.burns) == (step, 24)


def test_a_sheet_of_which_nothing_was_burnt_needs_no_trial_of_a_lot(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("add-sheet", "MDF 3", "--material", "MDF", "--thickness", "3")
    assert shell.run("change-sheet", "MDF 3", "--lot", "May").stderr == ""
