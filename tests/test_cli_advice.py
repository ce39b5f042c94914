"""Regions, recommendations and jobs at the command line."""

from __future__ import annotations

import re
import shlex
from typing import Any

import pytest
from shell import MACHINE, Shell, cut_cleanly, mark_clearly


def test_a_region_as_text_data_and_pictures(evening: Shell) -> None:
    text = evening.text("region", "--picture", "r.png", "--picture", "r.svg")
    assert "bracketed" not in text
    assert "both sides of the edge" in text
    assert re.search(r"80 %( +\d+(\.\d)? mm/s){3} +about", text)
    assert (evening.folder / "r.svg").read_text().count("<svg") == 1
    shown = evening.json("region")
    fast = [row["speeds_mm_s"] for row in shown["rows"]]
    assert all(row[0] >= row[1] >= row[2] for row in fast)
    # The truth of the fixture: half the coupons fall free at 20 mm/s and 80 %.
    assert shown["rows"][0]["power_pct"] == 80.0
    assert 15.0 < shown["rows"][0]["speeds_mm_s"][0] < 24.0
    assert ".png" in evening.run("region", "--picture", "r.gif", code=2).stderr


def test_looking_stores_nothing_and_keeping_stores_the_stated_chance(evening: Shell) -> None:
    wish = ("--char-at-most", "2", "--reliability", "0.95")
    looked = evening.json("recommend", *wish)
    advice = looked["recommendation"]
    assert advice["chance"] >= 0.95
    assert 40.0 <= advice["power_pct"] <= 80.0
    assert cut_cleanly(advice["power_pct"], advice["speed_mm_s"])[0] == "through"
    assert looked["kept"] is None
    assert evening.json("sheet", "show", "birch 3")["kept"] == []
    done = evening.json("keep", "birch 3", *wish, "--note", "fine")
    assert done["recommendation"] == advice
    (kept,) = evening.json("sheet", "show", "birch 3")["kept"]
    assert kept == done["kept"]
    assert kept["setting"]["speed_mm_s"] == advice["speed_mm_s"]
    assert kept["advice"]["chance"] == advice["chance"]
    # The file shows what the page shows: what is kept, too.
    evening.run("region", "--picture", "kept.svg")
    assert 'id="kept"' in (evening.folder / "kept.svg").read_text()
    assert (kept["note"], bool(kept["at"])) == ("fine", True)
    assert "any more; before it was" in evening.text("keep", "birch 3", "--none")
    assert evening.json("sheet", "show", "birch 3")["kept"] == []
    assert "No setting is kept for cut of 'birch 3'" in evening.refusal("keep", "--none")


def test_a_setting_of_ones_own_is_kept_with_the_chance_that_the_burns_give_it(
    evening: Shell,
) -> None:
    said = evening.json("keep", "--power", "70", "--speed", "9")["kept"]
    assert said["setting"]["power_pct"] == 70.0
    assert said["advice"]["aim"] == "chosen by hand"
    assert 0.9 < said["advice"]["chance"] < 1.0
    whole = evening.json("keep", "--power", "70", "--speed", "9", "--cut-length", "2 m", "--yes")
    assert "rests on coupons alone" in whole["recommendation"]["notes"][0]
    refused = evening.run("keep", "--power", "30", "--speed", "9", code=1).stderr
    assert "lies outside what was burnt: no chance is stated for it" in refused
    assert evening.json("keep", "--power", "30", "--speed", "9", "--yes")["kept"]["advice"] is None


def test_a_recommendation_in_words_for_the_workshop(evening: Shell) -> None:
    done = evening.run("recommend", "--cut-length", "2 m", "--reliability", "0.9")
    text = done.stdout
    typed = "keep 'birch 3' --machine bench --reliability 0.9 --cut-length 2000"
    assert done.stderr == f"Try it first. To keep it then: calib {typed}\n"
    for words in ("mm/min", "a whole job", "Margin:", "pushes in the job", "hour of cutting"):
        assert words in text
    kept = evening.json(*shlex.split(typed))["kept"]
    assert kept["advice"]["cut_length_mm"] == 2000.0


def test_a_job_counts_for_the_chance_that_was_stated(evening: Shell) -> None:
    given = evening.json("recommend", "--reliability", "0.9", "--keep")["kept"]["setting"]
    setting = ("--power", str(given["power_pct"]), "--speed", str(given["speed_mm_s"]))
    evening.run("record", "--job", *setting, "--through", "38", "--hanging", "2")
    assert evening.json("book", "track-record", "--what", "jobs")["count"] == 40
    assert evening.json("book", "list", "--kind", "job")["entries"][0]["outcomes"] == {
        "hanging": 2,
        "through": 38,
    }
    assert "No part" in evening.refusal("record", "--job", *setting)
    assert "-3" in evening.refusal("record", "--job", *setting, "--no=-3")


