"""Refusals in the words of the command line, and options made of the fields of records."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from shell import BIRCH, Shell

from calib.cli.options import COMMANDS
from calib.errors import InvalidRecord, Misfit
from calib.records import Costs, Machine, Sheet
from calib.records.fields import fields_of

CALIB = Path(__file__).resolve().parent.parent / "calib"


@pytest.mark.parametrize(
    ("name", "record"),
    [
        ("machine add", Machine), ("machine change", Machine), ("sheet add", Sheet),
        ("book costs", Costs),
    ],
)  # fmt: skip
def test_every_field_of_a_record_can_be_typed(name: str, record: type) -> None:
    typed = {parameter.name: parameter for parameter in COMMANDS[name].whole.params}
    for field in fields_of(record):
        if field.name != "name":
            assert field.option.split("/")[0] in typed[field.name].opts
        assert field.help.rstrip(".") in typed[field.name].help


@dataclass
class Line:
    """One case: what doesn't fit, and how it is said."""

    misfit: Misfit
    said: str


@pytest.mark.parametrize(
    "line",
    [
        Line(Misfit("ceiling_pct", 5.0, "give more"), "--ceiling is 5: give more."),
        Line(Misfit("bed_mm", (5.0, 400.0), "give two"), "--bed is 5 x 400: give two."),
        Line(Misfit("offset_mm", (-20000.0, 0.0), "give two"), "--offset is -20000,0: give two."),
        Line(Misfit("y_up", None, "give one"), "--y-up isn't given: give one."),
        Line(Misfit("power_curve", ((50.0, 28.0), (20.0, 9.0)), "give them rising"),
             "--power-curve is 50:28,20:9: give them rising."),
        Line(Misfit("name", "", "give a name"), "name is '': give a name."),
        Line(Misfit("rated_w", None, "give it", missing=True), "--watts isn't given: give it."),
        Line(Misfit("mark", 9, "give less"), "mark is 9: give less."),
    ],
    ids=lambda line: line.misfit.field,
)  # fmt: skip
def test_fields_are_said_as_options(line: Line) -> None:
    refusal = InvalidRecord.of("Machine", [line.misfit])
    assert COMMANDS["machine add"].said(refusal) == line.said


def test_all_that_is_wrong_is_said_at_once(shell: Shell) -> None:
    said = shell.refusal("machine", "add", "m", "--watts", "0", "--bed", "9x9", "--top-speed", "4")
    assert "--watts is 0: give a number from 0.01 to 2000. --bed is 9 x 9: give two" in said


def test_a_maker_reads_options_and_never_fields(shell: Shell) -> None:
    machine = ("machine", "add", "m", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    curve = shell.refusal(*machine, "--power-curve", "50:28,20:9")
    assert curve.startswith("--power-curve is 50:28,20:9: give points of power and watts, both")
    assert shell.refusal(*BIRCH[:-1], "61").startswith("--thickness is 61: give a number")
    assert shell.refusal("book", "costs", "--push=-1").startswith(
        "--push is -1: give a number from 0"
    )
    shell.run(*machine)
    shell.run(*BIRCH)
    said = shell.refusal("plan", "--operation", "area-mark", "--line-pitch", "30")
    assert said.startswith("--line-pitch is 30: give a number from 0.01 to 20")
    only = shell.refusal("record", "--job", "--power", "80", "--speed", "0", "--through", "3")
    assert only.startswith("--speed is 0: give a number above 0")
    half = shell.refusal("plan", "--for", "joint", "--power", "80")
    assert half.startswith("--speed isn't given: give a number above 0")
    shell.run(*machine[:2], "n", *machine[3:])
    assert "Which machine is meant? The logbook has m, n" in shell.refusal("region")


def test_words_are_typed_as_they_are_spoken(shell: Shell) -> None:
    machine = ("machine", "add", "m", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    shell.run(*machine, "--source", "Diode", "--origin", "upper left", "--y-down")
    data = shell.json("machine", "show", "m")["machine"]
    assert (data["source"], data["origin"], data["y_up"]) == ("diode", "upper_left", False)
    said = shell.run(*machine[:2], "n", *machine[3:], "--source", "plasma", code=2).stderr
    assert "source 'plasma' can't be read" in " ".join(said.replace("│", " ").split())


# Words that a maker doesn't use for what is meant here.
ODD = re.compile(
    r"\b(?:take|takes|taking|took) (?:it |them )?down\b|\btaken down\b|\bsettl|\bpromis|\bsitting",
    re.IGNORECASE,
)


def _said_in(path: Path) -> Iterator[str]:
    """A page whole; of a module its texts, without its documentation."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        yield text
        return
    tree = ast.parse(text)
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            yield node.value


@pytest.mark.parametrize("room", sorted(p.name for p in CALIB.iterdir() if p.name[0] != "_"))
def test_no_text_option_or_page_holds_an_odd_word(room: str) -> None:
    for path in (CALIB / room, *(CALIB / room).rglob("*")):
        if path.suffix in (".py", ".html", ".csv"):
            assert [said for said in _said_in(path) if ODD.search(said)] == [], path


def test_readme_and_help_hold_no_odd_word() -> None:
    readme = (CALIB.parent / "README.md").read_text(encoding="utf-8")
    assert ODD.findall(re.sub(r"[\w/]+\.py", "", readme)) == []
    for command in COMMANDS.values():
        said = [command.help, *(str(getattr(p, "help", "")) for p in command.whole.params)]
        assert not ODD.search(" ".join(said)), command.words


def test_every_command_that_a_text_names_is_there() -> None:
    named = set()
    for path in (*CALIB.rglob("*.py"), *CALIB.rglob("*.html")):
        for said in _said_in(path):
            named |= {
                (path.name, words)
                for words in re.findall(
                    r"(?<![\w'/.-])calib ([a-z][a-z-]+(?: [a-z][a-z-]+)?)", said
                )
            }
    groups = {words.split()[0] for words in COMMANDS if " " in words}
    prose = set(
        "answers can chooses doesn failed here knows logbook on right runs said says up".split()
    )
    for where, words in sorted(named):
        first = words.split()[0]
        if first not in prose:
            assert words in COMMANDS if first in groups else first in COMMANDS, (where, words)
