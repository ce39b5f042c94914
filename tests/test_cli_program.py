"""The command line as a program of its own: where it writes, and on which terminals."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from shell import MACHINE


def calib(*words: str, book: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    settings = {**os.environ, "CALIB_BOOK": str(book), **environment}
    return subprocess.run(
        [sys.executable, "-m", "calib", *words],
        capture_output=True,
        text=True,
        env=settings,
        check=False,
    )


def test_as_a_program_results_go_to_stdout_and_the_rest_to_stderr(tmp_path: Path) -> None:
    book = tmp_path / "b.sqlite3"
    added = calib(*MACHINE, "--json", book=book)
    assert added.returncode == 0
    assert json.loads(added.stdout)["rated_w"] == 60.0
    refused = calib("show-board", "AB12", book=book)
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "'AB12'" in refused.stderr
    wrong = calib("plan", "--nonsense", book=book)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert str(book) in calib("where", book=book).stdout


def test_a_terminal_without_special_signs_is_no_reason_to_fail(tmp_path: Path) -> None:
    done = calib("list-machines", "--help", book=tmp_path / "b", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    shown = calib("add-machine", "Bänk", "--watts", "60", "--bed", "6x4", "--top-speed", "4",
                  "--acceleration", "9", book=tmp_path / "b", PYTHONIOENCODING="ascii")  # fmt: skip
    assert shown.returncode in (0, 1)
    assert "Traceback" not in shown.stderr
