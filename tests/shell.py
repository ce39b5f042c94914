"""A shell for tests: commands run in this process, in a folder and with a logbook of their own."""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import math
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from typer.testing import CliRunner

from calib.cli import app


def load(script: Path) -> ModuleType:
    """Load a script by its path: several folders have one called run or workshop."""
    spec = importlib.util.spec_from_file_location(script.stem, script)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # Dataclasses and the script's own parts look it up by its name.
    sys.modules[script.stem] = module
    spec.loader.exec_module(module)
    return module


Outcome = Callable[[float, float], tuple[str, str, str]]


class Shell:
    """Types commands and looks at what comes back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.book = folder / "book.sqlite3"

    def run(self, *words: str, code: int = 0, typed: str | None = None) -> Any:
        """Run a command that ends with ``code``; give stdout, stderr and exit code."""
        done = CliRunner().invoke(app, list(words), input=typed, env={"CALIB_BOOK": str(self.book)})
        assert done.exit_code == code, (words, done.output, done.exception)
        return done

    def text(self, *words: str, typed: str | None = None) -> str:
        """What a command prints as its result."""
        return str(self.run(*words, typed=typed).stdout)

    def json(self, *words: str) -> Any:
        """The same as data."""
        return json.loads(self.run(*words, "--json").stdout)

    def refusal(self, *words: str) -> str:
        """The one sentence or two of a command that isn't possible; nothing else is printed."""
        done = self.run(*words, code=1)
        assert done.stdout == ""
        assert done.stderr.count("\n") == 1, "one line, no traceback"
        return str(done.stderr).strip()

    def write(self, name: str, text: str | bytes) -> str:
        """Put a file into the folder and give its path."""
        path = self.folder / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return str(path)

    def results(self, grid: dict[str, Any], outcome: Outcome) -> str:
        """Result file of a board whose cells come out as a function of power and speed says."""
        out = io.StringIO()
        table = csv.writer(out)
        table.writerow(("cell", "through", "char", "mark", "note", "board"))
        for cell in grid["cells"]:
            through, char, mark = outcome(cell["power_pct"], cell["speed_mm_s"])
            table.writerow((cell["label"], through, char, mark, "", grid["board_id"]))
        return self.write(f"{grid['board_id']}.csv", out.getvalue())

    def burn(self, grid: dict[str, Any], outcome: Outcome) -> None:
        """Burn a board in the imagination and record it."""
        self.run("record", grid["board_id"], self.results(grid, outcome))


def cut_cleanly(power_pct: float, speed_mm_s: float) -> tuple[str, str, str]:
    """A 60 W machine on 3 mm birch: edge at 20 mm/s and 80 %, a little hangs beyond it."""
    reach = math.log(power_pct / 80.0) - math.log(0.2 + 0.8 * speed_mm_s / 20.0)
    char = str(min(4, max(0, round(1.0 + 2.0 * reach))))
    if reach >= 0:
        return "through", char, ""
    return ("hanging", char, "") if reach > -0.06 else ("no", "", "")


def mark_clearly(power_pct: float, speed_mm_s: float) -> tuple[str, str, str]:
    """Lines that are clear at 0.03 J/mm, one grade for each factor of 1.6."""
    index = math.log(0.6 * power_pct / speed_mm_s / 0.03) / math.log(1.6)
    return "", "", str(min(4, max(0, math.floor(index) + 2)))


MACHINE = ("machine", "add", "bench", "--watts", "60", "--bed", "600x400", "--top-speed", "400",
           "--acceleration", "3000", "--power-word", "1000")  # fmt: skip
BIRCH = ("sheet", "add", "birch 3", "--material", "birch plywood", "--thickness", "3")


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shell:
    """A new logbook with nothing in it."""
    monkeypatch.chdir(tmp_path)
    return Shell(tmp_path)


@pytest.fixture(scope="session")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with a machine, a sheet, and a full grid of cuts that was burnt."""
    maker = Shell(tmp_path_factory.mktemp("stocked"))
    for words in (MACHINE, BIRCH):
        maker.run(*words)
    powers, speeds = "40,60,80", "3,6,8,9,12,15,18,24"
    planned = maker.json("plan", "--powers", powers, "--speeds", speeds, "--slowest", "3")
    maker.burn(planned["grid"], cut_cleanly)
    return maker.book


@pytest.fixture
def evening(shell: Shell, stocked: Path) -> Shell:
    """A shell with a copy of that logbook."""
    shell.book.write_bytes(stocked.read_bytes())
    return shell


@pytest.fixture(scope="session")
def planned_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with one planned board of six cells that wasn't burnt; made once."""
    maker = Shell(tmp_path_factory.mktemp("planned"))
    for words in (MACHINE, BIRCH, ("plan", "--burns", "6")):
        maker.run(*words)
    return maker.book


@pytest.fixture
def planned(shell: Shell, planned_book: Path) -> Shell:
    """A shell with a copy of that logbook."""
    shell.book.write_bytes(planned_book.read_bytes())
    return shell
