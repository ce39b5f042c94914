"""The demo: it plays to the end over an earlier one; its advice comes from its recorded burns."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shell import load

DEMO = Path(__file__).resolve().parent.parent / "demo"
sys.path.insert(0, str(DEMO.parent / "tools"))
workshop = load(DEMO / "invented_workshop.py")
demo = load(DEMO / "run.py")
INVENT = "if planner or fit were changed on purpose, run: python3 tools/rewrite.py"


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder of an evening that was played over the remains of another, and what it said."""
    copy = tmp_path_factory.mktemp("project")
    for name in ("demo", "tools", "requirements"):
        ignore = shutil.ignore_patterns("out", "__pycache__")
        shutil.copytree(DEMO.parent / name, copy / name, ignore=ignore)
    out = copy / "demo" / "out"
    (out / "birch-1").mkdir(parents=True)
    (out / "logbook.sqlite3").write_bytes(b"remains of an evening that was stopped")
    (out / "birch-1" / "old.svg").write_bytes(b"")
    # The copy has no environment of its own: its main function is run in the one of the tests.
    start = "import sys; sys.path[:0] = ['demo', 'tools']; import run; raise SystemExit(run.main())"
    done = subprocess.run(
        [sys.executable, "-c", start], cwd=copy, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{done.stderr}\n{INVENT}"
    return out, done.stdout


def test_it_makes_every_file_it_speaks_of(played: tuple[Path, str]) -> None:
    out, _ = played
    page = (out / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    block = page.split("demo/out:")[1].split("Do it yourself")[0]
    lines = [line[2:].split("  ")[0] for line in block.splitlines() if re.match(r"  \S", line)]
    assert len(lines) >= 7
    for line in lines:
        first, *others = line.split(", ")
        for pattern in (first, *(f"{Path(first).parent}/{other}" for other in others)):
            assert list(out.glob(pattern)), pattern
    assert not (out / "birch-1" / "old.svg").exists()


def test_it_ends_with_advice_for_both_sheets_and_a_page_to_read(played: tuple[Path, str]) -> None:
    _, said = played
    assert said.count("This rests on 18 burns") == 2
    assert "To cut birch 3 on bench" in said
    assert said.rstrip().endswith((DEMO / "closing-page.txt").read_text().rstrip())


def test_it_says_that_all_is_invented(played: tuple[Path, str]) -> None:
    assert "are invented" in played[1]
    assert "invented" in (DEMO / "invent_results.py").read_text()


def test_the_kept_picture_is_the_one_that_the_demo_draws(played: tuple[Path, str]) -> None:
    out, _ = played
    kept, drawn = (np.asarray(Image.open(p / "birch-region.png")) for p in (DEMO, out))
    assert kept.shape == drawn.shape, INVENT
    # Other computers may round the last bit otherwise and move the odd pixel of a line.
    assert (kept != drawn).mean() < 0.01, INVENT


def test_another_outcome_in_a_recorded_file_moves_the_advice(
    played: tuple[Path, str], tmp_path: Path
) -> None:
    out, _ = played
    shutil.copyfile(out / "logbook.sqlite3", tmp_path / "logbook.sqlite3")
    lines = (DEMO / "birch-3.csv").read_text().splitlines()
    changed = [lines[0], *(",".join([line.split(",")[0], "no", "", "", "", line.split(",")[5]])
               for line in lines[1:])]  # fmt: skip
    (tmp_path / "birch-3.csv").write_text("\r\n".join(changed) + "\r\n")
    with workshop.logbook_in(tmp_path):
        before = workshop.asked("recommend", "birch 3", *workshop.CUT_WISH)["recommendation"]
        code = changed[1].split(",")[5]
        workshop.asked("record", code, "birch-3.csv", "--why", "all of them held")
        try:
            after = workshop.asked("recommend", "birch 3", *workshop.CUT_WISH)["recommendation"]
        except workshop.Refused:
            return  # none is advised any more: that is another advice too
    assert after["speed_mm_s"] < before["speed_mm_s"]


def test_a_file_that_does_not_fit_its_board_stops_the_demo_with_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(workshop, "DEMO", tmp_path)
    board = replace(workshop.BIRCH_ROUNDS[0])
    text = (DEMO / "birch-1.csv").read_text()
    code = text.splitlines()[1].split(",")[5]
    (tmp_path / "birch-1.csv").write_text(text.replace(code, "QQQQQQ"))
    with workshop.logbook_in(tmp_path):
        workshop.asked(*workshop.MACHINE)
        workshop.asked(*workshop.BIRCH)
        assert not demo.play_round(board)
        (listed,) = workshop.asked("book", "list")["entries"]
    assert listed["read"] == 0
    said = capfd.readouterr().err
    assert "no board 'QQQQQQ'" in said
    assert "The demo stops here: demo/birch-1.csv doesn't fit the board" in said


def test_the_logbook_of_the_user_is_left_alone(tmp_path: Path) -> None:
    before = os.environ.get("CALIB_BOOK")
    with workshop.logbook_in(tmp_path):
        assert json.dumps(workshop.asked("book", "where")).find(str(tmp_path)) > 0
    assert os.environ.get("CALIB_BOOK") == before
