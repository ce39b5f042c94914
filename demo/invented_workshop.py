"""The invented workshop of the demo: its machine, two sheets, and three rounds of boards for each.

Everything here is invented. The words are those that are typed after ``calib``.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

DEMO = Path(__file__).resolve().parent

MACHINE = (
    "machine", "add", "bench", "--watts", "60", "--bed", "600x400", "--top-speed", "400 mm/s",
    "--acceleration", "3000", "--power-word", "1000", "--slat-gap", "8",
)  # fmt: skip
BIRCH = ("sheet", "add", "birch 3", "--material", "birch plywood", "--thickness", "3",
         "--measured", "2.9", "--lot", "March")  # fmt: skip
MDF = ("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3 mm")

# What is asked: the same of the boards, so that they bear it, and of the advice.
CUT_WISH = ("--char-at-most", "2", "--reliability", "0.98")
MARK_WISH = ("--operation", "line_mark")


@dataclass(frozen=True, kw_only=True)
class Round:
    """One board: what is planned, and the file with what came out."""

    name: str
    sheet: str
    wish: tuple[str, ...]

    @property
    def plan(self) -> tuple[str, ...]:
        """Words that plan it."""
        return ("plan", self.sheet, *self.wish, "--burns", "6", "--offcut", "150x60")

    @property
    def results(self) -> Path:
        """The recorded burns."""
        return DEMO / f"{self.name}.csv"


BIRCH_ROUNDS = tuple(
    Round(name=f"birch-{number}", sheet="birch 3", wish=CUT_WISH) for number in (1, 2, 3)
)
MDF_ROUNDS = tuple(
    Round(name=f"mdf-{number}", sheet="MDF 3", wish=MARK_WISH) for number in (1, 2, 3)
)


class Refused(Exception):
    """Raised when a command ended with anything but 0."""


def type_in(*words: str) -> None:
    """Run one command as if it had been typed, after showing it."""
    from calib.cli import app

    print(f"\n$ calib {shlex.join(words)}", flush=True)
    if app(list(words), prog_name="calib", standalone_mode=False):
        raise Refused(shlex.join(words))


def asked(*words: str) -> Any:
    """Run one command quietly and give what it prints as JSON."""
    from calib.cli import app

    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        if app([*words, "--json"], prog_name="calib", standalone_mode=False):
            raise Refused(shlex.join(words))
    return json.loads(out.getvalue())


@contextlib.contextmanager
def logbook_in(folder: Path) -> Iterator[None]:
    """Work in a folder with a logbook of its own; the user's logbook is left alone."""
    folder.mkdir(parents=True, exist_ok=True)
    before, place = Path.cwd(), os.environ.get("CALIB_BOOK")
    os.environ["CALIB_BOOK"] = str(folder / "logbook.sqlite3")
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)
        os.environ.pop("CALIB_BOOK")
        if place is not None:
            os.environ["CALIB_BOOK"] = place
