"""The logbook at the command line: machines, sheets and lots, listed, searched and given away."""

from __future__ import annotations

from pathlib import Path

import pytest
from shell import BIRCH, MACHINE, Shell


def test_a_first_machine_needs_four_things_and_is_told_what_is_assumed(shell: Shell) -> None:
    text = shell.text(
        "machine", "add", "a", "--watts", "60", "--bed", "600x400", "--top-speed", "400"
    )
    assert "Assumed until you say otherwise" in text
    assert "at most 80 % power" in text
    assert "acceleration isn't known" in text
    wrong = shell.run("machine", "add", "b", "--watts", "60", "--bed", "600x400", code=2)
    assert "--top-speed" in wrong.stderr


def test_a_machine_changes_and_its_past_stays(evening: Shell) -> None:
    evening.run("machine", "change", "bench", "--what", "lens", "--lens", "50.8", "--why", "new")
    shown = evening.json("machine", "show", "bench")
    assert shown["machine"]["lens_mm"] == 50.8
    assert [setup["what"] for setup in shown["setups"]] == ["first", "lens"]
    assert "no field" not in evening.text("machine", "show", "bench")


def test_a_machine_or_sheet_that_is_there_already_is_said_to_be_unchanged(shell: Shell) -> None:
    for words in (MACHINE, BIRCH):
        assert shell.run(*words).stderr == ""
        done = shell.run(*words)
        assert f"{words[2]} is in the logbook already, and unchanged." in done.stderr
        assert words[2] in done.stdout
        assert "--why was not kept" in shell.run(*words, "--why", "from the attic").stderr


def test_refused_materials_are_refused_before_anything_is_stored(shell: Shell) -> None:
    shell.run(*MACHINE)
    for material in ("PVC", "vinyl", "unknown"):
        said = shell.refusal("sheet", "add", "bad", "--material", material, "--thickness", "3")
        assert material in said
    assert shell.json("sheet", "list") == []


def test_a_declaration_opens_what_is_not_known_and_never_what_is_refused(shell: Shell) -> None:
    unknown = ("sheet", "add", "odd", "--material", "zorbium", "--thickness", "3")
    said = shell.refusal(*unknown)
    assert said.endswith("Give it with --declaration.")
    statement = "SDS read: it is made of starch, free of chlorine, fluorine and bromine"
    assert "own statement" in shell.text(*unknown, "--declaration", statement)
    pvc = ("sheet", "add", "pvc", "--material", "PVC", "--thickness", "3")
    assert "refused" in shell.refusal(*pvc, "--declaration", statement)


def test_a_material_can_be_checked_before_it_is_bought(shell: Shell) -> None:
    assert "with care" in shell.text("material", "MDF")
    assert "diode" in shell.refusal("material", "clear acrylic", "--source", "diode")
    assert "Stay with the machine" in shell.text("material", "MDF")
    assert not shell.book.exists()


def test_names_may_be_left_out_only_while_they_are_clear(shell: Shell) -> None:
    assert "no machine" in shell.refusal("plan")
    shell.run(*MACHINE)
    assert "no sheet" in shell.refusal("plan")
    for name in ("one", "two"):
        shell.run("sheet", "add", name, "--material", "MDF", "--thickness", "3")
    assert "one, two: name one" in shell.refusal("region")
    assert "'three'" in shell.refusal("region", "three")
    assert "no board" in shell.refusal("board", "show", "last")
    assert "'K7QX2M'" in shell.refusal("board", "show", "k7qx2m")


def test_the_logbook_is_listed_searched_and_given_away(evening: Shell, tmp_path: Path) -> None:
    evening.run("book", "note", "the lens was cleaned", "--machine", "bench")
    assert evening.json("book", "list")["total"] == 2
    assert evening.json("book", "list", "lens", "cleaned")["total"] == 1
    assert evening.json("book", "list", "--outcome", "hanging", "--sheet", "birch 3")["total"] == 1
    assert evening.json("book", "list", "--material", "oak")["total"] == 0
    assert "Nothing in the logbook matches" in evening.text("book", "list", "oak")
    said = evening.run("book", "list", "--material", "oak").stderr
    assert "no sheet is of material 'oak'; the logbook has birch plywood." in said
    assert evening.run("book", "list", "oak", "--material", "Birch Plywood").stderr == ""
    assert "outcome is 'burnt'" in evening.refusal("book", "list", "--outcome", "burnt")
    assert "limit is 0" in evening.refusal("book", "list", "--limit", "0")
    evening.run("book", "export", "all.jsonl")
    evening.run("book", "export", "burns.csv")
    assert "cell" in (evening.folder / "burns.csv").read_text().splitlines()[0]
    assert "all.txt" in evening.refusal("book", "export", "all.txt")
    (tmp_path / "new").mkdir()
    other = Shell(tmp_path / "new")
    looked = other.json("book", "import", "all.jsonl", "--look")
    assert sum(looked["added"].values()) > 0
    assert other.json("book", "list")["total"] == 0
    other.run("book", "import", "all.jsonl")
    assert other.json("region")["outcomes"] == evening.json("region")["outcomes"]
    broken = evening.write("broken.jsonl", '{"format": "something"}')
    assert "holds no logbook" in evening.refusal("book", "import", broken)
    assert "=" in evening.run("book", "import", "all.jsonl", "--answer", "here", code=2).stderr


