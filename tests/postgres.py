"""A real PostgreSQL server of the tests' own, and fixtures that give a logbook on both databases.

The server comes from Debian's package ``postgresql``. It listens on a Unix socket in a folder of
its own only, runs as an unprivileged user, and is stopped and removed at the end.
"""

from __future__ import annotations

import getpass
import itertools
import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from calib.logbook import Book, open_book
from calib.logbook.ledger import identity, make_tables, metadata

HOW_TO_INSTALL = (
    "PostgreSQL's server programs (initdb, pg_ctl) were not found under /usr/lib/postgresql/*/bin"
    " nor on the PATH: install them with 'apt-get install postgresql'."
)


def find_programs() -> Path | None:
    """Find the folder with initdb and pg_ctl; the newest version when there are several."""
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"),
        key=lambda path: int(path.parts[-3]) if path.parts[-3].isdigit() else 0,
    )
    on_path = shutil.which("initdb")
    if found:
        return found[-1].parent
    return Path(on_path).resolve().parent if on_path else None


def server_user() -> str:
    """Name the user who runs the server: it refuses to run as root."""
    if os.geteuid() != 0:
        return getpass.getuser()
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"


class Server:
    """One running server; every call of `new_place` gives the URL of an empty logbook's place."""

    def __init__(self, programs: Path) -> None:
        self.programs = programs
        self.user = server_user()
        self.folder = Path(tempfile.mkdtemp(prefix="calib-pg-"))
        self.data = self.folder / "data"
        self._numbers = itertools.count(1)
        if os.geteuid() == 0:
            entry = pwd.getpwnam(self.user)
            os.chown(self.folder, entry.pw_uid, entry.pw_gid)
        self.run(
            "initdb", "--pgdata", str(self.data), "--username", "calib", "--auth", "trust",
            "--encoding", "UTF8", "--locale", "C.UTF-8", "--no-sync",
        )  # fmt: skip
        self.start()

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's programs as the server's user."""
        other = {"user": self.user, "group": pwd.getpwnam(self.user).pw_gid, "extra_groups": []}
        done = subprocess.run(
            [str(self.programs / program), *arguments],
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=120,
            check=False,
            **(other if os.geteuid() == 0 else {}),
        )
        if done.returncode:
            raise RuntimeError(f"{program} failed: {done.stdout}")

    def start(self) -> None:
        """Start the server and wait until it answers."""
        # Without fsync a crash of the computer would lose rows, a killed process doesn't.
        options = f"-c listen_addresses='' -c fsync=off -k {self.folder}"
        self.run(
            "pg_ctl", "start", "--wait", "--pgdata", str(self.data),
            "--log", str(self.folder / "log"), "--options", options,
        )  # fmt: skip

    def stop(self, mode: str = "fast") -> None:
        """Stop it; ``immediate`` is a crash: it must recover when it starts again."""
        self.run("pg_ctl", "stop", "--wait", "--pgdata", str(self.data), "--mode", mode)

    def start_if_stopped(self) -> None:
        """Start it again after a test that stopped it and failed."""
        if not (self.data / "postmaster.pid").exists():
            self.start()

    def url(self, schema: str) -> str:
        """Give the URL of a place in the server's one database."""
        return f"postgresql://calib@/postgres?host={self.folder}&options=-csearch_path%3D{schema}"

    def new_place(self) -> str:
        """Make an empty place (a schema: far cheaper than a database) and give its URL."""
        import psycopg

        name = f"book_{next(self._numbers)}"
        with psycopg.connect(self.url("public"), autocommit=True) as connection:
            connection.execute(f"CREATE SCHEMA {name}")
        return self.url(name)

    def remove(self) -> None:
        """Stop it and delete its folder."""
        self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """Run a server for the tests; without its programs: fail on CI, skip elsewhere and say why."""
    programs = find_programs()
    if programs is None:
        if os.environ.get("CI", "").lower() not in ("", "0", "false"):
            pytest.fail(HOW_TO_INSTALL)
        pytest.skip(HOW_TO_INSTALL)
    running = Server(programs)
    try:
        yield running
    finally:
        running.remove()


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Give where a logbook that doesn't exist yet will lie, on each kind of database."""
    if request.param == "sqlite":
        return str(tmp_path / "logbook.sqlite3")
    server: Server = request.getfixturevalue("server")
    return server.new_place()


def emptied(book: Book) -> Book:
    """Empty a logbook of the tests: quicker than a new one, since its statements are compiled.

    A logbook itself refuses to lose anything: a server's tables are truncated, which it doesn't
    guard against; those of a file are made anew.
    """
    with book.engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql(f"TRUNCATE {', '.join(metadata.tables)} RESTART IDENTITY")
            connection.execute(identity.insert().values(id=str(uuid.uuid4())))
        else:
            metadata.drop_all(connection)
            make_tables(connection)
    return Book(book.engine, book.where)


@pytest.fixture(scope="session")
def used_books(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Book]]:
    """Three logbooks in files, for tests that empty them before they use them."""
    folder = tmp_path_factory.mktemp("used")
    books = [open_book(folder / f"{name}.sqlite3") for name in "abc"]
    yield books
    for book in books:
        book.close()


@pytest.fixture(scope="session")
def used_server_book(server: Server) -> Iterator[Book]:
    """A logbook on the server, for tests that empty it before they use it."""
    with open_book(server.new_place()) as book:
        yield book


@pytest.fixture(params=["sqlite", "postgresql"])
def book(request: pytest.FixtureRequest) -> Book:
    """Give an empty logbook, on each kind of database."""
    if request.param == "postgresql":
        return emptied(request.getfixturevalue("used_server_book"))
    return emptied(request.getfixturevalue("used_books")[0])


@pytest.fixture
def other(used_books: list[Book]) -> Book:
    """Give another empty logbook, in a file."""
    return emptied(used_books[1])


@pytest.fixture
def three(used_books: list[Book]) -> list[Book]:
    """Give three empty logbooks in files."""
    return [emptied(book) for book in used_books]
