"""Backups, photographs and sessions at the command line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from postgres import Server
from shell import Shell
from workshop_records import EVENING

from calib.errors import LogbookError
from calib.logbook import export_text, open_book
from calib.logbook.backup import check_book
from calib.tasks.keeping import back_up, list_backups, put_back

PICTURE = b"\x89PNG\r\n\x1a\n" + bytes(40)


def test_a_backup_is_made_listed_and_put_back(planned: Shell) -> None:
    with open_book(planned.book) as book:
        before = export_text(book)
    kept = planned.json("book", "backup")
    assert kept["rows"]["board"] == 1
    assert Path(kept["file"]).parent == planned.folder / "backups"
    said = planned.text("book", "backup", "second.sqlite3")
    assert "1 board, 1 machine, " in said
    assert "_" not in said.split("In it")[1]
    planned.run("book", "note", "after the backup")
    (found,) = planned.json("book", "backups")
    assert (found["file"], found["whole"]) == (kept["file"], True)
    assert "good" in planned.text("book", "backups")
    assert planned.json("book", "restore", "last")["rows"] == kept["rows"]
    with open_book(planned.book) as book:
        assert export_text(book) == before
    with open_book(f"{planned.book}.replaced-1") as replaced:
        assert [entry.kind for entry in replaced.search().entries] == ["note", "board"]


def test_a_damaged_logbook_names_the_newest_good_backup_and_it_helps(planned: Shell) -> None:
    good = planned.json("book", "backup", str(planned.folder / "backups" / "b.sqlite3"))["file"]
    bad = planned.folder / "backups" / "c.sqlite3"
    bad.write_bytes(Path(good).read_bytes()[:5000])
    os.utime(bad, (2e9, 2e9))
    content = b"coffee was spilt on it" * 900
    planned.book.write_bytes(content)
    for end in ("-wal", "-shm"):
        planned.book.with_name(planned.book.name + end).unlink(missing_ok=True)
    said = planned.refusal("book", "list")
    assert f"newest good backup is {good}" in said
    assert [entry["whole"] for entry in planned.json("book", "backups")] == [False, True]
    assert planned.json("book", "restore", "last")["file"] == good
    assert planned.json("book", "list")["total"] == 1
    assert planned.book.with_name("book.sqlite3.replaced-1").read_bytes() == content


def test_a_letter_spoilt_inside_a_note_is_noticed(planned: Shell) -> None:
    planned.run("book", "note", "a note about knots in the third sheet")
    assert "There is no backup beside it" in planned.text("book", "verify")
    good = planned.json("book", "backup")["file"]
    planned.run("book", "note", "after the backup")
    found = planned.json("book", "verify")
    assert (found["compared_with"], found["missing"], found["rows"]["note"]) == (good, {}, 2)
    content = planned.book.read_bytes()
    assert content.count(b"about knots") == 1
    planned.book.write_bytes(content.replace(b"about knots", b"about knits"))
    # Nothing of the database's own is harmed, and it says nothing.
    assert planned.json("book", "list", "knits")["total"] == 1
    said = planned.refusal("book", "verify")
    assert f"The newest good backup is {good}" in said
    assert "was changed on its way" in said
    planned.run("book", "restore", "last")
    assert "The logbook is sound" in planned.text("book", "verify")


def test_rows_after_an_earlier_backup_are_said_to_be_missing(planned: Shell) -> None:
    first = planned.json("book", "backup", str(planned.folder / "elsewhere.sqlite3"))["file"]
    planned.run("book", "note", "one more")
    planned.run("book", "backup")
    planned.run("book", "restore", first)
    found = planned.json("book", "verify")
    assert found["missing"] == {"note": 1}
    assert "1 note." in planned.text("book", "verify")


def test_without_a_good_backup_nothing_is_put_back(planned: Shell) -> None:
    assert "There is no good backup beside" in planned.refusal("book", "restore", "last")
    assert "nothing.sqlite3 is damaged" in planned.refusal("book", "restore", "nothing.sqlite3")
    assert planned.text("book", "backups").strip() == "There is no backup beside the logbook."
    assert planned.json("book", "list")["total"] == 1


def test_a_book_on_a_server_wants_the_name_of_a_file(server: Server, tmp_path: Path) -> None:
    place = server.new_place()
    with open_book(place) as book:
        with pytest.raises(LogbookError, match="lies on a server: name the file"):
            back_up(book, when=EVENING)
        kept = back_up(book, tmp_path / "b.sqlite3", when=EVENING)
        assert check_book(book).compared_with is None
    assert kept.rows == {}
    assert list_backups(place) == ()
    with pytest.raises(LogbookError, match="no good backup beside the logbook postgresql"):
        put_back("last", place)
    assert put_back(str(tmp_path / "b.sqlite3"), place).rows == {}


def test_photographs_come_back_as_they_were(planned: Shell) -> None:
    board = planned.json("board", "show", "last")["grid"]["board_id"]
    planned.run("board", "photo", "last", planned.write("whole.png", PICTURE))
    cell = planned.json(
        "board", "photo", board, planned.write("a1.png", PICTURE + b"1"), "--cell", "a1"
    )
    assert (cell["cell"], cell["size_bytes"]) == ("A1", len(PICTURE) + 1)
    said = planned.json("board", "photo", "last", "--into", "pictures")
    contents = {Path(file).name: Path(file).read_bytes() for file in said["files"]}
    assert set(contents.values()) == {PICTURE, PICTURE + b"1"}
    assert all(name.startswith(f"{board}-0") for name in contents)
    assert "a1.png" in planned.text("board", "photo", "last")
    assert "2 photographs" in planned.text("board", "photo", "last")
    planned.run("book", "undo", "--board", "last")
    assert len(planned.json("board", "photo", "last")["photographs"]) == 1
    assert "isn't on board" in planned.refusal("board", "photo", "last", "a1.png", "--cell", "Z9")
    text = planned.write("notes.txt", "hello")
    assert "give a PNG, JPEG or WebP file" in planned.refusal("board", "photo", "last", text)


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("holiday\u202egnp.exe", "holiday_gnp.exe.png"),
        ("passwd", "passwd.png"),
        ("A1: 3*5?.PNG", "A1_ 3_5_.PNG"),
        ("\x9b2J.png", "_2J.png"),
    ],
)
def test_written_photographs_have_names_for_any_system(
    planned: Shell, given: str, kept: str
) -> None:
    planned.run("board", "photo", "last", planned.write(given, PICTURE))
    (file,) = planned.json("board", "photo", "last", "--into", "pictures")["files"]
    assert Path(file).name.endswith(f"-01-board-{kept}")


def test_a_session_is_described_corrected_and_listed(planned: Shell) -> None:
    words = ("book", "sessions", "monday", "--focus=-0.5", "--air", "--on", "pins", "--bare")
    session = planned.json(*words)
    assert (session["focus_mm"], session["air"], session["masked"]) == (-0.5, True, False)
    assert "described otherwise" in planned.refusal("book", "sessions", "monday", "--no-air")
    planned.run("book", "sessions", "monday", "--no-air", "--why", "the pump was out")
    (listed,) = planned.json("book", "sessions")
    assert (listed["air"], listed["focus_mm"]) == (False, None)
    assert "monday" in planned.text("book", "sessions")
    planned.run("book", "undo", "--machine", "bench")
    assert planned.json("book", "sessions")[0]["air"] is True
    wrong = planned.run("book", "sessions", "x", "--on", "bricks", code=2).stderr
    assert "'bricks' can't be read: write one of pins, flat" in " ".join(
        wrong.replace("│", " ").split()
    )


def test_the_machine_that_was_used_last_is_taken_and_said(planned: Shell) -> None:
    planned.run("machine", "add", "attic", "--watts", "5", "--bed", "300x300", "--top-speed", "100",
                "--source", "diode")  # fmt: skip
    assert planned.run("book", "sessions").stderr == "Sessions of bench.\n"  # used last
    assert planned.json("book", "sessions", "--machine", "attic") == []
