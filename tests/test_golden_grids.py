"""The ready-made grids: each says for whom it is, and its files are what calib makes of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calib.boards.board_time import board_time
from calib.errors import BadFile, RefusedMaterial
from calib.materials import family_of
from calib.tasks.files import board_files
from calib.tasks.results import read_definition, ready_made_grid

GRIDS = Path(__file__).resolve().parent.parent / "grids"
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

SHEETS = {
    "plywood-3": "birch plywood",
    "plywood-6": "birch plywood",
    "mdf-3": "mdf",
    "mdf-6": "mdf",
    "hardboard-3": "hardboard",
    "acrylic-3": "cast acrylic",
    "card-0-4": "card",
    "veneer-0-6": "veneer",
    "leather-2": "leather",
}
MACHINES = {"diode-10": ("diode", 10.0)} | {f"co2-{w}": ("co2", float(w)) for w in (40, 60, 100)}


def parts(path: Path) -> tuple[str, str, str]:
    """Sheet, operation and machine out of a definition's name."""
    found = re.fullmatch(r"(.+)-(cut|line-mark|area-mark)-((?:diode|co2)-\d+)", path.stem)
    assert found is not None, path.name
    return found[1], found[2].replace("-", "_"), found[3]


def test_every_sheet_has_a_cut_and_every_machine_a_mark_where_it_makes_sense() -> None:
    names = [parts(path) for path in DEFINITIONS]
    assert {sheet for sheet, operation, _ in names if operation == "cut"} == set(SHEETS)
    assert {machine for *_, machine in names} == set(MACHINES)
    for sheet in set(SHEETS) - {"plywood-6"}:  # marked like the thinner one
        assert any(s == sheet and operation != "cut" for s, operation, _ in names), sheet
    # A diode's beam passes through clear acrylic.
    assert not [n for n in names if n[0] == "acrylic-3" and n[2].startswith("diode")]
    assert sum(read_definition(p.read_text(encoding="utf-8")).keep_files for p in DEFINITIONS) == 12


@pytest.mark.parametrize("path", DEFINITIONS, ids=lambda path: path.stem)
def test_each_says_for_whom_it_is_and_its_files_are_what_calib_makes(path: Path) -> None:
    definition = read_definition(path.read_text(encoding="utf-8"))
    sheet, operation, machine = parts(path)
    assert len(definition.for_whom) > 30
    assert len(definition.assumes) >= 4
    assert family_of(definition.sheet.material) == SHEETS[sheet]
    assert f"{definition.sheet.thickness_mm:g}".replace(".", "-") == sheet.split("-", 1)[1]
    assert (definition.machine.source, definition.machine.rated_w) == MACHINES[machine]
    assert definition.board.operation == operation
    width, height = definition.board.offcut_mm
    assert any(f"{width:g} x {height:g} mm is at hand" in words for words in definition.assumes)
    assert f"({path.name})" in (GRIDS / "README.md").read_text(encoding="utf-8")
    grid, board = ready_made_grid(definition), definition.board
    assert len(grid.cells) == (len(board.powers_pct) * len(board.speeds_mm_s) or board.burns)
    assert board_time(grid).total_s < 600
    kept = {file.name: file.read_bytes() for file in path.with_suffix("").glob("*")}
    files = board_files(grid) if definition.keep_files else {}
    assert sorted(kept) == sorted(files), REWRITE
    assert [name for name in files if kept[name] != files[name]] == [], REWRITE


def test_no_folder_lacks_its_definition() -> None:
    folders = {p.name for p in GRIDS.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders <= {path.stem for path in DEFINITIONS}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('title = "t"', "title = t", "isn't TOML"),
        ('title = "t"', "", "title isn't given: give"),
        ('title = "t"', "title = 3", "title is 3"),
        ("rated_w = 60.0", "rated_kw = 0.06", r"\[machine\] rated_kw is 0.06: give .* only"),
        ("rated_w = 60.0", "rated_w = -1.0", "rated_w is -1.0"),
        ('operation = "cut"', "", r"\[board\] operation isn't given: give one of cut"),
        ("powers_pct", "power_pct", r"\[board\] power_pct is .40.0, 80.0.: give .* only"),
        ("rated_w = 60.0", "", r"\[machine\] rated_w isn't given"),
        ("rated_w = 60.0", f"rated_w = 1{'0' * 4400}", "isn't TOML"),
        ("rated_w = 60.0", f"rated_w = 1{'0' * 400}", "rated_w is 1000.*…: give a number"),
        ("keep_files = true", "keep_files = 1", "keep_files is 1: give true or false"),
        ("powers_pct = [40.0, 80.0]", 'powers_pct = "40"', "powers_pct is '40': give a list"),
        ("powers_pct = [40.0, 80.0]", "burns = 6.5", "burns is 6.5: give a whole number"),
        ("powers_pct = [40.0, 80.0]", "seed = true", "seed is True: give a whole number"),
        ('operation = "cut"', 'operation = "saw"', "operation is 'saw': give one of cut,"),
    ],
)
def test_a_wrong_definition_is_refused_by_name(old: str, new: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        read_definition(GOOD.replace(old, new, 1))


def test_a_record_that_is_no_table_is_refused() -> None:
    head = GOOD.partition("[machine]")[0]
    with pytest.raises(BadFile, match=r"\[machine\] Machine is 3: give its fields"):
        read_definition(f'{head}machine = 3\n[board]\noperation = "cut"')


@pytest.mark.parametrize(
    ("old", "new", "material"),
    [
        ("rated_w = 60.0", 'rated_w = 10.0\nsource = "diode"', "cast acrylic"),
        ("", "", "PVC"),
    ],
)
def test_what_may_not_be_burnt_is_refused(old: str, new: str, material: str) -> None:
    changed = GOOD.replace(old, new, 1).replace('"MDF"', f'"{material}"')
    with pytest.raises(RefusedMaterial, match=material):
        ready_made_grid(read_definition(changed))
