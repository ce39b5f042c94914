"""Acrylic, slate and anodised metal are graded in their own words, and the grades are the same."""

from __future__ import annotations

import pypdfium2
import pytest
from boards import CO2, make
from shell import MACHINE, Shell
from visitor import house_of

import calib
from calib.errors import BadFile
from calib.materials import scales_of
from calib.records import GRADES, MARK_SHORT, Sheet, short_words
from calib.results import read_results

ACRYLIC = Sheet(name="clear 3", material="cast acrylic", thickness_mm=3.0)
SLATE = Sheet(name="slate 5", material="slate", thickness_mm=5.0)
METAL = Sheet(name="tag", material="anodised aluminium", thickness_mm=1.0)


@pytest.mark.parametrize("sheet", [ACRYLIC, SLATE, METAL], ids=lambda sheet: sheet.name)
def test_each_has_a_word_of_its_own_for_every_grade(sheet: Sheet) -> None:
    for scale in scales_of(sheet.material).values():
        short = short_words(scale)
        assert len(set(short)) == len(GRADES)
    # A wanted mark is told by the same words everywhere.
    assert short_words(scales_of(sheet.material)["mark"])[:-1] == MARK_SHORT[:-1]
    assert scales_of(sheet.material)["mark"] != scales_of("MDF")["mark"]


def test_a_result_file_takes_them_and_the_words_of_wood_too() -> None:
    grid = make(sheet=ACRYLIC)
    rows = ["cell,through,char,mark,note"]
    words = ("frosted", "Rounded at the  edges", "sooty", "welded", "tan", "4")
    rows += [f"{c.label},through,{w},," for c, w in zip(grid.cells, words, strict=True)]
    assert [r.char for r in read_results("\n".join(rows), grid)] == [1, 2, 3, 4, 1, 4]
    wrong = "\n".join(rows).replace("sooty", "glassy")
    with pytest.raises(BadFile, match="'glassy': give 0 to 4 .0 polished"):
        read_results(wrong, grid)
    with pytest.raises(BadFile, match="'frosted': give 0 to 4 .0 clean"):
        read_results("\n".join(rows), make())


@pytest.mark.parametrize(
    ("sheet", "operation", "name"),
    [(ACRYLIC, "cut", "char"), (ACRYLIC, "line_mark", "mark"), (SLATE, "line_mark", "mark")],
)
def test_the_record_sheet_speaks_them(sheet: Sheet, operation, name: str) -> None:
    page = pypdfium2.PdfDocument(calib.grid_record_sheet(make(operation, 6, CO2, sheet)))[0]
    words = " ".join(page.get_textpage().get_text_range().split())
    assert all(word in words for word in scales_of(sheet.material)[name])


def test_command_and_page_speak_them(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("sheet", "add", "clear 3", "--material", "cast acrylic", "--thickness", "3")
    code = shell.json("plan", "--burns", "2")["grid"]["board_id"]
    said = shell.run("record", "last", typed="t\n1\nt\n4\n")
    assert "2 rounded at the edges" in said.stderr
    assert "char 1 frosted" in said.stdout
    assert "char 4 welded" in shell.text("book", "history", "clear 3")
    with house_of(shell.book) as house:
        asked = house.guest().get(f"/board/{code}/record").text
        story = house.guest().get("/history?machine=bench&sheet=clear+3").text
    assert '<span class="word">Sooty</span>' in asked
    assert "char 1, frosted" in asked
    assert "tan" not in asked.split("<body")[1].replace("standing", "").split()
    assert "char 1 frosted" in story
