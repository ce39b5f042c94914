"""The logbook as a teacher, as a shell calls it: other machines, new lots, check strips."""

from __future__ import annotations

import re
import shlex

import pytest
from shell import Shell, cut_cleanly

from calib.errors import InvalidRecord
from calib.logbook import open_book
from calib.tasks.pools import pool_of_book
from calib.tasks.results import STRIP_NOTE
from calib.tasks.wishes import ElsewhereWish

LARGE = ("machine", "add", "large", "--watts", "100", "--bed", "600x400", "--top-speed", "400")
MDF = ("sheet", "add", "MDF 3", "--material", "MDF", "--thickness", "3")
ON_BENCH = ("--machine", "bench")


@pytest.fixture
def two(evening: Shell) -> Shell:
    """A logbook with a burnt sheet, a second machine and a second sheet that weren't."""
    evening.run(*LARGE)
    evening.run(*MDF)
    return evening


def test_a_burnt_sheet_teaches_the_next_one(two: Shell) -> None:
    region = two.text("region", "MDF 3", *ON_BENCH)
    assert "rests on 1 other pair of the logbook" in region
    # The burnt sheet itself has no other pair to learn from.
    assert "other pair" not in two.text("region", "birch 3", *ON_BENCH)


def test_the_book_lists_pairs_that_were_burnt(two: Shell) -> None:
    two.run("plan", "MDF 3", *ON_BENCH, "--burns", "3")
    with open_book(two.book) as book:
        assert book.pairs() == (("bench", "birch 3"),)
        assert book.pairs("line_mark") == ()
        bench, birch = book.machine("bench"), book.sheet("birch 3")
        assert pool_of_book(book, bench, birch, "cut") is None
        pool = pool_of_book(book, book.machine("large"), birch, "cut")
        assert pool is not None
        assert pool.pairs == 1
        found = book.burns("bench", "birch 3", "cut")
        codes = [entry.id for entry in book.boards().entries]
        assert len(found) == 24
        assert book.burns("bench", "birch 3", "cut", without=codes) == ()


def test_carrying_over_plans_the_board_that_confirms_it(two: Shell) -> None:
    before = two.text("book", "list")
    said = two.run("transfer", "birch 3", *ON_BENCH, "--to", "large")
    assert two.text("book", "list") == before  # looking stores nothing
    typed = shlex.split(said.stderr.strip().removeprefix("Next: calib "))
    assert typed == ["plan", "birch 3", *ON_BENCH, "--for", "transfer", "--to", "large"]
    found = two.json(*typed, "--into", "board")
    assert found["slowest_mm_s"] < found["setting"]["speed_mm_s"] < found["fastest_mm_s"]
    assert 20.0 < found["setting"]["speed_mm_s"] < 50.0
    assert len(found["confirm"]) == 4
    board = two.json("board", "show", "last")["grid"]
    assert board["board_id"] == found["board_id"]
    assert (board["machine"]["name"], len(board["cells"])) == ("large", 4)
    assert (two.folder / "board" / f"{board['board_id']}.svg").exists()
    two.burn(board, cut_cleanly)
    said = two.refusal("plan", "--for", "transfer", "birch 3", *ON_BENCH, "--to", "large")
    assert "burns of birch 3 on large already (4 in all): ask for a recommendation" in said


def test_somebodys_machine_gets_a_start_but_no_board(two: Shell) -> None:
    before = two.text("book", "list")
    text = two.text("transfer", "birch 3", *ON_BENCH, "--watts", "40")
    assert "Begin with birch 3 on a 40 W machine" in text
    assert "Nothing has been burnt there" in text
    ends = r"between \d+(\.\d)? mm/s \(\d+ mm/min\) and \d+(\.\d)? mm/s"
    assert re.search(ends, " ".join(text.split()))
    assert two.text("book", "list") == before


def test_what_cannot_be_carried_over_is_said(two: Shell) -> None:
    said = two.refusal("plan", "--for", "transfer", "birch 3", *ON_BENCH, "--to", "bench")
    assert "--to is bench: birch 3 is known there already" in said
    said = two.refusal("plan", "--for", "transfer", "birch 3", *ON_BENCH)
    assert "--to isn't given: give a machine of the logbook, or somebody's rated watts" in said
    with pytest.raises(InvalidRecord, match="to_machine is 'x': give a machine of the logbook, or"):
        ElsewhereWish(to_machine="x", rated_w=40.0)
    assert "MDF 3 has no burns on bench" in two.refusal("transfer", "MDF 3", *ON_BENCH)


