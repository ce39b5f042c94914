"""What a maker reads where something can't be done, or was taken back: exactly what, and why."""

from __future__ import annotations

import pytest
from shell import Shell, cut_cleanly


@pytest.mark.parametrize("mark", ["0", "4", "1-4", "deep"])
def test_a_mark_that_nobody_wants_is_no_wish(planned: Shell, mark: str) -> None:
    refused = planned.run("plan", "--operation", "line_mark", "--mark", mark, code=2 if
                          mark == "deep" else 1).stderr  # fmt: skip
    assert "--mark" in refused
    assert "give 1, 2 or 3" in " ".join(refused.split()) or mark == "deep"


def test_cells_that_were_not_burnt_need_a_why_which_is_named(planned: Shell) -> None:
    grid = planned.json("board", "show", "last")["grid"]
    planned.burn(grid, cut_cleanly)
    assert "--why" in planned.refusal("record", "last", "--not-burnt", "A1")


def test_a_stair_of_marks_without_room_is_told_of_marks(planned: Shell) -> None:
    stair = ("plan", "--for", "stair", "--operation", "line_mark", "--offcut", "30x20")
    refused = planned.refusal(*stair)
    assert "stair of marks" in refused
    assert "cut" not in refused
    assert "coupons" not in refused


def test_an_undo_names_what_it_takes_back(planned: Shell) -> None:
    def undo() -> str:
        return " ".join(planned.text("book", "undo", "--yes").split())

    planned.run("sheet", "new-lot", "birch 3", "March")
    assert "new lot 'March' of 'birch 3'" in undo()
    planned.run("sheet", "change", "birch 3", "--measured", "2.9")
    assert "measured thickness of 'birch 3', 2.9 mm" in undo()
    planned.run("record", "last", typed="t\n2\nq\n")
    said = undo()
    assert "char 2 of board" in said
    assert "readings" not in said
    # What was typed before it is a reading of its own.
    assert "readings of board" in undo()
