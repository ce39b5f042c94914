"""The ready-made grids: each says for whom it is, and its files are what calib makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from shell import load

from calib.errors import BadFile, RefusedMaterial
from calib.tasks import read_definition, ready_made_grid

GRIDS = Path(__file__).resolve().parent.parent / "grids"
made = load(GRIDS / "rewrite.py").made
DEFINITIONS = sorted(GRIDS.glob("*.toml"))
REWRITE = "if the change is meant, run: python3 grids/rewrite.py"
GOOD = """
title = "t"
for_whom = "you"
assumes = ["a"]
keep_files = true
[machine]
name = "m"
rated_w = 60.0
bed_mm = [600.0, 400.0]
max_speed_mm_s = 400.0
[sheet]
name = "s"
material = "MDF"
thickness_mm = 3.0
[board]
operation = "cut"
powers_pct = [40.0, 80.0]
speeds_mm_s = [10.0, 20.0]
"""


def test_there_are_the_three_common_starts() -> None:
    names = {path.stem for path in DEFINITIONS}
    assert {"thin-plywood-cut", "board-6-mm-cut", "line-mark"} <= names


@pytest.mark.parametrize("path", DEFINITIONS, ids=lambda path: path.stem)
def test_each_says_for_whom_it_is_and_what_it_assumes(path: Path) -> None:
    definition = read_definition(path.read_text(encoding="utf-8"))
    assert len(definition.for_whom) > 30
    assert len(definition.assumes) >= 3


@pytest.mark.parametrize("path", DEFINITIONS, ids=lambda path: path.stem)
def test_files_are_byte_for_byte_what_calib_makes(path: Path) -> None:
    kept = {file.name: file.read_bytes() for file in path.with_suffix("").glob("*")}
    files = made(path)
    assert sorted(kept) == sorted(files), REWRITE
    assert [name for name in files if kept[name] != files[name]] == [], REWRITE


def test_no_folder_lacks_its_definition() -> None:
    folders = {p.name for p in GRIDS.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders <= {path.stem for path in DEFINITIONS}


def test_a_full_grid_can_be_defined() -> None:
    grid = ready_made_grid(read_definition(GOOD))
    assert sorted((c.power_pct, c.speed_mm_s) for c in grid.cells) == [
        (40.0, 10.0),
        (40.0, 20.0),
        (80.0, 10.0),
        (80.0, 20.0),
    ]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('title = "t"', "title = t", "isn't TOML"),
        ('title = "t"', "", "no key 'title'"),
        ('title = "t"', "title = 3", "title is 3"),
        ("rated_w = 60.0", "rated_kw = 0.06", r"\[machine\] has a key 'rated_kw'"),
        ("rated_w = 60.0", "rated_w = -1.0", "rated_w is -1.0"),
        ("rated_w = 60.0", "", "rated_w"),
        ('operation = "cut"', "", "no key 'operation'"),
        ("powers_pct", "power_pct", r"\[board\] has a key 'power_pct'"),
    ],
)
def test_a_wrong_definition_is_refused_by_name(old: str, new: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        read_definition(GOOD.replace(old, new, 1))


def test_a_refused_material_stays_refused() -> None:
    definition = read_definition(GOOD.replace('"MDF"', '"PVC"'))
    with pytest.raises(RefusedMaterial, match="PVC"):
        ready_made_grid(definition)