def test_a_table_of_wattages_is_written_three_ways(two: Shell) -> None:
    found = two.json("transfer", "birch 3", *ON_BENCH, "--watts", "40,100", "--into", "out")
    assert [row["rated_w"] for row in found["rows"]] == [40.0, 100.0]
    files = {path.suffix: path for path in (two.folder / "out").iterdir()}
    assert sorted(files) == [".csv", ".pdf", ".txt"]
    assert files[".pdf"].name == "wattages-birch-3-cut.pdf"
    assert files[".pdf"].read_bytes().startswith(b"%PDF")
    assert files[".csv"].read_text(encoding="utf-8").count("\n") == 3
    assert "Where to begin: birch 3" in files[".txt"].read_text(encoding="utf-8")


def test_a_new_lot_is_tried_and_judged(evening: Shell) -> None:
    at = ("--power", "80", "--speed", "16")
    said = evening.refusal("plan", "--for", "lot")
    assert "No lot of birch 3 but the current one (without a name) was cut on bench" in said
    evening.run("sheet", "new-lot", "birch 3", "May")
    board = evening.json("plan", "--for", "lot", *at)["grid"]
    assert board["sheet"]["lot"] == "May"
    assert len(board["cells"]) == 4
    assert {cell["speed_mm_s"] for cell in board["cells"]} >= {16.0}
    evening.burn(board, lambda power, speed: cut_cleanly(power, speed * 1.2))
    advised = evening.json("recommend", "--reliability", "0.95")
    verdict, advice = advised["lot"], advised["recommendation"]
    assert verdict["verdict"] in ("slow", "change")
    assert verdict["chance_at_old"] < 0.95 <= verdict["chance"] == advice["chance"]
    for name in ("power_pct", "speed_mm_s", "passes"):
        assert verdict["setting"][name] == advice[name]
    evening.run("keep", "--reliability", "0.95", "--yes")
    assert evening.json("recommend", "--reliability", "0.95")["lot"] is None  # no longer new


def test_a_new_lot_is_judged_by_the_chance_that_was_kept(evening: Shell) -> None:
    evening.run("recommend", "--reliability", "0.93", "--keep")
    evening.run("sheet", "new-lot", "birch 3", "May")
    evening.burn(evening.json("plan", "--for", "lot")["grid"], cut_cleanly)
    assert evening.json("recommend")["lot"]["reliability"] == 0.93
    said = evening.json("recommend", "--reliability", "0.97")["lot"]
    assert said["reliability"] == 0.97


def test_check_strips_find_a_tired_machine(evening: Shell) -> None:
    assert "No check strip of birch 3 on bench has been recorded yet" in evening.refusal(
        "machine", "check"
    )
    settings = []
    for tired in (1.0, 1.0, 1.25, 1.25):
        board = evening.json("plan", "--for", "check")["grid"]
        assert STRIP_NOTE in board["notes"]
        settings.append([(c["power_pct"], c["speed_mm_s"]) for c in board["cells"]])
        evening.burn(board, lambda power, speed, k=tired: cut_cleanly(power, speed * k))
    # The strips themselves don't move what they are compared with.
    assert settings[0] == settings[1] == settings[2] == settings[3]
    found = evening.json("machine", "check", "--picture", "strips.svg")
    check = found["check"]
    assert len(found["boards"]) == len(check["after_each"]) == 4
    assert check["alarm"] is True
    chances = [one["chance_of_loss"] for one in check["after_each"]]
    assert chances[1] < 0.5 < chances[3]
    picture = (evening.folder / "strips.svg").read_text(encoding="utf-8")
    assert picture.count('id="check-') == 4
    assert "Clean the lens" in evening.text("machine", "check") or check["checks"]
    # One number is told, drawn and acted on.
    said = " ".join(evening.text("machine", "check").split())
    assert check["now"] == check["after_each"][-1]
    assert f"{check['now']['shift_pct']:+.0f} % (9 of 10: " in said
    assert f"about {-check['now']['shift_pct']:.0f} % less effective power" in said


def test_a_sheet_that_is_not_known_checks_nothing(two: Shell) -> None:
    said = two.refusal("plan", "--for", "check", "MDF 3", *ON_BENCH)
    assert "MDF 3 on bench (0 so far) don't show yet" in said


def test_sheet_or_machine_needs_both_sheets(two: Shell) -> None:
    said = two.refusal("machine", "check", "birch 3", "--reference", "MDF 3", *ON_BENCH)
    assert "No lot of birch 3 but the current one" in said
