"""Backup and restore: a copy is opened and counted, nothing is overwritten, the old one is kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from filled_books import fill
from postgres import Server
from workshop_records import BENCH, BIRCH, EVENING, later, some_grid

from calib.errors import LogbookError
from calib.logbook import Book, backup, backup_path, export_text, open_book, restore
from calib.logbook.backup import check_book
from calib.logbook.files import backups_of
from calib.logbook.ledger import Entry, add
from calib.records import Reading


def spoil(path: Path) -> None:
    """Overwrite the pages behind the first one, as a failing disk might."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * (size - 4096))


def test_a_backup_of_either_database_is_a_logbook_of_its_own(book: Book, tmp_path: Path) -> None:
    fill(book)
    target = tmp_path / "backups" / "monday.sqlite3"
    counted = backup(book, target)
    assert (counted["look"], counted["board"], counted["photograph files"]) == (2, 1, 1)
    assert [file.name for file in target.parent.iterdir()] == ["monday.sqlite3"]
    with open_book(target) as copy:
        assert export_text(copy) == export_text(book)
        copy.record("AB12", [Reading(cell="A3", through="no")], when=later(60))


def test_a_backup_never_overwrites_a_file(book: Book, tmp_path: Path) -> None:
    target = tmp_path / "monday.sqlite3"
    target.write_text("something dear")
    with pytest.raises(LogbookError, match=r"monday\.sqlite3 is there already"):
        backup(book, target)
    assert target.read_text() == "something dear"


def test_a_backup_that_cannot_be_written_leaves_nothing_behind(book: Book, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogbookError, match="can't be written"):
        backup(book, tmp_path / "file" / "monday.sqlite3")
    assert [file.name for file in tmp_path.iterdir()] == ["file"]


def test_a_logbook_cannot_be_restored_where_no_folder_can_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    open_book(tmp_path / "logbook.sqlite3").close()
    with pytest.raises(LogbookError, match="can't be written"):
        restore(tmp_path / "logbook.sqlite3", tmp_path / "file" / "logbook.sqlite3")


