"""Errors of records in the words of the command line."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
import typer
from shell import BIRCH, Shell

from calib.cli import app
from 
from calib.records import Costs, Machine, Setting, Sheet

COMMANDS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def opts(name: str) -> set[str]:
    return {opt for parameter in COMMANDS[name].params for opt in parameter.opts}


def test_every_field_of_a_record_that_is_typed_has_its_option() -> None:
    for record, name in ((Machine, "add-machine"), (Costs, "costs")):
        for field in dataclasses.fields(record):
            if "_" in field.name:
                assert OPTIONS[field.name] in opts(name), field.name
    named = {f.name for record in (Sheet, Setting) for f in dataclasses.fields(record)}
    assert {name for name in named if "_" in name} <= set(OPTIONS)
    known = set().union(*(opts(name) for name in COMMANDS))
    assert set(OPTIONS.values()) <= known
    assert set(HOMES) <= set(COMMANDS)


@pytest.mark.parametrize(
    ("message", "said"),
    [
        ("Machine.ceiling_pct is 5.0: it must lie above beam_starts_pct.",
         "--ceiling is 5.0: it must lie above --beam-starts."),
        ("Machine.bed_mm is (5.0, 400.0): give two numbers, such as (300.0, 200.0).",
         "--bed is 5 x 400: give two numbers, such as 300 x 200."),
        ("Machine.offset_mm is (-20000.0, 0.0): give two.", "--offset is -20000,0: give two."),
        ("There is no sheet 'rated_w' here.", "There is no sheet 'rated_w' here."),
        ("line_pitch_mm is None: an area mark needs its line pitch in mm.",
         "line pitch isn't given: an area mark needs its line pitch in mm."),
        ("plan slower, or correct measured_mm.",
         "plan slower, or correct measured (change-sheet --measured)."),
        ("Plan a line_mark (2, 3) or give width_mm.", "Plan a line_mark (2, 3) or give width_mm."),
        ("Say why the cells are struck out.", "Say why the cells are struck out."),
        ("Say so in it: say so in the sheet's declaration.",
         "Say so in it: say so with change-sheet --declaration."),
        ("burns is 0: give more.", "burns is 0: give more."),
    ],
)  # fmt: skip
def test_fields_are_said_as_options(message: str, said: str) -> None:
    options = dict.fromkeys(("--ceiling", "--beam-starts", "--bed", "--offset"), "")
    elsewhere = dict.fromkeys(("--measured", "--declaration"), "change-sheet")
    assert in_options(message, {**options, **elsewhere}) == said


def test_a_maker_reads_options_and_never_fields(shell: Shell) -> None:
    machine = ("add-machine", "m", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    curve = shell.refusal(*machine, "--power-curve", "50:28,20:9")
    assert curve.startswith("--power-curve is (50:28, 20:9): give %:watts, both rising")
    assert shell.refusal(*BIRCH[:-1], "61").startswith("--thickness is 61.0: give a number")
    assert shell.refusal("costs", "--push=-1").startswith("--push is -1.0")
    shell.run(*machine)
    shell.run(*BIRCH)
    said = shell.refusal("plan", "--operation", "area-mark", "--line-pitch", "30")
    assert "_" not in said
    shell.run(*machine[:1], "n", *machine[2:])
    assert "machine is meant (--machine NAME)? The logbook has m, n" in shell.refusal("region")