def test_lots_are_kept(evening: Shell) -> None:
    done = evening.run("sheet", "new-lot", "birch 3", "March", "--measured", "2.9")
    assert done.stderr == "Next: calib plan 'birch 3' --machine bench --for lot\n"
    assert evening.run("sheet", "change", "birch 3", "--measured", "2.9").stderr == ""
    shown = evening.json("sheet", "show", "birch 3")
    assert shown["sheet"]["measured_mm"] == 2.9
    assert [entry["sheet"]["lot"] for entry in shown["lots"]] == ["", "March"]
    assert "March" in evening.text("sheet", "list")


@pytest.mark.parametrize("typed", ["yesterday", "2026-02-30", "1.3.2026"])
def test_what_is_no_day_is_said_with_an_example(shell: Shell, typed: str) -> None:
    said = " ".join(shell.run("book", "list", "--since", typed, code=2).stderr.split())
    assert f"'{typed}' is no day" in said
    assert "2026-03-01" in said
    assert shell.run("book", "list", "--since", "2026-03-01", "--until", "2026-03-02")


def test_a_diode_is_told_its_own_defaults_and_nothing_of_a_tube(shell: Shell) -> None:
    words = ("--watts", "10", "--bed", "400x400", "--top-speed", "150", "--source", "diode")
    text = shell.text("machine", "add", "blue", *words)
    for part in ("below 2 %", "up to 100 % power", "goes on with M4", "laser mode must be on",
                 "1500 mm/s²", "wavelength isn't known"):  # fmt: skip
        assert part in " ".join(text.split()), part
    assert "tube" not in text
    shell.run("machine", "add", "red", *words, "--wavelength", "650", "--beam-on", "M3")
    given = " ".join(shell.text("machine", "show", "red").split())
    assert "from the label: 650 nm" in given
    assert "M4 where power follows speed: M3" in given
    assert "lowers the power with the speed by itself: no" in given


def test_a_machine_that_becomes_a_diode_loses_what_was_assumed_of_a_tube(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("machine", "change", "bench", "--source", "diode")
    machine = shell.json("machine", "show", "bench")["machine"]
    assert (machine["beam_starts_pct"], machine["ceiling_pct"]) == (2.0, 100.0)
    assert (machine["beam_on_word"], machine["power_follows_speed"]) == ("M4", True)


def test_a_new_machine_gets_a_trial_line(shell: Shell) -> None:
    said = shell.run(*MACHINE, "--into", str(shell.folder / "bench")).stderr
    assert "two lines of 20 mm at low power" in " ".join(said.split())
    assert (shell.folder / "bench" / "trial.nc").is_file()
    plain = ("machine", "add", "plain", "--watts", "40", "--bed", "300x200", "--top-speed", "300")
    said = shell.run(*plain, "--into", str(shell.folder / "plain")).stderr
    assert "There is no trial line" in said
    assert (shell.folder / "plain" / "moves.nc").is_file()
    said = shell.text("machine", "show", "plain", "--short", "10.3", "--long", "31")
    assert said.endswith("Next: calib machine change plain --acceleration 1500\n")
    shell.run("machine", "change", "plain", "--acceleration", "1500")
    assert shell.json("machine", "show", "plain")["machine"]["acceleration_mm_s2"] == 1500.0


def test_own_colours_are_typed_with_or_without_spaces(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("machine", "change", "bench", "--colours", "#ff0000, #0000FF,#00ff00")
    known = shell.json("machine", "show", "bench")["machine"]
    assert known["colours"] == ["#ff0000", "#0000FF", "#00ff00"]
    assert "#ff0000,#0000FF,#00ff00" in shell.text("machine", "show", "bench")
    refused = shell.refusal("machine", "change", "bench", "--colours", "red")
    assert "such as #146c43,#8a4baf" in refused