def test_a_damaged_logbook_gives_no_backup(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite3"
    with open_book(path) as book:
        fill(book)
    with open_book(path) as book:
        spoil(path)
        with pytest.raises(LogbookError, match="damaged|isn't whole"):
            backup(book, tmp_path / "monday.sqlite3")
    assert not list(tmp_path.glob("monday*"))


def test_a_restored_logbook_is_as_it_was_and_the_replaced_one_is_kept(tmp_path: Path) -> None:
    path, target = tmp_path / "logbook.sqlite3", tmp_path / "monday.sqlite3"
    with open_book(path) as book:
        fill(book)
        before = export_text(book)
        backup(book, target)
        book.record("AB12", [Reading(cell="A3", through="no")], when=later(60))
        after = export_text(book)
    for number in (1, 2):
        counted = restore(target, path)
        assert counted["look"] == 2
        with open_book(path) as book:
            assert export_text(book) == before
            book.record("AB12", [Reading(cell="A4", through="no")], when=later(61))
        assert (tmp_path / f"logbook.sqlite3.replaced-{number}").exists()
    with open_book(tmp_path / "logbook.sqlite3.replaced-1") as kept:
        assert export_text(kept) == after
    with open_book(target) as untouched:
        assert export_text(untouched) == before


def test_a_damaged_logbook_is_told_apart_restored_and_kept(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite3"
    with open_book(path) as book:
        fill(book)
        good, bad = backup_path(path, later(0)), backup_path(path, later(1))
        backup(book, good)
        backup(book, bad)
        before = export_text(book)
    spoil(bad)
    spoil(path)
    spoiled = path.read_bytes()
    with pytest.raises(LogbookError, match=f"is damaged.*newest good backup is {good}"):
        open_book(path)
    assert path.read_bytes() == spoiled
    restore(good, path)
    with open_book(path) as book:
        assert export_text(book) == before
    assert (tmp_path / "logbook.sqlite3.replaced-1").read_bytes() == spoiled


def test_the_backups_of_two_logbooks_in_one_folder_are_kept_apart(tmp_path: Path) -> None:
    """Also where one name begins like the other; a renamed logbook still finds its own."""
    names = {"work": BENCH, "work-old": replace(BENCH, name="old bench")}
    for minutes, (name, machine) in enumerate(names.items()):
        with open_book(tmp_path / f"{name}.sqlite3") as book:
            book.add_machine(machine, when=EVENING)
            backup(book, backup_path(tmp_path / f"{name}.sqlite3", later(minutes)))
    for name in names:
        (own,) = backups_of(tmp_path / f"{name}.sqlite3")
        assert own.name.removeprefix(f"{name}-").startswith("20")
        with open_book(tmp_path / f"{name}.sqlite3") as book:
            assert check_book(book).compared_with == own
    (tmp_path / "work-old.sqlite3").rename(tmp_path / "archive.sqlite3")
    assert [file.name[:9] for file in backups_of(tmp_path / "archive.sqlite3")] == ["work-old-"]


@pytest.mark.parametrize("content", [b"", b"not a database at all, but a letter" * 300])
def test_a_bad_backup_is_refused_and_nothing_is_changed(tmp_path: Path, content: bytes) -> None:
    path, source = tmp_path / "logbook.sqlite3", tmp_path / "monday.sqlite3"
    open_book(path).close()
    source.write_bytes(content)
    with pytest.raises(LogbookError, match=r"monday\.sqlite3 is damaged, isn't a logbook"):
        restore(source, path)
    with pytest.raises(LogbookError, match=r"tuesday\.sqlite3 is damaged, isn't a logbook"):
        restore(tmp_path / "tuesday.sqlite3", path)
    assert sorted(file.name for file in tmp_path.iterdir()) == [
        "logbook.sqlite3", "monday.sqlite3",
    ]  # fmt: skip


def test_a_backup_of_a_newer_program_is_refused_and_nothing_is_changed(tmp_path: Path) -> None:
    path, source = tmp_path / "logbook.sqlite3", tmp_path / "newer.sqlite3"
    for place in (path, source):
        open_book(place).close()
    with open_book(source) as book, book.change() as connection:
        add(connection, [Entry(at="2099-01-01T00:00:00.000000Z", kind="look", v=9)])
    before = path.read_bytes()
    with pytest.raises(LogbookError, match="kind 'look', version 9, was written by a newer"):
        restore(source, path)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*.re*"))


def test_a_backup_is_restored_to_a_server_and_goes_on_there(
    server: Server, other: Book, tmp_path: Path
) -> None:
    fill(other)
    backup(other, tmp_path / "monday.sqlite3")
    url = server.new_place()
    assert restore(tmp_path / "monday.sqlite3", url)["look"] == 2
    with open_book(url) as moved:
        assert export_text(moved) == export_text(other)
        moved.record("AB12", [Reading(cell="A3", through="no")], when=later(60))
        assert "A3" in moved.undo(when=later(61), board_id="AB12")
        with pytest.raises(LogbookError, match="isn't empty"):
            restore(tmp_path / "monday.sqlite3", url)
        assert len(moved.readings("AB12")) == 1


def test_a_backup_can_be_made_while_others_write(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite3"
    with open_book(path) as book, open_book(path) as second:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        with second.change() as connection:
            connection.exec_driver_sql(
                "INSERT INTO replaced (entry, target) VALUES ('half', 'done')"
            )
            backup(book, tmp_path / "monday.sqlite3")
            connection.rollback()
        book.add_board(some_grid(), when=EVENING)
    with open_book(tmp_path / "monday.sqlite3") as copy:
        assert copy.machines() == (BENCH,)
        assert copy.boards().total == 0
