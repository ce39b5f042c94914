"""Notes and photographs: kept, listed, taken back; only pictures of sane size get in."""

from __future__ import annotations

import pytest
from workshop_records import later

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book, Filters
from calib.logbook.boards import MAX_PHOTOGRAPH_BYTES

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
JPEG = b"\xff\xd8\xff\xe0rest"
WEBP = b"RIFF\x10\x00\x00\x00WEBPVP8 "


def test_notes_are_found_and_stand_in_the_history(pair: Book) -> None:
    pair.add_note("belt is slack", when=later(1), machine="bench")
    about_board = pair.add_note("knot at A3\nsecond line", when=later(2), board_id="AB12")
    pair.add_note("closed on Mondays", when=later(3))
    assert pair.add_note("knot at A3\nsecond line", when=later(2), board_id="AB12") == about_board
    found = pair.search(Filters(text="KNOT", kinds=("note",))).entries
    assert [(e.id, e.note, e.machine, e.sheet) for e in found] == [
        (about_board, "knot at A3\nsecond line", "bench", "birch 3")
    ]
    texts = [line.text for line in pair.history("bench", "birch 3") if line.kind == "note"]
    assert texts == ["belt is slack", "knot at A3\nsecond line"]
    assert pair.search(Filters(kinds=("note",))).total == 3


def test_a_note_is_taken_back(pair: Book) -> None:
    pair.add_note("wrong board", when=later(1), board_id="AB12")
    assert pair.undo(when=later(2), board_id="AB12").startswith(
        "note 'wrong board', of 2026-03-01 18:06"
    )
    assert pair.search(Filters(kinds=("note",))).total == 0
    (line,) = [line for line in pair.history("bench", "birch 3") if line.kind == "note"]
    assert line.superseded


def test_an_empty_or_long_note_is_refused(pair: Book) -> None:
    with pytest.raises(InvalidRecord, match="text is empty"):
        pair.add_note(" \n", when=later(1))
    with pytest.raises(InvalidRecord, match="at most 10000 characters"):
        pair.add_note("x" * 10_001, when=later(1))
    with pytest.raises(LogbookError, match="no board 'XX'"):
        pair.add_note("knot", when=later(1), board_id="XX")


@pytest.mark.parametrize(
    ("content", "kind"), [(PNG, "image/png"), (JPEG, "image/jpeg"), (WEBP, "image/webp")]
)
def test_a_photograph_comes_back_byte_for_byte(pair: Book, content: bytes, kind: str) -> None:
    stored = pair.attach("AB12", "a1.jpg", content, when=later(1), cell="A1")
    assert pair.attach("AB12", "again.jpg", content, when=later(2), cell="A1") == stored
    (entry,) = pair.photographs("AB12")
    assert (entry.id, entry.cell, entry.filename) == (stored, "A1", "a1.jpg")
    assert (entry.media_type, entry.size_bytes, entry.at) == (kind, len(content), later(1))
    assert pair.photograph(stored) == content
    pair.undo(when=later(3), board_id="AB12")
    assert pair.photographs("AB12") == ()
    lines = [line for line in pair.history("bench", "birch 3") if line.kind == "photograph"]
    told = [(line.text, line.board, line.cell, line.superseded) for line in lines]
    assert told == [("a1.jpg", "AB12", "A1", True)]
    with pytest.raises(LogbookError, match="before and taken back"):
        pair.attach("AB12", "a1.jpg", content, when=later(1), cell="A1")
    pair.attach("AB12", "a1.jpg", content, when=later(4), cell="A1")
    assert len(pair.photographs("AB12")) == 1


@pytest.mark.parametrize(
    ("filename", "content", "cell", "words"),
    [
        ("a.svg", b"<svg onload=x>", "", r"begins with b'<svg'"),
        ("a.png", b"", "", "begins with b''"),
        ("a.png", PNG + bytes(MAX_PHOTOGRAPH_BYTES), "", "has 10.0 MiB"),
        ("../a.png", PNG, "", r"filename is '../a.png'"),
        ("c:\\a.png", PNG, "", r"filename is 'c:"),
        ("..", PNG, "", r"filename is '..'"),
        ("", PNG, "", "filename is ''"),
        ("a.png", PNG, "Q9", "cell 'Q9' isn't on board"),
    ],
)
def test_what_is_no_photograph_of_the_board_is_refused(
    pair: Book, filename: str, content: bytes, cell: str, words: str
) -> None:
    with pytest.raises(InvalidRecord, match=words):
        pair.attach("AB12", filename, content, when=later(1), cell=cell)
    assert pair.photographs("AB12") == ()


def test_a_photograph_that_is_not_there_is_named(pair: Book) -> None:
    with pytest.raises(LogbookError, match="no photograph 'abc'"):
        pair.photograph("abc")
