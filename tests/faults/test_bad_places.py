"""An import on a full disk, damaged pages, cut off files, a wrong clock: said, and nothing lost."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from fault_bench import let_grow
from kill_writes import add_job, other_document, record, use_all
from workshop_records import BENCH, BIRCH, EVENING, later

from calib.errors import CalibError, LogbookError
from calib.logbook import backup, export_text, import_text, open_book, restore
from calib.logbook.files import identity_of


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A logbook with a machine, a sheet, some boards and jobs."""
    path = tmp_path / "logbook.sqlite3"
    with open_book(path) as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        for number in range(12):
            (record, add_job)[number % 2](book, number)
    return path


def test_an_import_on_a_full_disk_stores_nothing_of_it(path: Path) -> None:
    with open_book(path) as book:
        before = export_text(book)
        let_grow(book, pages=1)
        answers = {"machine bench (2)": "rename: m", "sheet birch 3 (2)": "rename: s"}
        with pytest.raises(LogbookError, match="disk is full"):
            import_text(book, other_document(), when=later(1), answers=answers)
    with open_book(path) as book:
        assert export_text(book) == before
        report = import_text(book, other_document(), when=later(1), answers=answers)
        assert report.added["board"] == 3


def test_damaged_pages_are_said_and_a_backup_helps(path: Path, tmp_path: Path) -> None:
    good = tmp_path / "backups" / "good.sqlite3"
    with open_book(path) as book:
        backup(book, good)
        document = export_text(book)
    whole = path.read_bytes()
    chance = random.Random(0)
    noticed = 0
    for _ in range(120):
        content = bytearray(whole)
        length = chance.choice([1, 16, 512, 4096])
        place = chance.randrange(len(content) - length)
        content[place : place + length] = chance.randbytes(length)
        path.write_bytes(content)
        try:
            use_all(path)
        except CalibError as error:
            noticed += 1
            if "damaged, or isn't a logbook" in str(error):
                # A letter that turned within the identity makes it another logbook's.
                own = identity_of(path) in (None, identity_of(good))
                said = f"newest good backup is {good}" if own else "No good backup that is surely"
                assert said in str(error)  # noqa: PT017
                assert path.exists()
        for end in ("-wal", "-shm"):
            path.with_name(path.name + end).unlink(missing_ok=True)
    assert noticed >= 40
    restore(good, path)
    with open_book(path) as book:
        assert export_text(book) == document
    assert path.with_name("logbook.sqlite3.replaced-1").exists()


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 0.9])
def test_a_cut_off_file_is_called_damaged_and_kept(path: Path, share: float) -> None:
    content = path.read_bytes()
    cut = content[: int(len(content) * share)]
    path.write_bytes(cut)
    (path.parent / "backups").mkdir()
    (path.parent / "backups" / "b.sqlite3").write_bytes(content)
    with pytest.raises(LogbookError, match=r"is damaged.*newest good backup is .*b\.sqlite3"):
        open_book(path)
    assert path.read_bytes() == cut
