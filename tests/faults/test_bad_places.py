"""Full disk, size limit, read-only folder, damaged pages, a wrong clock: said, and nothing lost."""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bad_places import NOBODY, in_a_process, let_grow
from kill_writes import WRITES, Write, add_job, other_document, record, use_all
from workshop_records import BENCH, BIRCH, EVENING, later, some_grid

from calib.errors import CalibError, LogbookError
from calib.logbook import Book, backup, export_text, import_text, open_book, restore
from calib.logbook.checking import check_book
from calib.logbook.identity import identity_of
from calib.records import Reading


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


def entries_of(document: str) -> list[dict[str, Any]]:
    """The entries of an exported logbook."""
    return [line for line in map(json.loads, document.splitlines()) if "kind" in line]


def looks_by_batch(document: str) -> list[int]:
    """How many looks were said in one go, each time."""
    looks = (line["batch"] for line in entries_of(document) if line["kind"] == "look")
    return list(Counter(looks).values())


# An import is large: it has a test of its own.
@pytest.mark.parametrize("write", WRITES[:-1], ids=lambda write: str(write.__name__))
def test_a_full_disk_is_said_and_leaves_the_logbook_as_it_was(path: Path, write: Write) -> None:
    other_document()
    with open_book(path) as book:
        before = export_text(book)
        let_grow(book, pages=2)
        for number in range(1000, 1200):
            try:
                write(book, number)
            except LogbookError as error:
                assert "disk is full" in str(error)  # noqa: PT017
                assert "Nothing of this change was stored" in str(error)  # noqa: PT017
                break
            before = export_text(book)
        else:
            pytest.fail("the disk never became full")
    with open_book(path) as book:
        after = export_text(book)
        # What a write of several changes had stored before is whole; nothing else was added.
        assert entries_of(after)[: len(entries_of(before))] == entries_of(before)
        assert set(looks_by_batch(after)) <= {6}
        check_book(book)
        record(book, 5000)
        assert len(book.readings("K5000")) == 6


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


def test_a_limit_on_the_size_of_files_is_said_and_nothing_is_lost(path: Path) -> None:
    with open_book(path) as book:
        before = export_text(book)
    size = path.stat().st_size

    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 8192, size + 8192))
        with open_book(path) as book:
            for number in range(1000, 1200):
                record(book, number)

    assert "the disk is full or fails" in in_a_process(work)
    with open_book(path) as book:
        after = export_text(book)
        assert entries_of(after)[: len(entries_of(before))] == entries_of(before)
        assert set(looks_by_batch(after)) <= {6}
        record(book, 5000)


def test_a_backup_on_a_full_disk_leaves_no_half_file(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "monday.sqlite3"

    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))
        with open_book(path) as book:
            backup(book, target)

    assert "the disk is full or fails" in in_a_process(work)
    assert not list(tmp_path.glob("monday*"))
    with open_book(path) as book:
        backup(book, target)


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """A folder that every user can look into, but only its owner can write to."""
    folder = Path(tempfile.mkdtemp(prefix="calib-test-"))
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def test_a_read_only_folder_is_said_and_the_logbook_is_left_as_it_is(
    path: Path, public_folder: Path
) -> None:
    place = public_folder / "logbook.sqlite3"
    shutil.copy(path, place)
    place.chmod(0o444)
    public_folder.chmod(0o555)
    content = place.read_bytes()
    user = NOBODY if os.geteuid() == 0 else None  # nothing is read-only to root

    def use(place: Path) -> None:
        with open_book(place) as book:
            book.add_machine(BENCH, when=EVENING)

    said = in_a_process(lambda: use(place), user=user)
    assert "can't be opened for writing" in said
    assert "you may write in it" in said
    assert place.read_bytes() == content
    said = in_a_process(lambda: use(public_folder / "new.sqlite3"), user=user)
    assert "can't be opened for writing" in said
    said = in_a_process(lambda: use(public_folder / "sub" / "new.sqlite3"), user=user)
    assert "can't be made" in said
    assert [file.name for file in public_folder.iterdir()] == ["logbook.sqlite3"]


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
                # A letter that turned within the identity makes it another book's.
                own = identity_of(path) in (None, identity_of(good))
                way_out = (
                    f"newest good backup is {good}" if own else "No good backup that is surely"
                )
                assert way_out in str(error)  # noqa: PT017
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


def test_a_clock_that_goes_back_changes_nothing_but_the_dates(three: list[Book]) -> None:
    chance = random.Random(0)
    times = {
        "forwards": [float(minute) for minute in range(40)],
        "backwards": [-float(minute) for minute in range(40)],
        "jumping": [chance.uniform(-1e6, 1e6) for _ in range(40)],
    }
    states = []
    for book, minutes in zip(three, times.values(), strict=True):
        tick = iter(minutes)
        book.add_machine(BENCH, when=later(next(tick)))
        book.add_sheet(BIRCH, when=later(next(tick)))
        book.add_board(some_grid(), when=later(next(tick)))
        for grade in ("no", "hanging", "through"):
            reading = Reading(cell="A1", through=grade)
            book.record("AB12", [reading], when=later(next(tick)), why="again")
        book.record("AB12", [Reading(cell="A2", through="no")], when=later(next(tick)))
        for lens in (38.1, 50.8, 63.5):
            book.change_setup("bench", when=later(next(tick)), what="lens", lens_mm=lens)
        for _ in range(2):
            book.undo(when=later(next(tick)), board_id="AB12")
        book.undo(when=later(next(tick)), machine="bench")
        states.append((
            book.readings("AB12"),
            book.machine("bench").lens_mm,
            [(line.kind, line.text, line.superseded) for line in book.history("bench", "birch 3")],
            [entry.machine.lens_mm for entry in book.setups("bench")],
        ))
    assert states[0][:2] == ((Reading(cell="A1", through="hanging"),), 50.8)
    assert states[1] == states[0]
    assert states[2] == states[0]
