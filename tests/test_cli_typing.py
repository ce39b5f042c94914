"""What is typed into the command line: other units, wrong use, words that cannot be read."""

from __future__ import annotations

from typing import Any

import pytest
import typer
from shell import MACHINE, Shell

from calib.cli import job, options, record


def test_quantities_are_typed_in_other_units(shell: Shell) -> None:
    shell.run("machine", "add", "a", "--watts", "60 W", "--bed", "24 in x 16 in",
              "--top-speed", "24000 mm/min")  # fmt: skip
    machine = shell.json("machine", "show", "a")["machine"]
    assert (machine["rated_w"], machine["max_speed_mm_s"]) == (60.0, pytest.approx(400.0))
    assert machine["bed_mm"] == pytest.approx([609.6, 406.4])
    shell.run("sheet", "add", "quarter", "--material", "MDF", "--thickness", "1/4 in")
    assert shell.json("sheet", "show", "quarter")["sheet"]["thickness_mm"] == pytest.approx(6.35)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--top-speed", "fast"), "speed 'fast'"),
        (("--watts", "60 kW"), "power '60 kW' can't be read: write a number in W, such as 60 W"),
        (("--bed", "600"), "size '600'"),
        (("--ceiling", "eighty"), "percentage 'eighty'"),
        (("--power-curve", "20,9"), "power curve '20'"),
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
    assert "--ceiling is 120" in shell.refusal(*MACHINE, "--ceiling", "120")
    assert "--watts is 0" in shell.refusal(
        "machine", "add", "m", "--watts", "0", "--bed", "9x9", "--top-speed", "4"
    )


@pytest.mark.parametrize(
    ("option", "word", "said"),
    [
        (record.Tight, "S1-S999999999", "codes 'S1-S999999999' can't be read"),
        (record.Tight, "S²-S³", "codes 'S²-S³' can't be read"),
        (record.Tight, "-", "codes '-' can't be read"),
        (job.At, "#f00=1.2.3@10", "setting '#f00=1.2.3@10' can't be read"),
        (job.At, "#f00=20@10x" + "9" * 5000, "setting '#f00=20@10x9{90,}… can't be read"),
        (job.Took, "nan", "time 'nan' can't be read"),
        (job.Took, "1:inf", "time '1:inf' can't be read"),
        (options.Pictures, "x" * 5000, "picture is 'x{90,}…: give a name"),
    ],
)
def test_words_that_cannot_be_read_are_refused_in_short(option: Any, word: str, said: str) -> None:
    with pytest.raises(typer.BadParameter, match=said):
        option.__metadata__[0].parser(word)
