"""A logbook as a file: links, odd names, two books in one folder, replaced while it is used."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fault_bench import NOBODY, in_a_process
from shell import Shell
from workshop_records import BENCH, BIRCH, EVENING, later, some_grid

from calib.errors import LogbookError
from calib.logbook import Book, backup, backup_path, export_text, ledger, open_book, restore
from calib.logbook.backup import check_book
from calib.logbook.coding import write_time
from calib.logbook.files import backups_of, newest_backup
from calib.logbook.ledger import Entry


def names(book: Book) -> list[str]:
    """The machines of a logbook."""
    return [machine.name for machine in book.machines()]


def add(book: Book, *machines: str) -> None:
    """Put machines of these names into a logbook."""
    for machine in machines:
        book.add_machine(replace(BENCH, name=machine), when=EVENING)


@pytest.mark.parametrize("name", ["book[1].db", "[a-z]*.db", "what?.sqlite3", "plain"])
def test_every_restore_keeps_what_it_replaced_whatever_the_name(tmp_path: Path, name: str) -> None:
    path, whole = tmp_path / name, tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)
    for number in (1, 2, 3):
        with open_book(path) as book:
            add(book, f"after {number}")
        restore(whole, path)
    for number in (1, 2, 3):
        with open_book(f"{path}.replaced-{number}") as kept:
            assert names(kept) == [f"after {number}", "one"]
    with open_book(path) as book:
        assert names(book) == ["one"]


def test_files_that_happen_to_have_such_names_are_left_alone(tmp_path: Path) -> None:
    path, whole = tmp_path / "book", tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)
    ends = (".replaced-1", ".replaced-2-wal", ".restored", ".part-1", ".part")
    for end in ends:
        for of in (path, tmp_path / "second"):
            Path(f"{of}{end}").write_text("something dear")
    Path(f"{path}.replaced-3").symlink_to("nowhere")
    restore(whole, path)
    with open_book(path) as book:
        backup(book, tmp_path / "second")
    for end in ends:
        for of in (path, tmp_path / "second"):
            assert Path(f"{of}{end}").read_text() == "something dear"
    with open_book(f"{path}.replaced-4") as kept:
        assert names(kept) == ["one"]


def test_the_journal_of_a_lost_file_is_kept_and_not_read_into_what_is_put_back(
    tmp_path: Path,
) -> None:
    path, whole = tmp_path / "book", tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)
        before = export_text(book)
        with book.look():  # holds the journal open
            add(book, "two")
            lost = path.with_name("book-wal").read_bytes()
    path.unlink()
    path.with_name("book-wal").write_bytes(lost)
    restore(whole, path)
    assert path.with_name("book.replaced-1-wal").read_bytes() == lost
    with open_book(path) as book:
        assert export_text(book) == before


def test_a_link_is_followed_and_stays_one_logbook(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    path, link, whole = tmp_path / "far" / "book", tmp_path / "link", tmp_path / "whole"
    link.symlink_to(path)
    with open_book(link) as book:
        add(book, "one")
        backup(book, whole)
        add(book, "two")
    restore(whole, link)
    assert link.is_symlink()
    with open_book(link) as book:
        add(book, "three")
    with open_book(path) as book:
        assert names(book) == ["one", "three"]
        assert book.path == path
    with open_book(tmp_path / "far" / "book.replaced-1") as kept:
        assert names(kept) == ["one", "two"]


def test_a_second_name_of_the_same_file_is_not_left_behind_in_silence(tmp_path: Path) -> None:
    path, whole = tmp_path / "book", tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)
        add(book, "two")
    os.link(path, tmp_path / "twin")
    with pytest.raises(LogbookError, match=r"book has another name too \(a hard link\)"):
        restore(whole, path)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["book", "twin", "whole"]
    with open_book(path) as book:
        assert names(book) == ["one", "two"]


@pytest.mark.parametrize(
    ("place", "said"),
    [
        (":memory:", "':memory:' would be forgotten"),
        ("file:book?mode=memory", "'file:book.mode=memory' would be forgotten"),
        ("file:book.sqlite3", "'file:book.sqlite3' would be forgotten"),
        ("/dev/null", "'/dev/null' is no file that keeps"),
        ("/dev/zero", "'/dev/zero' is no file that keeps"),
    ],
)
def test_what_keeps_nothing_is_refused(shell: Shell, place: str, said: str) -> None:
    with pytest.raises(LogbookError, match=said):
        open_book(place)
    with pytest.raises(LogbookError, match="would be forgotten|is no file that keeps"):
        open_book(Path(place))
    assert place in shell.refusal("book", "note", "lost", "--book", place)
    assert "None of it" not in shell.refusal("book", "list", "--book", place)
    assert list(shell.folder.iterdir()) == []


def test_a_pipe_is_no_logbook_and_nobody_waits_for_it(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(LogbookError, match="pipe' is no file that keeps"):
        open_book(tmp_path / "pipe")


def test_an_open_logbook_goes_on_with_the_one_that_was_put_back(tmp_path: Path) -> None:
    path, whole = tmp_path / "book", tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)
        add(book, "two")
        evidence = book.newest_evidence()
        restore(whole, path)
        assert names(book) == ["one"]
        add(book, "three")
        # Its number is used again; who keeps what was fitted by it must not take one for the other.
        assert book.newest_evidence() != evidence
    with open_book(path) as book:
        assert names(book) == ["one", "three"]
    with open_book(f"{path}.replaced-1") as kept:
        assert names(kept) == ["one", "two"]


@pytest.mark.parametrize("other_process", [True, False])
def test_nothing_is_put_back_while_somebody_writes(tmp_path: Path, other_process: bool) -> None:
    path, whole = tmp_path / "book", tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)
        add(book, "two")
        with book.change() as connection:
            said = Entry(at=write_time(later(5)), kind="note", body={"text": "three"})
            ledger.add(connection, [said])
            if other_process:
                code = (
                    "from pathlib import Path; from calib.logbook import restore;"
                    f" restore(Path({str(whole)!r}), {str(path)!r})"
                )
                done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                                      check=False)  # fmt: skip
                assert f"{path} is being used by another program: close that one" in done.stderr
            else:
                with pytest.raises(LogbookError, match="book is being used by another program"):
                    restore(whole, path)
        assert names(book) == ["one", "two"]
        assert [line.note for line in book.search().entries] == ["three"]
    assert sorted(file.name for file in tmp_path.iterdir()) == ["book", "whole"]


def test_a_write_into_a_file_that_was_moved_away_is_not_acknowledged(tmp_path: Path) -> None:
    path, whole = tmp_path / "book", tmp_path / "whole"
    with open_book(path) as book:
        add(book, "one")
        backup(book, whole)

        def write() -> None:
            with book.change() as connection:
                said = Entry(at=write_time(later(5)), kind="note", body={"text": "two"})
                ledger.add(connection, [said])
                # Somebody who knows nothing of locks.
                shutil.copy(whole, tmp_path / "copy")
                (tmp_path / "copy").replace(path)

        with pytest.raises(LogbookError, match="book was replaced.*perhaps not stored"):
            write()


def test_another_logbook_at_the_same_place_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with open_book(path) as book:
        add(book, "one")
        with open_book(tmp_path / "strange") as strange:
            add(strange, "two")
        (tmp_path / "strange").replace(path)
        with pytest.raises(LogbookError, match="Another logbook.*lies at .*book now"):
            add(book, "three")
    with open_book(path) as book:
        assert names(book) == ["two"]


def test_a_logbook_that_was_removed_is_not_begun_anew_in_silence(tmp_path: Path) -> None:
    path = tmp_path / "book"
    with open_book(path) as book:
        add(book, "one")
        path.unlink()
        with pytest.raises(LogbookError, match="book can't be opened"):
            add(book, "two")
    assert not path.exists()


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """A folder that every user can look into."""
    folder = Path(tempfile.mkdtemp(prefix="calib-test-"))
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def as_nobody() -> int | None:
    """Whom to be so that something is read-only: nothing is to root."""
    return NOBODY if os.geteuid() == 0 else None


def test_a_logbook_on_a_read_only_medium_is_read_and_not_written(public_folder: Path) -> None:
    path = public_folder / "book"
    with open_book(path) as book:
        add(book, "one")
        backup(book, backup_path(path, EVENING))
    path.chmod(0o444)
    public_folder.chmod(0o555)
    before = path.read_bytes()

    def read() -> None:
        with open_book(path) as book:
            assert names(book) == ["one"]
            assert '"name":"one"' in export_text(book)
            assert check_book(book).compared_with is not None

    def write() -> None:
        with open_book(path) as book:
            add(book, "two")

    assert in_a_process(read, user=as_nobody()) == ""
    said = in_a_process(write, user=as_nobody())
    assert f"{path} can't be opened for writing" in said
    assert "Nothing of this change was stored" in said
    assert path.read_bytes() == before


def test_what_stands_in_a_journal_on_a_read_only_medium_is_not_left_out(
    public_folder: Path,
) -> None:
    path = public_folder / "book"
    open_book(path).close()
    with open_book(path) as book, book.look():
        add(book, "one")
        shutil.copy(path, public_folder / "copy")
        shutil.copy(f"{path}-wal", public_folder / "copy-wal")
    public_folder.chmod(0o555)
    said = in_a_process(lambda: open_book(public_folder / "copy").close(), user=as_nobody())
    assert "what was written last stands in copy-wal" in said


def test_two_logbooks_whose_names_differ_in_their_ends_only(tmp_path: Path) -> None:
    for minutes, end in enumerate(("db", "sqlite3")):
        path = tmp_path / f"shop.{end}"
        with open_book(path) as book:
            add(book, end)
            backup(book, backup_path(path, later(minutes)))
    for end in ("db", "sqlite3"):
        path = tmp_path / f"shop.{end}"
        (own,) = backups_of(path)
        with open_book(path) as book:
            assert check_book(book).compared_with == own
        with open_book(own) as kept:
            assert names(kept) == [end]
    # Damaged: it can't say which one it is, but the other one can.
    (tmp_path / "shop.db").write_bytes(b"coffee" * 4000)
    with pytest.raises(LogbookError, match="newest good backup is .*180500"):
        open_book(tmp_path / "shop.db")
    restore(newest_backup(tmp_path / "shop.db") or Path(), tmp_path / "shop.db")
    with open_book(tmp_path / "shop.db") as book:
        assert names(book) == ["db"]
    for end in ("db", "sqlite3"):
        (tmp_path / f"shop.{end}").write_bytes(b"coffee" * 4000)
    for end in ("db", "sqlite3"):
        assert newest_backup(tmp_path / f"shop.{end}") is None
        with pytest.raises(LogbookError, match="No good backup that is surely its own"):
            open_book(tmp_path / f"shop.{end}")


def test_a_damaged_logbook_is_not_offered_the_backup_of_its_neighbour(tmp_path: Path) -> None:
    with open_book(tmp_path / "mine.db") as book:
        add(book, "mine")
    with open_book(tmp_path / "yours.db") as book:
        add(book, "yours")
        backup(book, backup_path(tmp_path / "yours.db", EVENING))
    (tmp_path / "mine.db").write_bytes(b"coffee" * 4000)
    assert newest_backup(tmp_path / "mine.db") is None


def test_a_sound_logbook_is_sound_after_an_older_backup_was_put_back(tmp_path: Path) -> None:
    path = tmp_path / "book"
    chances = {"A1": {"through": 0.5}}
    with open_book(path) as book:
        add(book, "bench")
        book.add_sheet(BIRCH, when=EVENING)
        backup(book, tmp_path / "old")
        book.add_board(some_grid(), when=later(1), forecasts=chances)
        book.add_note("the first", when=later(2), machine="bench")
        book.change_setup("bench", when=later(3), what="lens", lens_mm=40.0)
        backup(book, backup_path(path, later(4)))
    restore(tmp_path / "old", path)
    with open_book(path) as book:
        book.change_setup("bench", when=later(7), what="lens", lens_mm=50.0)
        book.add_note("the second", when=later(6), machine="bench")
        found = check_book(book)
    assert found.compared_with is not None
    assert found.missing["note"] == 1
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER no_update_of_entries")
        connection.execute("UPDATE entries SET why = 'spoilt' WHERE kind = 'setup'")
    connection.close()
    with (
        open_book(path) as book,
        pytest.raises(LogbookError, match="is damaged.*was changed on its way"),
    ):
        check_book(book)
