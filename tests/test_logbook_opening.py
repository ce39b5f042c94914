"""Opening: where it lies, old versions migrated after a copy, newer and damaged ones refused."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.runtime.environment import EnvironmentContext
from alembic.script import ScriptDirectory
from postgres import Server
from workshop_records import BENCH, BIRCH, EVENING, JOB, PROMISE, SETTING, later, some_grid

from calib.errors import LogbookError
from calib.logbook import Sitting, migrate, open_book
from calib.logbook.identity import IDENTITY
from calib.logbook.opening import find_place, make_engine
from calib.logbook.tables import HEAD, metadata
from calib.records import Reading


def make_version(place: str, version: str) -> None:
    """Make the tables of an earlier version of the logbook, empty."""
    engine = make_engine(find_place(place))
    scripts = ScriptDirectory(str(migrate.MIGRATIONS))
    with engine.begin() as connection:
        steps = EnvironmentContext(
            Config(), scripts, fn=lambda current, _: scripts._upgrade_revs(version, current)
        )
        with steps:
            steps.configure(connection=connection)
            steps.run_migrations()
    engine.dispose()


def fill_version_1(place: str, folder: Path) -> None:
    """Fill a logbook of version 1 with rows, made in a new one and copied over."""
    with open_book(folder / "new.sqlite3") as book:
        book.add_machine(BENCH, when=EVENING)
        book.add_sheet(BIRCH, when=EVENING)
        book.add_board(some_grid(), when=EVENING)
        book.record("AB12", [Reading(cell="A1", through="no")], when=later(1), sitting="monday")
        promise = book.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(2))
        book.add_job("bench", "birch 3", JOB, when=later(3), promise_id=promise)
        book.settle("bench", "birch 3", "cut", SETTING, when=later(4), promise_id=promise)
        engine = make_engine(find_place(place))
        with book.look() as source, engine.begin() as target:
            there = set(sa.inspect(target).get_table_names())
            for table in metadata.sorted_tables:
                if table.name not in there:
                    continue
                columns = {c["name"] for c in sa.inspect(target).get_columns(table.name)} - {"seq"}
                rows = [
                    {name: row[name] for name in columns}
                    for row in source.execute(sa.select(table)).mappings()
                ]
                if rows:
                    target.execute(table.insert(), rows)
        engine.dispose()
    assert "notes" not in there


def test_the_migrations_lead_to_the_tables_that_the_program_uses(place: str) -> None:
    assert ScriptDirectory(str(migrate.MIGRATIONS)).get_current_head() == HEAD
    open_book(place).close()
    engine = make_engine(find_place(place))
    tables: Any = [metadata, IDENTITY.metadata]
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), tables) == []
    engine.dispose()


def test_an_old_logbook_opens_with_all_its_rows(place: str, tmp_path: Path) -> None:
    make_version(place, "0001")
    fill_version_1(place, tmp_path)
    with open_book(place) as book:
        assert book.board("AB12") == some_grid()
        assert book.readings("AB12") == (Reading(cell="A1", through="no"),)
        assert book.burns("bench", "birch 3")[1:] == JOB
        assert book.settled("bench", "birch 3")[0].promise == PROMISE
        book.add_note("now there are notes", when=later(5))
        assert Sitting(label="monday") in book.sittings("bench")
        book.add_sitting("bench", Sitting(label="monday", air=True), when=later(6))
        assert Sitting(label="monday", air=True) in book.sittings("bench")


def test_an_old_logbook_is_copied_before_it_is_migrated(tmp_path: Path) -> None:
    place = tmp_path / "logbook.sqlite3"
    (tmp_path / "made").mkdir()
    for number in (1, 2):
        make_version(str(place), "0001")
        fill_version_1(str(place), tmp_path / "made")
        shutil.rmtree(tmp_path / "made")
        (tmp_path / "made").mkdir()
        open_book(place).close()
        copy = tmp_path / "backups" / f"logbook-version-0001-{number}.sqlite3"
        with sqlite3.connect(copy) as connection:
            version = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            count = connection.execute("SELECT count(*) FROM readings").fetchone()
        connection.close()
        assert (version, count) == (("0001",), (1,))
        place.unlink()


def test_a_failing_migration_leaves_nothing_behind(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_version(place, "0001")
    fill_version_1(place, tmp_path)
    broken = tmp_path / "migrations"
    shutil.copytree(migrate.MIGRATIONS, broken)
    last = broken / "versions" / "v0004_kept.py"
    last.write_text(last.read_text() + '\n    op.execute("SELECT nonsense FROM nowhere")\n')
    with monkeypatch.context() as patched:
        patched.setattr(migrate, "MIGRATIONS", broken)
        with pytest.raises(LogbookError, match=f"could not be brought to version {HEAD}.*nowhere"):
            open_book(place)
    engine = make_engine(find_place(place))
    with engine.connect() as connection:
        assert "notes" not in sa.inspect(connection).get_table_names()
        assert migrate.version_of(connection) == "0001"
    engine.dispose()
    with open_book(place) as book:
        assert len(book.readings("AB12")) == 1


def test_a_newer_logbook_is_refused_and_left_as_it_is(place: str) -> None:
    open_book(place).close()
    engine = make_engine(find_place(place))
    with engine.begin() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(LogbookError, match=f"version 9999, newer than this program's {HEAD}"):
        open_book(place)
    with engine.connect() as connection:
        assert migrate.version_of(connection) == "9999"
    engine.dispose()


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
    code = "import sys, calib, calib.logbook; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_opening_an_up_to_date_logbook_loads_no_migrations(tmp_path: Path) -> None:
    open_book(tmp_path / "logbook.sqlite3").close()
    code = (
        "import sys; from calib.logbook import open_book;"
        f" open_book({str(tmp_path / 'logbook.sqlite3')!r}).close();"
        " print([name for name in ('alembic', 'pandas', 'jsonschema') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