@pytest.mark.parametrize(
    ("outcome", "edge", "said"),
    [
        (lambda _p, _v: ("through", "1", ""), "all_through", "faster or with less power"),
        (lambda _p, _v: ("no", "", ""), "none_through", "slower or with more power"),
    ],
)
def test_an_edge_that_was_not_found_is_said_with_the_way_to_go(
    planned: Shell, outcome: Any, edge: str, said: str
) -> None:
    planned.burn(planned.json("board", "show", "last")["grid"], outcome)
    shown = planned.json("region")
    assert shown["edge"] == edge
    assert any(said in note for note in shown["notes"])
    done = planned.run("recommend", code=0 if edge == "all_through" else 1)
    if edge == "none_through":
        assert "Stop and look first: of 6 burns nothing was cut" in done.stderr
        boards = planned.json("book", "list")["total"]
        said = planned.run("plan", code=1).stderr
        assert "Did the beam fire" in said
        assert "Nothing was planned: answer y, or give --yes" in said
        assert planned.json("book", "list")["total"] == boards
        assert "board_id" in planned.json("plan", "--yes")["grid"]
    else:
        cells = planned.json("board", "show", "last")["grid"]["cells"]
        advised = planned.json("recommend")["recommendation"]
        assert advised["speed_mm_s"] <= max(cell["speed_mm_s"] for cell in cells)


def test_one_burn_and_contradictory_burns_get_an_honest_answer(planned: Shell) -> None:
    assert "has been burnt yet" in planned.refusal("recommend")
    one = planned.write("r.csv", "cell,through,char,mark,note\nC1,through,1,,\n")
    planned.run("record", "last", one)
    done = planned.run("recommend", code=1)
    assert "Burn next:" in done.stderr
    grid = planned.json("board", "show", "last")["grid"]
    energies = sorted(cell["power_pct"] / cell["speed_mm_s"] for cell in grid["cells"])
    planned.run("book", "undo", "--board", "last")
    # Everything falls free, only not the coupon that got the most.
    planned.burn(grid, lambda p, v: ("no" if p / v == energies[-1] else "through", "", ""))
    assert any("contradicts" in note for note in planned.json("region")["notes"])
    assert planned.json("region")["edge"] == "bracketed"


def test_line_marks_have_a_board_a_region_and_a_recommendation(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3")
    mark = ("--operation", "line-mark")
    for speeds in ("60,90,120,150", "100,130,170,200"):
        planned = shell.json("plan", *mark, "--powers", "12,16,22", "--speeds", speeds)
        shell.burn(planned["grid"], mark_clearly)
    text = shell.text("region", *mark)
    assert "likeliest to be 2" in text
    advice = shell.json("recommend", *mark, "--reliability", "0.9")["recommendation"]
    assert mark_clearly(advice["power_pct"], advice["speed_mm_s"])[2] == "2"
    assert advice["chance_not_deeper"] >= 0.9
    either = shell.json("recommend", *mark, "--mark", "1-2")["recommendation"]
    assert either["mark"] == [1, 2]
    assert either["chance"] > advice["chance"]
    done = shell.run("recommend", *mark, "--reliability", "0.9")
    assert "come out as wanted" in done.stdout
    assert done.stdout.startswith("To mark lines on MDF 3 on bench: ")
    typed = "'MDF 3' --machine bench --operation line_mark --reliability 0.9"
    assert done.stderr == f"Try it first. To keep it then: calib keep {typed}\n"
    assert "round 1 planned, line mark" in shell.text("book", "history")


def test_a_doubtful_mark_is_burnt_again_before_it_is_kept(shell: Shell) -> None:
    shell.run(*MACHINE)
    shell.run("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3")
    mark = ("--operation", "line-mark")
    planned = shell.json("plan", *mark, "--powers", "12,22", "--speeds", "60,100,170")
    grades = iter("140414")
    shell.burn(planned["grid"], lambda _p, _v: ("", "", next(grades)))
    done = shell.run("recommend", *mark)
    assert "Not sure yet" in done.stdout
    assert "named above: calib plan 'MDF 3' --machine bench --operation line_mark\n" in done.stderr


@pytest.mark.parametrize("asked", ["99.95 %", "99.999999 %"])
def test_a_chance_is_never_said_to_be_sure(evening: Shell, asked: str) -> None:
    # What was asked for is repeated as it was typed.
    said = " ".join(evening.run("recommend", "--reliability", asked).stdout.split())
    assert f"falls free: over 99.9 % ({asked} was asked for)" in said
    assert "1.000" not in said
    kept = evening.run("recommend", "--reliability", asked, "--keep").stdout
    assert "falls free: over 99.9 %" in kept
    assert "Kept to cut birch 3 on bench" in kept
