"""Opening: where it lies, what is missing is made, newer and damaged ones refused."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa
from postgres import Server
from workshop_records import BENCH, EVENING

from calib.errors import LogbookError
from calib.logbook import open_book
from calib.logbook.ledger import Entry, add
from calib.logbook.opening import find_place, make_engine


@pytest.mark.parametrize(("kind", "v"), [("look", 2), ("hologram", 1)])
def test_a_newer_version_of_an_entry_or_a_newer_kind_is_said_and_left_as_it_is(
    place: str, kind: str, v: int
) -> None:
    with open_book(place) as book:
        book.add_machine(BENCH, when=EVENING)
        with book.change() as connection:
            said = Entry(at="2099-01-01T00:00:00.000000Z", kind=kind, v=v, body={"new": 1})
            add(connection, [said])
        with pytest.raises(LogbookError, match=f"kind '{kind}', version {v}.*newer calib"):
            book.machines()
    with pytest.raises(LogbookError, match=f"kind '{kind}', version {v}.*bring this program"):
        open_book(place)


def test_tables_that_are_missing_are_made(place: str) -> None:
    with open_book(place) as book:
        book.add_machine(BENCH, when=EVENING)
        with book.change() as connection:
            connection.exec_driver_sql("DROP TABLE photographs")
    with open_book(place) as book:
        assert book.machines() == (BENCH,)
        with book.look() as connection:
            assert connection.exec_driver_sql("SELECT count(*) FROM photographs").scalar() == 0


def test_a_database_of_something_else_is_refused(place: str) -> None:
    engine = make_engine(find_place(place))
    with engine.begin() as connection:
        connection.execute(sa.text("CREATE TABLE recipes (id INTEGER)"))
    engine.dispose()
    with pytest.raises(LogbookError, match=r"holds other tables \(recipes\)"):
        open_book(place)


@pytest.mark.parametrize("size", [30, 20_000])
def test_a_file_that_is_no_database_is_called_damaged_and_kept(tmp_path: Path, size: int) -> None:
    path = tmp_path / "logbook.sqlite3"
    path.write_bytes(b"dear diary " * size)
    with pytest.raises(LogbookError, match=r"logbook\.sqlite3 is damaged.*No good backup"):
        open_book(path)
    assert path.read_bytes() == b"dear diary " * size


def test_an_emptied_file_beside_backups_is_called_damaged(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite3"
    (tmp_path / "backups").mkdir()
    open_book(tmp_path / "backups" / "monday.sqlite3").close()
    path.write_bytes(b"")
    with pytest.raises(LogbookError, match=r"is damaged.*newest good backup is .*monday\.sqlite3"):
        open_book(path)
    assert path.read_bytes() == b""


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("mysql://me@host/book", "begins with 'mysql'"),
        ("sqlite:///book.sqlite3", "begins with 'sqlite'"),
        ("postgresql://me@host:port/book", "can't be read"),
    ],
)
def test_another_kind_of_url_is_refused(where: str, words: str) -> None:
    with pytest.raises(LogbookError, match=words):
        open_book(where)


def test_a_folder_is_no_logbook(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match="is a folder"):
        open_book(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(LogbookError, match="folder of the logbook .* can't be made"):
        open_book(tmp_path / "file" / "book.sqlite3")


def test_a_server_that_does_not_answer_is_named_without_the_password(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match=r"postgresql\+psycopg://me:\*\*\*@") as caught:
        open_book(f"postgresql://me:secret@/book?host={tmp_path}")
    assert "secret" not in str(caught.value)


def test_without_the_servers_driver_the_message_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(LogbookError, match="needs the package psycopg.*pip install"):
        open_book("postgresql://me@host/book")


def test_the_user_data_folder_is_the_default(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    with open_book() as book:
        assert book.path == tmp_path / "data" / "calib" / "logbook.sqlite3"
        assert book.place == str(book.path)


def test_a_file_is_set_up_as_promised(tmp_path: Path) -> None:
    with open_book(tmp_path / "logbook.sqlite3") as book, book.look() as connection:
        pragmas = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "foreign_keys", "synchronous", "busy_timeout")
        }
    assert pragmas == {
        "journal_mode": "wal", "foreign_keys": 1, "synchronous": 2, "busy_timeout": 30_000,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("~nobody-of-that-name/book", "'~nobody-of-that-name/book' is in the home of somebody"),
        ("~/a\0b", r"'~/a\\x00b' can't be a file's path"),
        ("postgresql:///\udc80", "URL can't be read"),
        ("sql" * 900 + "://a", r"begins with 'sqlsql[^:]{110,}…: give the path"),
    ],
)
def test_a_place_that_cannot_be_is_refused(where: str, said: str) -> None:
    with pytest.raises(LogbookError, match=said):
        find_place(where)


def test_many_programs_may_open_a_new_logbook_at_once(place: str, server: Server) -> None:
    code = f"from calib.logbook import open_book; open_book({place!r}).close()"
    running = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(4)]
    assert [process.wait(timeout=60) for process in running] == [0] * 4
    with open_book(place) as book:
        assert book.machines() == ()


def test_calib_alone_loads_no_database() -> None:
    code = "import sys, calib; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_opening_a_logbook_loads_nothing_that_it_does_not_need(tmp_path: Path) -> None:
    open_book(tmp_path / "logbook.sqlite3").close()
    code = (
        "import sys; from calib.logbook import open_book;"
        f" open_book({str(tmp_path / 'logbook.sqlite3')!r}).close();"
        " print([name for name in ('pandas', 'scipy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
