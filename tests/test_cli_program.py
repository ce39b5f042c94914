"""The command line as a program of its own: where it writes, and on which terminals."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from shell import MACHINE, Shell

from calib.errors import BadFile
from calib.tasks.files import given_file


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
    refused = calib("board", "show", "AB12", book=book)
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "'AB12'" in refused.stderr
    wrong = calib("plan", "--nonsense", book=book)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert str(book) in calib("book", "where", book=book).stdout


def test_a_terminal_without_special_signs_is_no_reason_to_fail(tmp_path: Path) -> None:
    done = calib("machine", "list", "--help", book=tmp_path / "b", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    shown = calib("machine", "add", "Bänk", "--watts", "60", "--bed", "6x4", "--top-speed", "4",
                  "--acceleration", "9", book=tmp_path / "b", PYTHONIOENCODING="ascii")  # fmt: skip
    assert shown.returncode in (0, 1)
    assert "Traceback" not in shown.stderr


def test_names_do_not_steer_the_terminal(shell: Shell) -> None:
    shell.run("book", "note", "a\x9b2J\x7f\u202eb")
    for words in ((), ("--json",)):
        said = calib("book", "list", *words, book=shell.book).stdout
        assert r"a\u009b2J\u007f\u202eb" in said
    assert json.loads(said)["entries"][0]["note"] == "a\x9b2J\x7f\u202eb"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
def test_output_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "calib", "book", "list", "--book", str(tmp_path / "b.sqlite3")],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "can't be shown" in done.stderr


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no device without an end")
def test_a_device_without_an_end_is_not_read_to_it(planned: Shell) -> None:
    assert "too large" in planned.refusal("record", "last", "/dev/zero")
    assert "10 MiB" in planned.refusal("board", "photo", "last", "/dev/zero")
    assert "16 MB" in planned.refusal("job", "/dev/zero")


def test_a_file_that_cannot_be_read_is_said(planned: Shell) -> None:
    gone = planned.folder / "gone"
    with pytest.raises(BadFile, match="gone' can't be read .No such file"):
        given_file(gone)


def test_reading_without_an_input_is_told_in_a_sentence(planned: Shell) -> None:
    # The shell closes its input before it starts the program.
    done = subprocess.run(
        ["sh", "-c", '"$0" -m calib record last --book "$1" <&-', sys.executable,
         str(planned.book)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "The questions can't be answered here" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal of our own needs pty")
@pytest.mark.parametrize(("silence_s", "told"), [(0.0, True), (60.0, False)])
def test_a_long_silence_at_a_terminal_is_broken(
    tmp_path: Path, silence_s: float, told: bool
) -> None:
    program = (
        "import time; import calib.logbook as room; from calib.cli import app, terminal\n"
        f"terminal.SILENCE_S = {silence_s}; opened = room.open_book\n"
        "room.open_book = lambda place: (time.sleep(0.3), opened(place))[1]\n"
        f"app(['machine', 'list', '--book', {str(tmp_path / 'book.sqlite3')!r}])"
    )
    ours, theirs = os.openpty()
    done = subprocess.run(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=theirs, check=False
    )
    os.set_blocking(ours, False)
    try:
        said = os.read(ours, 4096)
    except BlockingIOError:
        said = b""
    os.close(theirs)
    os.close(ours)
    assert done.returncode == 0
    assert (b"Working ..." in said) is told
